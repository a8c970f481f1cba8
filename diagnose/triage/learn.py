"""What a shop's closed cases teach: counts per cause, context and answer, and how far answers may be believed together."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from diagnose.cases.journal import Case
from diagnose.errors import BadInput
from diagnose.knowledge.learnt import Cell, Learnt
from diagnose.knowledge.pack import Knowledge
from diagnose.reasoning.answers import Found, Report, reports
from diagnose.reasoning.inference import Seen, log_likelihood, posterior
from diagnose.reasoning.intervals import Hits, wilson
from diagnose.reasoning.learning import RATE_CASES_EACH, TEMPERS, best_temper, teach_cells, teach_rates, worth_of_rules
from diagnose.reasoning.network import YES, Array, Network, compile_network
from diagnose.triage.similar import cause_of

FOLDS = 5
TEMPER_LEAST = 20
"""Fewer cases leave the temper at 1: it moves every ranking at once."""
TEMPER_CASES = 1000
"""Cases that the temper is fitted on; more would tell the same."""


@dataclass(frozen=True, slots=True)
class Lesson:
    """One closed case as learning sees it: what was reported, and what it was."""

    id: str
    cause: str
    row: int
    printer: str | None
    material: str | None
    reports: tuple[Report, ...]

    @property
    def observed(self) -> dict[int, Seen]:
        return {node: seen for report in self.reports for node, seen in report.seen}


@dataclass(frozen=True, slots=True)
class Change:
    """What learning does to one number, with the cases behind it."""

    cause: str
    about: str
    """Question or finding; empty for the rate of the cause."""
    answer: str
    given: Mapping[str, str]
    rules: float
    learnt: Hits
    """Share and its interval, over the cases that the rules are worth and the shop's own."""
    count: int
    of: int


def plain(knowledge: Knowledge) -> Knowledge:
    """Return the rules without anything learnt."""
    return replace(knowledge, learnt=None)


def lessons(knowledge: Knowledge, network: Network, cases: Iterable[Case]) -> list[Lesson]:
    """Return the closed cases with a cause that the rules know, each with the answers that count."""
    plastic = knowledge.by_role("material")
    again = knowledge.by_role("defect-again")  # its frequencies follow from the first look
    found = []
    for case in cases:
        cause = cause_of(case)
        if not case.closed or cause not in knowledge.causes:
            continue
        stated = [
            Found(f["id"], f["answer"], float(f["confidence"])) for f in (case.job or {}).get("findings", ())
            if f["id"] in knowledge.findings and f["answer"] in {a.id for a in knowledge.findings[f["id"]].answers}
        ]  # fmt: skip
        lined_up, _, _ = reports(knowledge, network, dict(_known(knowledge, case)), stated)
        said = case.answers.get(plastic.id) if plastic is not None else None
        lined_up = [report for report in lined_up if again is None or report.about != again.id]
        found.append(Lesson(case.id, cause, network.row(cause), case.printer, said[0] if said else None, tuple(lined_up)))
    return found


def _known(knowledge: Knowledge, case: Case) -> Iterator[tuple[str, tuple[str, ...] | None]]:
    """Yield the answers of a case that the rules still take."""
    for question, given in case.answers.items():
        asked = knowledge.questions.get(question)
        if asked is not None and given is not None and set(given) <= {a.id for a in asked.answers}:
            yield question, given


def count(network: Network, taught: Sequence[Lesson], temper: float = 1.0) -> Learnt:
    """Return what some cases teach; ``network`` is that of the rules alone."""
    cells: dict[tuple[str, str, tuple[tuple[str, str], ...]], list[tuple[str, ...]]] = {}
    rates: dict[str, int] = {}
    printers: dict[str, dict[str, int]] = {}
    materials: dict[str, dict[str, int]] = {}
    for lesson in taught:
        for counts in (rates, *(where.setdefault(name, {}) for where, name in ((printers, lesson.printer), (materials, lesson.material)) if name)):
            counts[lesson.cause] = counts.get(lesson.cause, 0) + 1
        observed = lesson.observed
        for report in lesson.reports:
            if report.source == "remedy":
                continue
            given = _context(network, lesson.row, report, observed)
            if given is not None:
                cells.setdefault((lesson.cause, report.about, given), []).append(_answers(network, report))
    return Learnt(
        cases=len(taught), temper=temper, rates=rates, printers=printers, materials=materials,
        cells=tuple(_cell(key, said) for key, said in sorted(cells.items())),
    )  # fmt: skip


def _context(network: Network, row: int, report: Report, observed: Mapping[int, Seen]) -> tuple[tuple[str, str], ...] | None:
    """Return the context that a cause's frequency depends on, as reported; None where some of it was not."""
    first = network.nodes[report.seen[0][0]]
    given = []
    for context in first.contexts_of(row):
        if context not in observed:
            return None
        node = network.nodes[context]
        if node.option is not None:
            return None
        given.append((node.about, node.states[observed[context].state]))
    return tuple(sorted(given))


def _answers(network: Network, report: Report) -> tuple[str, ...]:
    """Return the answers of a report, of kind several those that were ticked."""
    said = []
    for i, seen in report.seen:
        node = network.nodes[i]
        if node.option is None:
            said.append(node.states[seen.state])
        elif seen.state == YES:
            said.append(node.option)
    return tuple(said)


def _cell(key: tuple[str, str, tuple[tuple[str, str], ...]], said: Sequence[tuple[str, ...]]) -> Cell:
    cause, about, given = key
    counts: dict[str, int] = {}
    for answers in said:
        for answer in answers:
            counts[answer] = counts.get(answer, 0) + 1
    return Cell(cause=cause, about=about, given={q: (a,) for q, a in given}, counts=counts, of=len(said))


def learn(knowledge: Knowledge, cases: Iterable[Case]) -> Learnt:
    """Return everything that closed cases teach; raises BadInput where there is none to learn from."""
    rules = plain(knowledge)
    network = compile_network(rules)
    taught = lessons(rules, network, cases)
    if not taught:
        raise BadInput("there is no closed case to learn from", "close a case with what it was: record the remedy that cured it, or `diagnose cases close`")
    return count(network, taught, fit_temper(rules, network, taught))


def fit_temper(rules: Knowledge, network: Network, taught: Sequence[Lesson]) -> float:
    """Return the exponent on the evidence that suits the cases, each judged by what the other folds teach."""
    if len(taught) < TEMPER_LEAST:
        return 1.0
    sample = sorted(taught, key=lambda lesson: lesson.id)[:: max(1, len(taught) // TEMPER_CASES)][:TEMPER_CASES]
    likelihoods: list[Array] = []
    priors: list[Array] = []
    truths: list[int] = []
    for fold in range(FOLDS):
        held = [lesson for n, lesson in enumerate(sample) if n % FOLDS == fold]
        if not held:
            continue
        out = {lesson.id for lesson in held}
        other = compile_network(replace(rules, learnt=count(network, [t for t in taught if t.id not in out])))
        for lesson in held:
            likelihoods.append(log_likelihood(other, lesson.observed))
            priors.append(other.for_print(lesson.printer, lesson.material).log_prior)
            truths.append(lesson.row)
    return best_temper(likelihoods, priors, truths, TEMPERS)


def left_out(rules: Knowledge, taught: Sequence[Lesson]) -> Iterator[tuple[Lesson, Array, Array]]:
    """Yield each case with the shares that the rules alone give it, and those that all other cases taught; (1 + C,) each.

    A case changes nothing but the cells and the rate of its own cause; so only that row is learnt anew for it.
    """
    plain_network, scratch = compile_network(rules), compile_network(rules)
    whole = count(plain_network, taught, fit_temper(rules, plain_network, taught))
    others = len(taught) - 1
    n0 = worth_of_rules(others)
    all_taught = compile_network(replace(rules, learnt=whole.model_copy(update={"cases": others})))
    by_cause: dict[str, list[Lesson]] = {}
    for lesson in taught:
        by_cause.setdefault(lesson.cause, []).append(lesson)
    for cause, group in by_cause.items():
        cells = {(cell.about, tuple(sorted(cell.given.items()))): cell for cell in whole.cells if cell.cause == cause}
        touched = teach_cells(scratch, plain_network, cells.values(), n0)
        for lesson in group:
            own = {(c.about, tuple(sorted(c.given.items()))): c for c in count(plain_network, [lesson]).cells}
            abouts = {about for about, _ in own}
            fewer = [_without(cell, own.get(key)) for key, cell in cells.items() if key[0] in abouts]
            before = [(i, scratch.nodes[i].taught) for about in abouts for i in scratch.of.get(about, ())]
            for i, _ in before:
                scratch.nodes[i].taught = []
                scratch.nodes[i].forget()
            teach_cells(scratch, plain_network, [cell for cell in fewer if cell is not None], n0)
            log = log_likelihood(all_taught, lesson.observed)
            log[lesson.row] = log_likelihood(scratch, lesson.observed)[lesson.row]
            for i, kept in before:
                scratch.nodes[i].taught = kept
                scratch.nodes[i].forget()
            alone = posterior(plain_network, log_likelihood(plain_network, lesson.observed))
            yield lesson, alone, posterior(_rates_without(plain_network, whole, lesson), log, whole.temper)
        for i in touched:
            scratch.nodes[i].taught = []
            scratch.nodes[i].forget()


def _without(cell: Cell, own: Cell | None) -> Cell | None:
    """Return a cell without one case's part in it; None where nothing is left."""
    if own is None:
        return cell
    if cell.of <= own.of:
        return None
    left = {answer: n - own.counts.get(answer, 0) for answer, n in cell.counts.items()}
    return cell.model_copy(update={"of": cell.of - own.of, "counts": {a: n for a, n in left.items() if n}})


def _rates_without(network: Network, whole: Learnt, lesson: Lesson) -> Network:
    """Return the network with the rates that all cases but one teach."""
    def fewer(counts: Mapping[str, int]) -> dict[str, int]:
        return {**counts, lesson.cause: counts.get(lesson.cause, 0) - 1}

    printers = {lesson.printer: fewer(whole.printers[lesson.printer])} if lesson.printer else {}
    materials = {lesson.material: fewer(whole.materials[lesson.material])} if lesson.material else {}
    rates = whole.model_copy(update={"rates": fewer(whole.rates), "printers": printers, "materials": materials})
    copy = replace(network, log_prior=network.log_prior.copy())
    teach_rates(copy, rates)
    return copy.for_print(lesson.printer, lesson.material)


def changes(knowledge: Knowledge, learnt: Learnt) -> list[Change]:
    """Return what was learnt against what the rules say, the most changed in proportion first."""
    rules = compile_network(plain(knowledge))
    after = compile_network(replace(knowledge, learnt=learnt))
    found = []
    shares, moved = np.exp(rules.log_prior), np.exp(after.log_prior)
    n1 = RATE_CASES_EACH * len(rules.causes)
    for cause, cases in learnt.rates.items():
        if cause in rules.causes:
            row = rules.row(cause)
            some = (n1 + learnt.cases) * float(moved[row] / moved[1:].sum())
            found.append(Change(cause, "", "", {}, float(shares[row]), wilson(some, n1 + learnt.cases), cases, learnt.cases))
    n0 = worth_of_rules(learnt.cases)
    for cell in learnt.cells:
        if cell.cause in rules.causes:
            found += _cell_changes(rules, cell, n0)
    return sorted(found, key=lambda c: -abs(np.log(c.learnt.share / c.rules)))


def _cell_changes(rules: Network, cell: Cell, n0: float) -> Iterator[Change]:
    row = rules.row(cell.cause)
    given = {about: answers[0] for about, answers in cell.given.items()}
    known = {
        rules.index[about]: rules.nodes[rules.index[about]].states.index(answer)
        for about, answer in given.items() if about in rules.index and answer in rules.nodes[rules.index[about]].states
    }  # fmt: skip
    for i in rules.of.get(cell.about, ()):
        node = rules.nodes[i]
        table, left = rules.reported(i, known)
        before = table[row].reshape(-1, table.shape[-1]).mean(axis=0) if left else table[row]
        answers = node.states if node.option is None else (node.option,)
        for state, answer in enumerate(answers):
            counted = min(cell.counts.get(answer, 0), cell.of)
            share = float(before[state if node.option is None else YES])
            yield Change(cell.cause, cell.about, answer, given, share, wilson(n0 * share + counted, n0 + cell.of), counted, cell.of)
