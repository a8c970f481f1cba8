"""Why a weight is what it is: the rule behind every line of a ledger."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from diagnose.knowledge.models import Answer, Cause, Evidence, Question
from diagnose.knowledge.pack import Knowledge
from diagnose.reasoning.answers import Report
from diagnose.reasoning.ledger import strength
from diagnose.reasoning.trials import BETTER, CURED, NO_CHANGE
from diagnose.triage.views import LedgerLine, Source
from diagnose.triage.wording import at_or_every, often

if TYPE_CHECKING:
    from diagnose.marks.model import Ask
    from diagnose.triage.marks import Weighed

MARKS = "marks"
"""Id of the marks in a ledger and among what was given."""

RATE_WORDS = {
    "everyday": "an everyday cause of bad prints",
    "common": "a common cause of bad prints",
    "occasional": "an occasional cause of bad prints",
    "uncommon": "an uncommon cause of bad prints",
    "rare": "a rare cause of bad prints",
}


RESULT_WORDS = {
    CURED: "the fault is gone",
    BETTER: "better, but the fault is still there",
    NO_CHANGE: "no change",
}
"""What may come of a remedy, in words."""
STARTING_POINT = "starting point"
"""In place of a strength: a rate is no evidence."""
SILENT_DECIBANS = 0.05
"""A weight smaller than this is none."""


def rate_line(knowledge: Knowledge, cause: Cause, decibans: float) -> LedgerLine:
    """Return the first line of a ledger: how common the cause is before anything was answered."""
    return LedgerLine(
        "rate", "", cause.rate, RATE_WORDS[cause.rate], decibans, STARTING_POINT,
        "how common it is before anything was answered", str(knowledge.origins.get(("causes", cause.id), "")),
    )  # fmt: skip


def report_line(
    knowledge: Knowledge, cause: Cause, report: Report, context: dict[str, str], decibans: float
) -> LedgerLine:
    """Return one answer, finding or remedy tried as a line of a cause's ledger.

    ``context``: question or finding id to the answer on the case, to find the line whose `given` holds.
    """
    source: Source = report.source
    if report.source == "question" and report.about in knowledge.result_questions():
        source = "test"
    if report.source == "remedy":
        because, rule = _of_remedy(knowledge, cause, report)
        said = say_result(report.answers[0])
    else:
        because, rule = _because(knowledge, cause, report, context, decibans)
        said = say(knowledge, report.about, report.answers)
    return LedgerLine(
        source, report.id, ", ".join(report.answers), said, decibans, strength(decibans), because, rule,
    )  # fmt: skip


def say_result(result: str) -> str:
    """Return what came of a remedy in words; one that is not known here is shown as it is."""
    return RESULT_WORDS.get(result, result)


def _of_remedy(knowledge: Knowledge, cause: Cause, report: Report) -> tuple[str, str]:
    """Return why what came of a remedy weighs as it does on a cause, and the rule of its sureness."""
    remedy = knowledge.remedies[report.id]
    if remedy.id not in cause.remedies:
        return f"{remedy.name.lower()} is no remedy for it", ""
    place = str(knowledge.origins.get(("remedies", remedy.id), ""))
    return f"{remedy.name.lower()} cures it in {100 * remedy.sure.value:.0f} of 100 tries", place


def marks_line(knowledge: Knowledge, cause: Cause, weighed: Weighed, ask: Ask | None, decibans: float) -> LedgerLine:
    """Return the measured marks as the last line of a cause's ledger."""
    if ask is not None:
        because = f"it leaves its marks {at_or_every(ask)}"
    elif cause.leaves is not None:
        because = "it leaves marks anywhere on the surface, and these are weighed against that"
    else:
        because = "its rules do not say where its marks lie; the other suspects are weighed by it"
    answer = f"{weighed.placed} of {weighed.told['marks']}"
    rule = str(knowledge.origins.get(("causes", cause.id), "")) if cause.leaves is not None else ""
    return LedgerLine("marks", MARKS, answer, weighed.say(ask), decibans, strength(decibans), because, rule)


def say(knowledge: Knowledge, about: str, answers: Sequence[str]) -> str:
    """Return answers in words: what the rule file has the user say."""
    asked = knowledge.questions.get(about) or knowledge.findings.get(about)
    if asked is None:
        return ", ".join(answers)
    by_id: dict[str, Answer] = {a.id: a for a in asked.answers}
    if not answers:
        return "none of these" if isinstance(asked, Question) and asked.kind == "several" else "unknown"
    return "; ".join(by_id[a].say if a in by_id else a for a in answers)


def _because(
    knowledge: Knowledge, cause: Cause, report: Report, context: dict[str, str], decibans: float
) -> tuple[str, str]:
    asked = knowledge.questions.get(report.about)
    if asked is not None and asked.role == "defect":
        origin = str(knowledge.origins.get(("causes", cause.id), ""))
        frequency = cause.defects.get(report.answers[0])
        if frequency:
            return f"it shows itself first as this {often(frequency.said)}", origin
        usual = ", ".join(say(knowledge, report.about, (d,)).lower() for d in cause.defects)
        return f"it usually shows as: {usual}", origin
    if asked is not None and asked.role == "defect-again":
        return "it follows from how often each defect is the main one, and from what was said at first", ""
    # A context nobody answered is summed over: lines given it still speak, for the part of the sum where they hold.
    holding = [
        (index, line)
        for index, line in enumerate(cause.evidence)
        if line.about == report.about
        and all(q not in context or context[q] in answers for q, answers in line.given.items())
    ]
    if not holding:
        if abs(decibans) < SILENT_DECIBANS:
            return "its rules say nothing of it, and neither does the weight", ""
        return f"its rules say nothing of it; the other suspects expect it {'less' if decibans > 0 else 'more'}", ""
    index, line = _most_telling(holding, report)
    place = str(knowledge.lines.get((cause.id, index), ""))
    if line.answer in report.answers:
        return f"{line.because} (seen {often(line.seen.said)})", place
    expected = say(knowledge, report.about, (line.answer,))
    return f"it shows {expected!r} {often(line.seen.said)}: {line.because}", place


def _most_telling(holding: list[tuple[int, Evidence]], report: Report) -> tuple[int, Evidence]:
    """Return the line on the answer given, the more specific first; else the line that expects most."""
    return max(
        holding, key=lambda item: (item[1].answer in report.answers, len(item[1].given), item[1].seen.value, -item[0])
    )
