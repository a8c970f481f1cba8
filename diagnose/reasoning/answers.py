"""From what a user said and what the program found to observed nodes, in the order in which they count."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from diagnose.errors import BadInput, nearest
from diagnose.knowledge.pack import Knowledge
from diagnose.reasoning import trials
from diagnose.reasoning.inference import Seen, log_likelihood, standing
from diagnose.reasoning.network import NO, YES, Network

UNKNOWN = "unknown"
EXAMPLE_CONFIDENCE = 0.95
"""How far a finding stated in a worked example or a solved case is believed: as far as any may be."""


@dataclass(frozen=True, slots=True)
class Found:
    """A finding as the engine reports it: its answer and how far it may be believed (0 to 1)."""

    id: str
    answer: str
    confidence: float


@dataclass(frozen=True, slots=True)
class Report:
    """One answer, finding or remedy tried that counts: what the ledger has a line for."""

    source: Literal["question", "finding", "remedy"]
    id: str
    """The question, finding or remedy as the user sees it; a finding that fills a question keeps its own id."""
    about: str
    """The question or finding whose evidence it touches; of a remedy its key in the network."""
    answers: tuple[str, ...]
    seen: tuple[tuple[int, Seen], ...]


@dataclass(frozen=True, slots=True)
class Setaside:
    """An answer that does not count now, and why."""

    id: str
    why: str


def checked_answer(knowledge: Knowledge, question_id: str, answers: Iterable[str]) -> tuple[str, ...]:
    """Return the answers as a tuple, empty for unknown; raises BadInput for an id that is not declared.

    Options of a question of kind several come back in the order of the question, each once.
    """
    question = knowledge.questions.get(question_id)
    if question is None:
        hint = nearest(question_id, knowledge.questions) or "`diagnose rules list` shows every question"
        raise BadInput(f"there is no question {question_id!r}", hint)
    given = tuple(answers)
    if given == (UNKNOWN,) or (not given and question.kind == "one"):
        return ()
    known = [a.id for a in question.answers]
    for answer in given:
        if answer not in known:
            hint = nearest(answer, known)
            raise BadInput(
                f"the question {question_id!r} has no answer {answer!r}",
                " ".join(filter(None, [hint, f"its answers are: {', '.join(known)}, unknown"])),
            )
    if question.kind == "one" and len(given) > 1:
        raise BadInput(f"the question {question_id!r} takes one answer, not {len(given)}", f"keep one of: {', '.join(given)}")
    return tuple(a for a in known if a in given)


def checked_trial(knowledge: Knowledge, remedy: str, result: str) -> None:
    """Raise BadInput for a remedy or a result that there is not."""
    if remedy not in knowledge.remedies:
        hint = nearest(remedy, knowledge.remedies) or "`diagnose plan` names the remedies worth trying, each with its id"
        raise BadInput(f"there is no remedy {remedy!r}", hint)
    if result not in trials.RESULTS:
        hint = nearest(result, trials.RESULTS)
        raise BadInput(
            f"{result!r} is not what can come of a remedy",
            " ".join(filter(None, [hint, f"write one of: {', '.join(trials.RESULTS)}"])),
        )


def reports(
    knowledge: Knowledge,
    network: Network,
    answers: Mapping[str, Sequence[str] | None],
    findings: Sequence[Found] = (),
    *,
    tried: Mapping[str, str] | None = None,
    marks_measured: bool = False,
) -> tuple[list[Report], list[Setaside], list[str]]:
    """Line up what counts: answers in the order given, then findings by id, then remedies in the order tried.

    Parameters
    ----------
    answers
        Question id to its answers (checked); None for unknown. A submitted list of a question of kind several means no
        for the options that are not in it, so an empty list says something there.
    findings
        What the engine found. One that fills a question counts only where it is surer than the user.
    tried
        Remedy id to what came of it (`trials.RESULTS`).
    marks_measured
        True once marks were placed: questions they measure are then set aside.

    Returns
    -------
    reports, set aside, warnings
    """
    fills = {f.fills: f for f in knowledge.findings.values() if f.fills}
    by_id = {found.id: found for found in findings}
    lined_up: list[Report] = []
    aside: list[Setaside] = []
    warnings: list[str] = []
    overruled: set[str] = set()
    for about, given in answers.items():
        if given is None:
            continue
        question = knowledge.questions[about]
        if marks_measured and question.measured_by == "marks":
            aside.append(Setaside(about, "the marks measure it"))
            continue
        filler = fills.get(about)
        found = by_id.get(filler.id) if filler else None
        if filler and found:
            disagree = found.answer not in given
            if disagree:
                warnings.append(
                    f"you said {', '.join(given)} to {question.ask!r}, but the job file says {found.answer}: "
                    "is it the file that was printed?"
                )
            if found.confidence >= 1.0 - question.slips.value:
                aside.append(Setaside(about, f"the job file says it more surely ({filler.name})"))
                continue
            overruled.add(filler.id)
            aside.append(Setaside(filler.id, "your own answer is the surer one"))
        lined_up.append(Report("question", about, about, tuple(given), _seen(network, about, given)))
    for found in sorted(findings, key=lambda f: f.id):
        finding = knowledge.findings.get(found.id)
        if finding is None or found.id in overruled:
            continue
        about = finding.fills or found.id
        if found.answer not in [a.id for a in finding.answers]:
            continue
        seen = _seen(network, about, (found.answer,), slips=1.0 - found.confidence)
        lined_up.append(Report("finding", found.id, about, (found.answer,), seen))
    for remedy, result in (tried or {}).items():
        about = trials.key(remedy)
        lined_up.append(Report("remedy", remedy, about, (result,), _seen(network, about, (result,))))
    lined_up, impossible = _possible(network, lined_up)
    aside += [Setaside(id, "it goes with another kind of print than other answers do") for id in impossible]
    _, asleep = standing(network, {i: s for r in lined_up for i, s in r.seen})
    sleeping = [r for r in lined_up if any(i in asleep for i, _ in r.seen)]
    aside += [Setaside(r.id, "the question no longer applies, because another answer changed") for r in sleeping]
    return [r for r in lined_up if r not in sleeping], aside, warnings


def _possible(network: Network, lined_up: Sequence[Report]) -> tuple[list[Report], list[str]]:
    """Leave out reports that no print could show together: two questions whose unanswered gate cannot open both.

    A gate outranks what it gates, then the order of the rules decides: the order of answering never does.
    """
    if not _impossible(network, {i: s for r in lined_up for i, s in r.seen}):
        return list(lined_up), []
    impossible: list[str] = []
    observed: dict[int, Seen] = {}
    for report in sorted(lined_up, key=lambda r: min((_gates_above(network, i), i) for i, _ in r.seen)):
        tried = {**observed, **dict(report.seen)}
        if _impossible(network, tried):
            impossible.append(report.id)
        else:
            observed = tried
    return [r for r in lined_up if r.id not in impossible], impossible


def _impossible(network: Network, observed: Mapping[int, Seen]) -> bool:
    return bool(np.isneginf(log_likelihood(network, observed)).all())


def _gates_above(network: Network, i: int) -> int:
    """Return how many gates, one behind the other, an answer lies behind."""
    return max((1 + _gates_above(network, m) for group in network.nodes[i].gates for m, _ in group), default=0)


def _seen(
    network: Network, about: str, given: Sequence[str], slips: float | None = None
) -> tuple[tuple[int, Seen], ...]:
    nodes = network.of[about]
    if network.kind[about] == "several":
        return tuple((i, Seen(YES if network.nodes[i].option in given else NO)) for i in nodes)
    (i,) = nodes
    return ((i, Seen(network.nodes[i].states.index(given[0]), slips)),)
