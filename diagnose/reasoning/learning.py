"""Learning by Dirichlet counts: what the rules say is worth so many cases, and every case of a shop's own counts one.

    P(v | c, k) = (n0 P_rules(v | c, k) + count(v)) / (n0 + count)      reported answers, slips and all
    P(c)        = (n1 P_rules(c) + count(c)) / (n1 + count)             n1 = 10 x causes
    P(c | printer) likewise, the shop's P(c) in the place of the rules'; materials too

n0 is 60 where a shop has many cases. Few cases are no measure of so many cells: what the rules say is worth
60 + 2000 / cases then, so that three cases change almost nothing.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from diagnose.knowledge.learnt import Cell, Learnt

if TYPE_CHECKING:
    from diagnose.reasoning.network import Network, Node

Array = NDArray[np.float64]

CELL_CASES = 60.0
"""What the frequencies of the rules are worth beside any number of cases. Of 10, 30, 60 and 120 it did best, or as well as
any, in invented shops of 200 and of 1,000 cases whose frequencies differ by a standard deviation of 0.7 in their logarithm:
with 10 a single case lifts an answer that is seen in one of a hundred prints by 9 dB.
"""
FEW_CASES = 2000.0
RATE_CASES_EACH = 10.0


@dataclass(frozen=True, slots=True)
class Taught:
    """By how much the frequencies of some causes are changed, in one context."""

    rows: NDArray[np.intp]
    given: tuple[tuple[int, int], ...]
    """Node to the state that it must be known to have, or is taken to have."""
    factors: Array
    """(rows, answers): reported frequencies are multiplied by them and brought to 1 again."""

    def apply(self, table: Array, known: Mapping[int, int], left: Sequence[int]) -> None:
        """Change a table of reported answers, (rows, *contexts left, answers), in place."""
        if any(known.get(context, state) != state for context, state in self.given):
            return
        states = dict(self.given)
        part = table[self.rows]
        where = (slice(None), *(states.get(context, slice(None)) for context in left))
        inner = part[where]
        inner *= self.factors.reshape(len(self.rows), *(1,) * (inner.ndim - 2), -1)
        inner /= inner.sum(axis=-1, keepdims=True)
        table[self.rows] = part


def worth_of_rules(cases: int) -> float:
    """Return how many cases the frequencies of the rules are worth, beside so many of a shop's own."""
    return CELL_CASES + FEW_CASES / max(cases, 1)


def teach(network: Network, learnt: Learnt) -> None:
    """Put what was learnt into a network, in place of what the rules alone say. Causes and answers it lacks are passed over."""
    teach_rates(network, learnt)
    teach_cells(network, network, learnt.cells, worth_of_rules(learnt.cases))
    network.temper = learnt.temper


def teach_cells(network: Network, rules: Network, cells: Iterable[Cell], n0: float) -> list[int]:
    """Put cells into a network in place of all that was taught on their nodes; return those nodes.

    ``rules`` is the network of the rules alone: it may be ``network`` itself while nothing was taught on these nodes.
    """
    rows = {cause: row for row, cause in enumerate(network.causes, 1)}
    by_node: dict[int, dict[tuple[tuple[int, int], ...], list[tuple[int, Cell]]]] = {}
    for cell in cells:
        for i in network.of.get(cell.about, ()) if cell.cause in rows else ():
            given = _given(network, cell)
            # Where the rules have come to hang this answer on something else since, the counts say nothing of it.
            if given is not None and {c for c, _ in given} == set(network.nodes[i].contexts_of(rows[cell.cause])):
                by_node.setdefault(i, {}).setdefault(given, []).append((rows[cell.cause], cell))
    lessons: dict[int, list[Taught]] = {}
    for i, contexts in by_node.items():
        node = network.nodes[i]
        taught = lessons.setdefault(i, [])
        for given, said in contexts.items():
            of_rules = _of_the_rules(rules, i, given, np.array([row for row, _ in said]))
            counts = np.array([_counts(node, cell) for _, cell in said])
            taught.append(Taught(np.array([row for row, _ in said]), given, blend(of_rules, counts, n0) / of_rules))
    for i, taught in lessons.items():  # not before all is worked out: some of it rests on what the rules say elsewhere
        network.nodes[i].taught = taught
        network.nodes[i].forget()
    return list(by_node)


def _given(network: Network, cell: Cell) -> tuple[tuple[int, int], ...] | None:
    """Return the context of a cell as nodes and states, None where the network lacks it."""
    given = []
    for about, answers in cell.given.items():
        context = network.index.get(about)
        if context is None or len(answers) != 1 or answers[0] not in network.nodes[context].states:
            return None
        given.append((context, network.nodes[context].states.index(answers[0])))
    return tuple(sorted(given))


def _of_the_rules(network: Network, i: int, given: tuple[tuple[int, int], ...], rows: NDArray[np.intp]) -> Array:
    """Return what the rules say of a node in a context, (rows, answers): the usual share may hang on the defect where a
    cause's own frequency does not, and is then taken over the defects that the cause leaves.
    """
    table, left = network.reported(i, dict(given))
    rules = table[rows]
    for context in left:
        chances = network.reported(context, {})[0][rows]
        chances = np.pad(chances, ((0, 0), (0, rules.shape[1] - chances.shape[1])))
        rules = np.einsum("rc,rc...->r...", chances / chances.sum(axis=1, keepdims=True), rules)
    return rules


def _counts(node: Node, cell: Cell) -> Array:
    if node.option is None:
        return np.array([cell.counts.get(state, 0) for state in node.states], dtype=float)
    ticked = float(min(cell.counts.get(node.option, 0), cell.of))
    return np.array([ticked if state == "yes" else cell.of - ticked for state in node.states])


def blend(rules: Array, counts: Array, n0: float) -> Array:
    """Return the mean of the Dirichlet posterior: prior ``n0`` times ``rules``, shape (..., answers), then the counts."""
    mixed: Array = (n0 * rules + counts) / (n0 + counts.sum(axis=-1, keepdims=True))
    return mixed


def teach_rates(network: Network, learnt: Learnt) -> None:
    """Put the rates that were learnt into a network, in place of those of the rules."""
    shares = np.exp(network.log_prior[1:])
    whole = shares.sum()
    if not len(shares) or whole <= 0:
        return
    n1 = RATE_CASES_EACH * len(shares)
    shop = blend(shares / whole, _by_cause(network, learnt.rates), n1)
    network.log_prior[1:] = np.log(whole * shop)
    network.log_rates_of = {
        name: np.concatenate([[0.0], np.log(blend(shop, _by_cause(network, counts), n1)) - np.log(shop)])
        for name, counts in (*learnt.printers.items(), *learnt.materials.items())
    }


def _by_cause(network: Network, counts: Mapping[str, int]) -> Array:
    return np.array([counts.get(cause, 0) for cause in network.causes], dtype=float)


def best_temper(log_likelihoods: Sequence[Array], log_priors: Sequence[Array], truths: Sequence[int], grid: Sequence[float]) -> float:
    """Return the exponent on the evidence under which cases give their causes the greatest shares.

    Parameters
    ----------
    log_likelihoods, log_priors
        For each case (1 + C,), learnt without that case.
    truths
        Row of each case's cause.

    The logarithm of the exponent is held near 0 by a prior of standard deviation `TEMPER_SD`, so that few cases leave it
    at 1.
    """
    def score(temper: float) -> float:
        total = -0.5 * (np.log(temper) / TEMPER_SD) ** 2
        for likelihood, prior, truth in zip(log_likelihoods, log_priors, truths, strict=True):
            log = prior + temper * likelihood
            total += float(log[truth] - np.logaddexp.reduce(log))
        return float(total)

    return max(grid, key=score)


TEMPER_SD = 0.1
TEMPERS = tuple(round(0.4 + 0.05 * step, 2) for step in range(19))
"""Exponents tried: 0.4 to 1.3."""
