"""What must hold between entries: one small function a rule, each yielding the faults it finds."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace
from itertools import pairwise
from pathlib import Path

from diagnose.errors import BadInput, nearest
from diagnose.knowledge.broken import broken_causes_point_at_what_is_known
from diagnose.knowledge.check_materials import MATERIAL_CHECKS
from diagnose.knowledge.lint import LINTS
from diagnose.knowledge.models import FREE_SOURCES, Cause, Evidence, Finding, Question
from diagnose.knowledge.pack import Knowledge, load
from diagnose.knowledge.reader import Problem
from diagnose.knowledge.shares import habits_name_defects, seen_adds_up, usual_adds_up, usual_by_defect_names_defects

Check = Callable[[Knowledge], Iterator[Problem]]
CHECKS: list[Check] = [
    broken_causes_point_at_what_is_known, usual_adds_up, usual_by_defect_names_defects, seen_adds_up, habits_name_defects,
    *MATERIAL_CHECKS, *LINTS,
]  # fmt: skip

FEW_LINES = 3


def check(knowledge: Knowledge) -> list[Problem]:
    """Return every fault between the entries of the packs, hard and soft, in the order of the files."""
    return sorted(
        replace(problem, rule=rule.__name__.replace("_", "-")) for rule in CHECKS for problem in rule(knowledge)
    )


def load_checked(folders: Sequence[Path]) -> Knowledge:
    """Read, lay and check packs; raise BadInput that names the first hard fault and counts the others."""
    knowledge, problems = load(folders)
    # Advice can wait for `rules check`: working it out takes a fifth of the time of loading.
    problems += [problem for rule in CHECKS if rule not in LINTS for problem in rule(knowledge)]
    hard = sorted(p for p in problems if p.hard)
    if hard:
        more = f" (and {len(hard) - 1} more)" if len(hard) > 1 else ""
        first = hard[0]
        raise BadInput(
            f"{first.id + ': ' if first.id else ''}{first.what}{more}",
            f"{first.instead}; `diagnose rules check` lists every fault",
            f"{first.file}:{first.line}:{first.column}",
        )
    return knowledge


def _rule(function: Check) -> Check:
    CHECKS.append(function)
    return function


def _unknown(
    k: Knowledge, kind: str, id: str, path: Sequence[str | int], target: str, what: str, *kinds: str
) -> Iterator[Problem]:
    """Yield a fault unless ``target`` is an id of one of ``kinds``, or stands in the files but is broken itself."""
    if any(target in getattr(k, name) or (name, target) in k.broken for name in kinds):
        return
    known = [i for name in kinds for i in getattr(k, name)]
    yield k.problem(
        kind, id, path, f"{what} {target!r} is not known",
        nearest(target, known) or f"add it under `{kinds[0]}:` or write one that `diagnose rules list` shows",
    )  # fmt: skip


def _unknown_answer(
    k: Knowledge, kind: str, id: str, path: Sequence[str | int], about: str, answer: str
) -> Iterator[Problem]:
    asked = k.asked(about)
    if asked is None:
        return
    if all(answer != a.id for a in asked.answers):
        known = [a.id for a in asked.answers]
        hint = nearest(answer, known)
        yield k.problem(
            kind, id, path, f"{about!r} has no answer {answer!r}",
            " ".join(filter(None, [hint, f"its answers are: {', '.join(known)}"])),
        )  # fmt: skip


def _condition(
    k: Knowledge, kind: str, id: str, path: tuple[str | int, ...], condition: dict[str, tuple[str, ...]]
) -> Iterator[Problem]:
    for about, answers in condition.items():
        yield from _unknown(k, kind, id, (*path, about), about, "the question or finding", "questions", "findings")
        asked = k.asked(about)
        if isinstance(asked, Question) and asked.kind == "several":
            yield k.problem(
                kind, id, (*path, about), f"{about!r} is of kind several and cannot be a condition",
                "use a question of kind one, or a finding",
            )  # fmt: skip
        if isinstance(asked, Finding) and asked.fills:
            yield k.problem(
                kind, id, (*path, about), f"{about!r} fills the question {asked.fills!r} and cannot be a condition",
                f"use the question {asked.fills!r}",
            )  # fmt: skip
        for answer in answers:
            yield from _unknown_answer(k, kind, id, (*path, about), about, answer)


@_rule
def evidence_speaks_of_what_is_known(k: Knowledge) -> Iterator[Problem]:
    """Checks that evidence names questions, findings and answers that exist."""
    for cause in k.causes.values():
        for index, line in enumerate(cause.evidence):
            path: tuple[str | int, ...] = ("evidence", index)
            kind = "questions" if line.question else "findings"
            yield from _line_problem(k, cause, index, line, kind)
            for problem in _condition(k, "causes", cause.id, (*path, "given"), line.given):
                yield k.at_line(cause.id, index, problem)


def _line_problem(k: Knowledge, cause: Cause, index: int, line: Evidence, kind: str) -> Iterator[Problem]:
    path: tuple[str | int, ...] = ("evidence", index)
    found = [
        *_unknown(k, "causes", cause.id, (*path, kind[:-1]), line.about, f"the {kind[:-1]}", kind),
        *_unknown_answer(k, "causes", cause.id, (*path, "answer"), line.about, line.answer),
    ]
    for problem in found:
        yield k.at_line(cause.id, index, problem)


@_rule
def defects_are_answers(k: Knowledge) -> Iterator[Problem]:
    """Checks that each defect of a cause is an answer of the question with role defect, which has no evidence else."""
    question = k.by_role("defect")
    for cause in k.causes.values():
        for defect in cause.defects:
            if question is None:
                return
            yield from _unknown_answer(k, "causes", cause.id, ("defects", defect), question.id, defect)
        for index, line in enumerate(cause.evidence):
            if question is not None and line.question == question.id:
                yield k.at_line(cause.id, index, k.problem(
                    "causes", cause.id, ("evidence", index, "question"), "`defects` says this already",
                    f"write `{line.answer}: {line.seen.said}` under `defects:`",
                ))  # fmt: skip
        total = sum(f.value for f in cause.defects.values())
        if total > 1 + 1e-9:
            yield k.problem(
                "causes", cause.id, ("defects",), f"its defects add up to {total:.2f}",
                "only one of them is the main one in a print: together at most 1",
            )  # fmt: skip


@_rule
def roles_are_held_once(k: Knowledge) -> Iterator[Problem]:
    """Checks that exactly one question has role defect, and at most one each of the other roles."""
    for role in ("defect", "second-defect", "defect-again", "material"):
        holders = [q for q in k.questions.values() if q.role == role]
        for extra in holders[1:]:
            yield k.problem(
                "questions", extra.id, ("role",), f"the role {role!r} is held by {holders[0].id!r} already",
                "take one of the two roles out",
            )  # fmt: skip
        for q in holders:
            if q.kind != "one":
                yield k.problem("questions", q.id, ("kind",), f"a question with role {role!r} is of kind several",
                                "make it `kind: one`")  # fmt: skip
            if role == "defect" and q.ask_if:
                yield k.problem("questions", q.id, ("ask_if",), "every print has a main defect",
                                "ask it always: take `ask_if` out")  # fmt: skip
    first_look, again = k.by_role("defect"), k.by_role("defect-again")
    if first_look is not None and again is not None:
        if {a.id for a in again.answers} != {a.id for a in first_look.answers}:
            yield k.problem("questions", again.id, ("answers",), f"its answers are not those of {first_look.id!r}",
                            "give both the same ids: it asks for the same a second time")  # fmt: skip
        if again.ask_if:
            yield k.problem("questions", again.id, ("ask_if",), "a second look at the defect is always open",
                            "take `ask_if` out")  # fmt: skip
    if k.questions and k.by_role("defect") is None and not any(kind == "questions" for kind, _ in k.broken):
        first = next(iter(k.questions))
        yield k.problem("questions", first, (), "no question has the role defect",
                        "give one question `role: defect`")  # fmt: skip


@_rule
def causes_point_at_what_is_known(k: Knowledge) -> Iterator[Problem]:
    """Checks the confirming tests, remedies and sources that causes name."""
    for cause in k.causes.values():
        for index, test in enumerate(cause.confirm):
            yield from _unknown(k, "causes", cause.id, ("confirm", index), test, "the confirming test", "tests")
        for index, remedy in enumerate(cause.remedies):
            yield from _unknown(k, "causes", cause.id, ("remedies", index), remedy, "the remedy", "remedies")


@_rule
def sources_are_known(k: Knowledge) -> Iterator[Problem]:
    """Checks that every source is common practice, from memory, or an entry of sources."""
    for kind in ("causes", "questions", "findings", "tests", "remedies", "printers", "materials", "coupons"):
        for entry in getattr(k, kind).values():
            if entry.source and entry.source not in FREE_SOURCES:
                yield from _unknown(k, kind, entry.id, ("source",), entry.source, "the source", "sources")
    for cause in k.causes.values():
        for index, line in enumerate(cause.evidence):
            if line.source and line.source not in FREE_SOURCES:
                for problem in _unknown(
                    k, "causes", cause.id, ("evidence", index, "source"), line.source, "the source", "sources"
                ):
                    yield k.at_line(cause.id, index, problem)


@_rule
def tests_answer_a_question(k: Knowledge) -> Iterator[Problem]:
    """Checks that the result of each confirming test is the answer of a question, and that its coupon is there."""
    for test in k.tests.values():
        if test.coupon is not None:
            yield from _unknown(k, "tests", test.id, ("coupon",), test.coupon, "the coupon", "coupons")
        yield from _unknown(k, "tests", test.id, ("question",), test.question, "the question", "questions")


@_rule
def gates_are_known(k: Knowledge) -> Iterator[Problem]:
    """Checks the conditions under which questions are asked."""
    for question in k.questions.values():
        yield from _condition(k, "questions", question.id, ("ask_if",), question.ask_if)


@_rule
def findings_fit(k: Knowledge) -> Iterator[Problem]:
    """Checks that a finding that fills a question has its answers, and that what it is derived from exists."""
    filled: dict[str, str] = {}
    for finding in k.findings.values():
        if finding.id in k.questions:
            yield k.problem("findings", finding.id, ("id",), "a question has this id too", "rename the finding")
        for index, other in enumerate(finding.derived_from):
            yield from _unknown(k, "findings", finding.id, ("derived_from", index), other, "the finding", "findings")
        if finding.fills is None:
            continue
        yield from _unknown(k, "findings", finding.id, ("fills",), finding.fills, "the question", "questions")
        question = k.questions.get(finding.fills)
        if question is None:
            continue
        if question.kind == "several":
            yield k.problem(
                "findings", finding.id, ("fills",), f"{question.id!r} is of kind several and cannot be filled",
                "fill a question of kind one, or write evidence on the finding",
            )  # fmt: skip
        if filled.setdefault(question.id, finding.id) != finding.id:
            yield k.problem(
                "findings", finding.id, ("fills",), f"{question.id!r} is filled by {filled[question.id]!r} already",
                "take `fills` out of one of the two",
            )  # fmt: skip
        ours, theirs = {a.id for a in finding.answers}, {a.id for a in question.answers}
        if not ours <= theirs:
            yield k.problem(
                "findings", finding.id, ("answers",),
                f"its answers {', '.join(sorted(ours - theirs))} are not answers of {question.id!r}",
                f"use: {', '.join(sorted(theirs))}",
            )  # fmt: skip


@_rule
def facts_count_once(k: Knowledge) -> Iterator[Problem]:
    """Checks that evidence on a derived finding is given what it is derived from, and none is on a filling one."""
    for cause in k.causes.values():
        for index, line in enumerate(cause.evidence):
            finding = k.findings.get(line.finding or "")
            if finding is None:
                continue
            path = ("evidence", index, "finding")
            if finding.fills:
                yield k.at_line(cause.id, index, k.problem(
                    "causes", cause.id, path, f"{finding.id!r} fills the question {finding.fills!r}",
                    f"write the evidence on the question {finding.fills!r}",
                ))  # fmt: skip
                continue
            bases = [k.findings[f].fills or f for f in finding.derived_from if f in k.findings]
            if bases and not set(line.given) & set(bases):
                yield k.at_line(cause.id, index, k.problem(
                    "causes", cause.id, path,
                    f"{finding.id!r} is computed from {', '.join(bases)}: one fact would count twice",
                    f"add `given: {{{bases[0]}: ...}}`",
                ))  # fmt: skip


@_rule
def conditions_have_no_cycle(k: Knowledge) -> Iterator[Problem]:
    """Checks that gates and contexts together have no cycle."""
    above: dict[str, set[str]] = {}
    defect, others = k.by_role("defect"), {q.id for q in k.other_defects()}
    for question in k.questions.values():
        above.setdefault(question.id, set()).update(question.ask_if)
        if defect is not None and defect.id in question.ask_if:
            above[question.id] |= others - {question.id}  # such a gate opens on any of them
    places: dict[tuple[str, str], tuple[str, int]] = {}
    for cause in k.causes.values():
        for index, line in enumerate(cause.evidence):
            for context in line.given:
                above.setdefault(line.about, set()).add(context)
                places.setdefault((line.about, context), (cause.id, index))
    if defect is not None:
        everything: list[Question | Finding] = [*k.questions.values(), *k.findings.values()]
        for asked in everything:
            if asked.id != defect.id and any(isinstance(a.usual, dict) for a in asked.answers):
                above.setdefault(asked.id, set()).add(defect.id)
    cycle = _cycle(above)
    if cycle is None:
        return
    shown = " -> ".join(reversed(cycle))
    what, instead = f"conditions go round in a circle: {shown}", "take one of these conditions out"
    for lower, upper in pairwise(cycle):
        if (lower, upper) in places:
            cause_id, index = places[lower, upper]
            yield k.at_line(
                cause_id, index, k.problem("causes", cause_id, ("evidence", index, "given"), what, instead)
            )
            return
    yield k.problem("questions", cycle[0], ("ask_if",), what, instead)


def _cycle(above: dict[str, set[str]]) -> list[str] | None:
    """Return one cycle of a graph (node to the nodes it depends on), or None. Iterative depth-first search."""
    done: set[str] = set()
    for start in above:
        path: list[str] = []
        stack: list[tuple[str, Iterator[str]]] = []
        if start not in done:
            path.append(start)
            stack.append((start, iter(sorted(above[start]))))
        while stack:
            node, rest = stack[-1]
            step = next(rest, None)
            if step is None:
                stack.pop()
                path.pop()
                done.add(node)
            elif step in path:
                return [*path[path.index(step) :], step]
            elif step not in done:
                path.append(step)
                stack.append((step, iter(sorted(above.get(step, ())))))
    return None


@_rule
def examples_speak_of_what_is_known(k: Knowledge) -> Iterator[Problem]:
    """Checks the ids of worked examples: a mistyped one would compare nothing with nothing."""
    for example in k.examples:
        name = example.name
        for about, answers in example.answers.items():
            yield from _unknown(k, "examples", name, ("answers", about), about, "the question", "questions")
            for answer in answers:
                if answer != "unknown":
                    yield from _unknown_answer(k, "examples", name, ("answers", about), about, answer)
            question = k.questions.get(about)
            if question is not None and question.kind == "one" and len(answers) != 1:
                yield k.problem("examples", name, ("answers", about), f"{about!r} takes one answer", "keep one of them")
        for about, answer in example.findings.items():
            yield from _unknown(k, "examples", name, ("findings", about), about, "the finding", "findings")
            yield from _unknown_answer(k, "examples", name, ("findings", about), about, answer)
        for index, expect in enumerate(example.expect):
            cause = expect.first or expect.cause or ""
            yield from _unknown(k, "examples", name, ("expect", index), cause, "the cause", "causes")


@_rule
def causes_can_be_told_and_cured(k: Knowledge) -> Iterator[Problem]:
    """Checks (softly) that each cause has evidence, a confirming test, a remedy, and says how it misleads."""
    for cause in k.causes.values():
        wanting = []
        if len(cause.evidence) < FEW_LINES:
            wanting.append((f"has fewer than {FEW_LINES} lines of evidence", "add what tells it from its nearest rival"))
        if not cause.confirm:
            wanting.append(("has no confirming test", "name one under `confirm:`"))
        if not cause.remedies:
            wanting.append(("has no remedy", "name one under `remedies:`"))
        if not cause.misleads:
            wanting.append(("does not say how it misleads", "add `misleads:`, what makes people suspect it wrongly"))
        for what, instead in wanting:
            yield k.problem("causes", cause.id, (), what, instead, hard=False)
