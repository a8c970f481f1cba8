"""What a case holds and what is doubtful about it, in words."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING

from diagnose.marks.model import LEAST_MARKS, Ask
from diagnose.reasoning import doubt
from diagnose.triage import explain
from diagnose.triage.views import Given
from diagnose.triage.wording import times

if TYPE_CHECKING:
    from diagnose.triage.case import Triage
    from diagnose.triage.marks import Weighed


def doubts(triage: Triage) -> list[str]:
    """Return, in sentences, what the user should look at again before believing the ranking."""
    said = list(triage.standing.warnings)
    if triage.case.marks is not None and triage.weighed is None:
        said.append(f"The marks count for nothing yet: {_waiting(triage)}.")
    conflict = triage.conflict()
    if conflict.spoken:
        asked = " and ".join(f'"{_ask_of(triage, id)}"' for id in conflict.answers)
        said.append(f"These answers do not go together ({conflict.bits:.1f} bits). Look again at {asked}.")
    told = [r for r in triage.standing.reports if doubt.speaks(triage.network, r)]
    if len(told) >= doubt.LEAST_REPORTS and triage.surprise() < doubt.SURPRISE:
        said.append(
            "Even the first suspect explains these answers badly: "
            "it may be something that is not in the rules, or more than one cause at once."
        )
    if told and triage.unexplained > float(triage.standing.shares[1:].max(initial=0.0)):
        said.append(
            "The likeliest of all is something not in the rules: they know little of such a print, "
            "so look further than this list."
        )
    return said


def _ask_of(triage: Triage, id: str) -> str:
    if id in triage.knowledge.questions:
        return triage.knowledge.questions[id].ask
    if id in triage.knowledge.remedies and id in triage.case.tried:
        return triage.knowledge.remedies[id].name
    return triage.knowledge.findings[id].name


def of_marks(weighed: Weighed, asked: Mapping[str, Ask]) -> list[str]:
    """Return what is to be said of the marks before they are believed."""
    said = [w if w.endswith((".", "?", "!")) else f"{w}." for w in weighed.told.get("warnings", ())]
    if weighed.missing(asked):
        said.append("The rules ask more of the marks than when they were weighed: attach the job file again.")
    return said


def given(triage: Triage) -> list[Given]:
    """Return every answer and finding on the case, the remedies tried and the marks, and whether each counts."""
    aside = {s.id: s.why for s in triage.standing.aside}
    listed, results = [], triage.knowledge.result_questions()
    for id, answers in triage.case.answers.items():
        question = triage.knowledge.questions[id]
        counts = answers is not None and id not in aside
        why = aside.get(id, "" if counts else "you could not tell")
        listed.append(
            Given(id, "test" if id in results else "question", question.ask,
                  answers or (), "can't tell" if answers is None else explain.say(triage.knowledge, id, answers),
                  counts, why)
        )  # fmt: skip
    counted = {r.id for r in triage.standing.reports}
    for finding in triage.found():
        known = triage.knowledge.findings.get(finding["id"])
        if known:
            listed.append(
                Given(known.id, "finding", known.name, (finding["answer"],),
                      explain.say(triage.knowledge, known.id, (finding["answer"],)), known.id in counted,
                      aside.get(known.id, finding["because"]))
            )  # fmt: skip
    for id, result in triage.case.tried.items():
        listed.append(
            Given(id, "remedy", f"Tried: {triage.knowledge.remedies[id].name}", (result,), explain.say_result(result), True, "")
        )
    if triage.case.marks is not None:
        listed.append(_marks(triage))
    return listed


def _marks(triage: Triage) -> Given:
    marks, weighed = triage.marks, triage.weighed
    count = len(marks) if marks is not None else 0
    say = times(count, "mark")
    if weighed is None:
        why = _waiting(triage)
    elif not weighed.enough:
        say, why = f"{say}, {weighed.placed} on the part", f"fewer than {LEAST_MARKS} on the part say nothing that could not be chance"
    else:
        say, why = f"{say}, {weighed.placed} on the part", str(weighed.told["verdict"])
    return Given(explain.MARKS, "marks", "Marks measured on the part", (str(count),), say, weighed is not None and weighed.enough, why)


def _waiting(triage: Triage) -> str:
    """Return why marks on a case say nothing yet."""
    if triage.case.job is None:
        return "they wait for the job file to be held against"
    return "the job file was attached without weighing them, so attach it again"
