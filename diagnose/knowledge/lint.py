"""Advice on rules that hold together but say too little: each a small function that yields what it finds, all soft."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from itertools import combinations

from diagnose.knowledge.hazards import hazards
from diagnose.knowledge.models import OPTION_USUAL, Cause, ConfirmingTest, Costed, Evidence, Finding, Question
from diagnose.knowledge.pack import Knowledge
from diagnose.knowledge.reader import Problem

ALIKE = 0.15
"""Two causes whose shares of every answer differ by less are not separated by any question."""
SHARED_DEFECTS = 0.25
"""Causes that leave the same main defect less often than this are told apart by the part itself."""
SAYS_NOTHING = 0.02
"""Evidence this near to the usual share changes nothing."""
HARDLY = 0.05
"""An answer that a cause shows no more often than this is no context for its evidence."""
CHEAP_MINUTES = 25.0
"""A confirming test that takes no more than this, attention and a tenth of the machine's time, and no money, is cheap."""

Cell = tuple[str, str]
"""Question or finding, and one of its answers."""


def causes_can_be_separated(k: Knowledge) -> Iterator[Problem]:
    """Advises on causes that leave the same defect and answer every question alike."""
    said = {cause.id: _said(cause) for cause in k.causes.values()}
    usual = {cell: _usual(k, *cell) for cells in said.values() for cell in cells}
    for first, second in _perhaps_alike(said, usual):
        one, other = k.causes[first], k.causes[second]
        shared = sum(min(f.value, other.defects[d].value) for d, f in one.defects.items() if d in other.defects)
        if shared >= SHARED_DEFECTS and all(
            _differ(said[first].get(cell, [usual[cell]]), said[second].get(cell, [usual[cell]])) < ALIKE
            for cell in said[first].keys() | said[second].keys()
        ):
            yield k.problem(
                "causes", second, (), f"no question separates it from {first!r}",
                "write a line on an answer that the two show differently, or make them one cause", hard=False,
            )  # fmt: skip


def _said(cause: Cause) -> dict[Cell, list[float]]:
    """Return what a cause says of each answer, contexts apart."""
    said: dict[Cell, list[float]] = {}
    for line in cause.evidence:
        said.setdefault((line.about, line.answer), []).append(line.seen.value)
    return said


def _perhaps_alike(said: Mapping[str, Mapping[Cell, list[float]]], usual: Mapping[Cell, float]) -> Iterator[Cell]:
    """Yield pairs of causes, earlier one first, among which are all that answer every question alike.

    Who shows an answer unlike the usual is alike only to those who speak of it too: nobody else need be compared.
    """
    order = {cause: number for number, cause in enumerate(said)}
    speakers: dict[Cell, list[str]] = {}
    for cause, cells in said.items():
        for cell in cells:
            speakers.setdefault(cell, []).append(cause)
    telling = {
        cause: [cell for cell, values in cells.items() if _differ(values, [usual[cell]]) >= ALIKE]
        for cause, cells in said.items()
    }
    quiet = [cause for cause, cells in telling.items() if not cells]
    pairs = set(combinations(quiet, 2))
    for cause, plain in telling.items():
        if plain:
            rarest = min(plain, key=lambda cell: len(speakers[cell]))
            pairs |= {(min(cause, o, key=order.__getitem__), max(cause, o, key=order.__getitem__))
                      for o in speakers[rarest] if o != cause}  # fmt: skip
    yield from sorted(pairs, key=lambda pair: (order[pair[0]], order[pair[1]]))


def _differ(some: list[float], others: list[float]) -> float:
    """Return the greatest difference between what two causes say of an answer."""
    return max(abs(a - b) for a in some for b in others)


def _usual(k: Knowledge, about: str, answer: str) -> float:
    """Return the usual share of an answer, the defect being any other; unstated ones share the rest equally."""
    asked = k.asked(about)
    if asked is None:
        return 0.0
    stated = {a.id: a.usual_for(None) for a in asked.answers}
    own = stated.get(answer)
    if own is not None:
        return own
    if isinstance(asked, Question) and asked.kind == "several":
        return OPTION_USUAL
    left = 1.0 - sum(s for s in stated.values() if s is not None)
    return max(0.0, left) / max(1, sum(s is None for s in stated.values()))


def questions_change_something(k: Knowledge) -> Iterator[Problem]:
    """Advises on questions and findings whose answer moves no cause, opens no question and is nobody's context."""
    used = {about for q in k.questions.values() for about in q.ask_if}
    used |= {about for c in k.causes.values() for e in c.evidence for about in e.given}
    used |= {base for f in k.findings.values() for base in f.derived_from}
    lines: dict[str, list[Evidence]] = {}
    for cause in k.causes.values():
        for line in cause.evidence:
            lines.setdefault(line.about, []).append(line)
    asked: list[Question | Finding] = [*k.questions.values(), *k.findings.values()]
    for one in asked:
        kind = "questions" if isinstance(one, Question) else "findings"
        if isinstance(one, Question) and (one.role or any(a.stop for a in one.answers)):
            continue
        if one.id in used or (isinstance(one, Finding) and (one.fills or one.derived_from)):
            continue  # what follows from another finding is there for people to read, and may count no second time
        said = lines.get(one.id, [])
        if not said:
            yield k.problem(kind, one.id, (), "changes nothing: no cause has evidence on it",
                            "write a line on it under the causes it speaks for, or take it out", hard=False)  # fmt: skip
        elif all(abs(e.seen.value - _usual(k, e.about, e.answer)) < SAYS_NOTHING for e in said):
            yield k.problem(kind, one.id, (), "changes nothing: every cause shows its answers as usual",
                            "write how often the causes it speaks for show them", hard=False)  # fmt: skip


def evidence_does_not_contradict_itself(k: Knowledge) -> Iterator[Problem]:
    """Advises on lines given an answer that another line of the cause denies, and on lines that others cover wholly."""
    for cause in k.causes.values():
        plain = {(e.about, e.answer): e for e in cause.evidence if not e.given}
        alone: dict[Cell, dict[str, set[str]]] = {}
        for line in cause.evidence:
            if len(line.given) == 1:
                ((context, answers),) = line.given.items()
                alone.setdefault((line.about, line.answer), {}).setdefault(context, set()).update(answers)
        for index, line in enumerate(cause.evidence):
            for about, answers in line.given.items():
                denied = [plain.get((about, a)) for a in answers]
                if all(d is not None and d.seen.value <= HARDLY for d in denied):
                    yield k.at_line(cause.id, index, k.problem(
                        "causes", cause.id, ("evidence", index, "given", about),
                        f"another line says that {about} is hardly ever {' or '.join(answers)} here",
                        "change one of the two lines", hard=False,
                    ))  # fmt: skip
            if not line.given and (context := _covering(k, alone.get((line.about, line.answer), {}))):
                yield k.at_line(cause.id, index, k.problem(
                    "causes", cause.id, ("evidence", index),
                    f"never counts: other lines on {line.answer} cover every answer of {context}",
                    "take it out, or one of the others", hard=False,
                ))  # fmt: skip


def _covering(k: Knowledge, covered: Mapping[str, set[str]]) -> str:
    """Return a context whose answers the lines given it alone cover, so that nothing is left to a plain one."""
    for context, there in covered.items():
        asked = k.asked(context)
        # A gated question may not apply, and then the unconditional line speaks.
        gated = isinstance(asked, Question) and bool(asked.ask_if)
        if asked is not None and not gated and {a.id for a in asked.answers} <= there:
            return context
    return ""


def contexts_can_hold(k: Knowledge) -> Iterator[Problem]:
    """Advises on questions that can never be asked, and on evidence whose question or context never is in its cause."""
    defect, second = k.by_role("defect"), k.by_role("second-defect")
    two = {q.id for q in k.other_defects()}  # a print may have both
    two |= {defect.id} if defect is not None and two else set()
    for question in k.questions.values():
        clash = _clash(_needs(k, question.ask_if), two)
        if clash:
            yield k.problem(
                "questions", question.id, ("ask_if",), f"can never be asked: {clash} would have to have two answers at once",
                "widen the answers in `ask_if`", hard=False,
            )  # fmt: skip
    for cause in k.causes.values():
        leaves = {*cause.defects, *(e.answer for e in cause.evidence if second is not None and e.about == second.id)}
        for index, line in enumerate(cause.evidence):
            asked = k.questions.get(line.about)
            needs = _needs(k, asked.ask_if if asked else {}, line.given)
            clash = _clash(needs, two)
            what = f"can never hold: {clash} would have to have two answers at once" if clash else ""
            if defect is not None and any(not answers & leaves for answers in needs.get(defect.id, ())):
                what = "can never hold: its question or context is for defects that the cause does not leave"
            if what:
                yield k.at_line(cause.id, index, k.problem(
                    "causes", cause.id, ("evidence", index), what,
                    "add the defect to the cause, widen the condition, or take the line out", hard=False,
                ))  # fmt: skip


def _needs(k: Knowledge, *conditions: Mapping[str, tuple[str, ...]]) -> dict[str, list[set[str]]]:
    """Return what must hold for some conditions: question to sets of answers of each of which it must have one.

    The gates of the questions they name count too, and theirs.
    """
    needs: dict[str, list[set[str]]] = {}
    stack, seen = list(conditions), set()
    while stack:
        for about, answers in stack.pop().items():
            needs.setdefault(about, []).append(set(answers))
            asked = k.questions.get(about)
            if asked is not None and asked.id not in seen:
                seen.add(asked.id)
                stack.append(asked.ask_if)
    return needs


def _clash(needs: Mapping[str, list[set[str]]], apart_from: set[str]) -> str:
    """Return a question that would need two answers at once, or nothing."""
    return next((q for q, sets in needs.items() if q not in apart_from and not set.intersection(*sets)), "")


def causes_come_first_somewhere(k: Knowledge) -> Iterator[Problem]:
    """Advises on causes that no worked example expects in the first place."""
    first = {expect.first for example in k.examples for expect in example.expect}
    first |= {e.cause for example in k.examples for e in example.expect if e.within_first == 1}
    for cause in k.causes.values():
        if cause.id not in first:
            yield k.problem(
                "causes", cause.id, (), "comes first in no worked example",
                f"write one: answers that speak for it, and `expect: {{first: {cause.id}}}`", hard=False,
            )  # fmt: skip


def causes_have_a_cheap_test(k: Knowledge) -> Iterator[Problem]:
    """Advises on causes none of whose confirming tests is cheap."""
    for cause in k.causes.values():
        tests = [k.tests[t] for t in cause.confirm if t in k.tests]
        if tests and not any(_cost(t) <= CHEAP_MINUTES and t.money == 0 for t in tests):
            quickest = min(tests, key=_cost)
            bought = " and something bought" if quickest.money else ""
            yield k.problem(
                "causes", cause.id, ("confirm",),
                f"has no cheap confirming test: the quickest, {quickest.id}, costs {_cost(quickest):.0f} minutes{bought}",
                f"name one of at most {CHEAP_MINUTES:.0f} minutes (a machine's count a tenth) for which nothing is bought",
                hard=False,
            )  # fmt: skip


def _cost(test: ConfirmingTest) -> float:
    """Return minutes of the user's time; while the machine works alone, a tenth of it is lost on looking after it."""
    return test.minutes + test.machine_minutes / 10


def costs_are_stated(k: Knowledge) -> Iterator[Problem]:
    """Advises on tests and remedies that leave a cost open: nothing and not thought of look alike."""
    for kind, entries in _costed(k):
        for entry in entries:
            if entry.unstated:
                yield k.problem(
                    kind, entry.id, (), f"does not state {', '.join(entry.unstated)}",
                    "write what it costs; 0, or `none` for wear and what it gives up, where that is nothing", hard=False,
                )  # fmt: skip


def cautions_stand_where_something_can_hurt(k: Knowledge) -> Iterator[Problem]:
    """Advises on tests and remedies that touch heat, motion, mains, fumes, ovens or fire and have no caution."""
    for kind, entries in _costed(k):
        for entry in entries:
            if not entry.caution and (found := hazards(entry)):
                yield k.problem(
                    kind, entry.id, (), f"touches {', '.join(found)} and has no caution",
                    "write under `caution:` what may hurt and how to avoid it", hard=False,
                )  # fmt: skip


def _costed(k: Knowledge) -> tuple[tuple[str, Iterable[Costed]], ...]:
    return ("tests", k.tests.values()), ("remedies", k.remedies.values())


LINTS = (
    causes_can_be_separated,
    questions_change_something,
    evidence_does_not_contradict_itself,
    contexts_can_hold,
    causes_come_first_somewhere,
    causes_have_a_cheap_test,
    costs_are_stated,
    cautions_stand_where_something_can_hurt,
)
