"""What must hold of the numbers of a pack: usual shares and what causes say of the answers of one question."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from itertools import combinations

from diagnose.errors import nearest
from diagnose.knowledge.models import Answer, Cause, Evidence, Finding, Question
from diagnose.knowledge.pack import Knowledge
from diagnose.knowledge.reader import Problem

SLACK = 0.05
"""Stated shares that should add to 1 may miss it by this much before they are scaled."""


def usual_adds_up(k: Knowledge) -> Iterator[Problem]:
    """Checks that the usual shares of a question add to 1 where all are stated, and to at most 1 where not."""
    for kind in ("questions", "findings"):
        for asked in getattr(k, kind).values():
            if isinstance(asked, Question) and asked.kind == "several":
                continue
            for defect in sorted({d for a in asked.answers if isinstance(a.usual, dict) for d in a.usual} | {"other"}):
                yield from _usual_total(k, kind, asked.id, asked.answers, defect)


def _usual_total(k: Knowledge, kind: str, id: str, answers: tuple[Answer, ...], defect: str) -> Iterator[Problem]:
    stated = [a.usual_for(defect) for a in answers]
    total = sum(s for s in stated if s is not None)
    of = "" if defect == "other" else f" for {defect}"
    if None in stated:
        if total > 1 - 1e-9:
            yield k.problem(
                kind, id, ("answers",), f"the usual shares stated{of} already add up to {total:.2f}",
                "leave room for the answers without a usual share",
            )  # fmt: skip
    elif abs(total - 1) > SLACK + 1e-9:
        yield k.problem(kind, id, ("answers",), f"the usual shares{of} add up to {total:.2f}", "make them add up to 1")


def usual_by_defect_names_defects(k: Knowledge) -> Iterator[Problem]:
    """Checks that usual shares by defect name answers of the defect question, and are not on that question itself."""
    question = k.by_role("defect")
    if question is None:
        return
    known = ["other", *(a.id for a in question.answers)]
    for kind in ("questions", "findings"):
        for asked in getattr(k, kind).values():
            for index, answer in enumerate(asked.answers):
                path = ("answers", index, "usual")
                if not isinstance(answer.usual, dict):
                    continue
                if asked.id == question.id:
                    yield k.problem(kind, asked.id, path, "the usual share of a defect cannot hang on the defect",
                                    "write one share")  # fmt: skip
                    continue
                for defect in answer.usual:
                    if defect not in known:
                        yield k.problem(
                            kind, asked.id, (*path, defect), f"{question.id!r} has no answer {defect!r}",
                            nearest(defect, known) or f"write one of: {', '.join(known)}",
                        )  # fmt: skip


def habits_name_defects(k: Knowledge) -> Iterator[Problem]:
    """Checks that how early a remedy is tried, where given by defect, names answers of the defect question."""
    question = k.by_role("defect")
    if question is None:
        return
    known = ["other", *(a.id for a in question.answers)]
    for remedy in k.remedies.values():
        for defect in remedy.tried if isinstance(remedy.tried, dict) else ():
            if defect not in known:
                yield k.problem(
                    "remedies", remedy.id, ("tried", defect), f"{question.id!r} has no answer {defect!r}",
                    nearest(defect, known) or f"write one of: {', '.join(known)}",
                )  # fmt: skip


def seen_adds_up(k: Knowledge) -> Iterator[Problem]:
    """Checks that what a cause says of one question is at most 1 in every context, 1 where it speaks of every answer,
    and never said twice."""
    for cause in k.causes.values():
        cells: dict[str, list[tuple[int, Evidence]]] = {}
        for index, line in enumerate(cause.evidence):
            cells.setdefault(line.about, []).append((index, line))
        for about, lines in cells.items():
            asked = k.asked(about)
            if asked is not None:
                yield from _said_twice(k, cause, lines)
                if not (isinstance(asked, Question) and asked.kind == "several"):
                    yield from _seen_total(k, cause, asked, lines)


def _said_twice(k: Knowledge, cause: Cause, lines: list[tuple[int, Evidence]]) -> Iterator[Problem]:
    for (i, first), (j, second) in combinations(lines, 2):
        if first.answer != second.answer or len(first.given) != len(second.given):
            continue
        apart = any(
            not set(first.given[about]) & set(second.given[about]) for about in first.given.keys() & second.given.keys()
        )
        if not apart:
            yield k.at_line(cause.id, j, k.problem(
                "causes", cause.id, ("evidence", j, "answer"),
                f"{second.about} {second.answer} is also said at {k.lines.get((cause.id, i))}, and both can hold at once",
                "keep one of the two lines, or make one more specific with `given`",
            ))  # fmt: skip


def _seen_total(
    k: Knowledge, cause: Cause, asked: Question | Finding, lines: list[tuple[int, Evidence]]
) -> Iterator[Problem]:
    for context in _contexts(line for _, line in lines):
        said: dict[str, tuple[int, Evidence]] = {}
        for index, line in lines:
            if all(context.get(q) in answers for q, answers in line.given.items()):
                old = said.get(line.answer)
                if old is None or len(line.given) > len(old[1].given):
                    said[line.answer] = (index, line)
        total = sum(line.seen.value for _, line in said.values())
        over = total > 1 + SLACK + 1e-9 and len(said) > 1
        under = total < 1 - SLACK - 1e-9 and len(said) == len(asked.answers)
        if over or under:
            index = max(i for i, _ in said.values())
            when = "".join(f" when {q} is {a}" for q, a in context.items() if a)
            instead = "together they may be seen at most always: 1" if over else "make them add up to 1, or leave one out"
            yield k.at_line(cause.id, index, k.problem(
                "causes", cause.id, ("evidence", index, "seen"),
                f"the answers of {asked.id!r} add up to {total:.2f}{when}", instead,
            ))  # fmt: skip
            return


def _contexts(lines: Iterable[Evidence]) -> Iterator[dict[str, str | None]]:
    """Yield one context for each combination of answers that some line's `given` speaks of, and none of them."""
    said: dict[str, set[str]] = {}
    for line in lines:
        for about, answers in line.given.items():
            said.setdefault(about, set()).update(answers)
    found: list[dict[str, str | None]] = [{}]
    for about, spoken in said.items():
        found = [{**context, about: answer} for context in found for answer in (*sorted(spoken), None)]
        if len(found) > 4096:
            break
    yield from found
