"""When the answers do not go together, and when no cause explains them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from diagnose.reasoning.answers import Report
from diagnose.reasoning.inference import Seen, log_likelihood, posterior, standing
from diagnose.reasoning.inquiry import View, predictive
from diagnose.reasoning.ledger import Chain
from diagnose.reasoning.network import Array, Network

CONFLICT_BITS = 3.0
"""Conflict is spoken of from here."""
SURPRISE = -2.3
"""Standard deviations below what the leader expects, from where the answers are called surprising."""
LEAST_REPORTS = 3
"""Fewer answers than these are not called surprising: there is no leader yet."""


@dataclass(frozen=True, slots=True)
class Conflict:
    """How badly the answers go together, and which to look at again."""

    bits: float
    answers: tuple[str, ...]
    """Reports whose removal lowers the conflict most, worst first; empty below the bound."""

    @property
    def spoken(self) -> bool:
        return self.bits >= CONFLICT_BITS


def conflict(network: Network, reports: Sequence[Report], most: int = 2) -> Conflict:
    """Return sum log2 P(e_i | g) - log2 P(e | g) over answers and findings that are not gates (Jensen 1991).

    ``g`` are the answers that gate other answers here: they decide which questions exist and cannot conflict. Answers
    asleep count nowhere.
    """
    _, asleep = standing(network, {i: s for r in reports for i, s in r.seen})
    awake = [r for r in reports if not any(i in asleep for i, _ in r.seen)]
    gating = {m for r in awake for i, _ in r.seen for group in network.nodes[i].gates for m, _ in group}
    gates = [r for r in awake if any(i in gating for i, _ in r.seen)]
    plain = [r for r in awake if r not in gates]
    given = {i: s for r in gates for i, s in r.seen}
    base = log_likelihood(network, given)
    shares = posterior(network, base)

    def log2_of(some: Sequence[Report]) -> float:
        both = log_likelihood(network, {**given, **{i: s for r in some for i, s in r.seen}})
        ratio = both - base
        top = ratio.max()
        return float((top + np.log(shares @ np.exp(ratio - top))) / np.log(2.0))

    alone = [log2_of([r]) for r in plain]
    bits = sum(alone) - log2_of(plain) if plain else 0.0
    if bits < CONFLICT_BITS:
        return Conflict(bits, ())
    lowered = []
    for i, report in enumerate(plain):
        rest = [r for r in plain if r is not report]
        without = sum(a for j, a in enumerate(alone) if j != i) - log2_of(rest)
        lowered.append((bits - without, report.id))
    worst = sorted(lowered, key=lambda item: (-item[0], item[1]))
    return Conflict(bits, tuple(id for fall, id in worst[:most] if fall > 0))


def speaks(network: Network, report: Report) -> bool:
    """Tell whether any cause of the pack says something of what was reported."""
    return any(network.nodes[i].blocks for i, _ in report.seen)


def surprise(network: Network, links: Chain, row: int) -> float:
    """Return (ln P(answers | cause) - its mean) / its standard deviation for one row, 0 where nothing was answered.

    Reports of which no cause says anything are left out: they can surprise nobody. Mean and variance are those of the answers as the cause would have given them, taken one by one in their order,
    each given those before it.
    """
    observed: dict[int, Seen] = {}
    excess, variance = 0.0, 0.0
    for k, report in enumerate(links.reports):
        log: Array = links.log_likelihoods
        got = float(log[k + 1, row] - log[k, row])
        nodes = {i for i, _ in report.seen}
        _, asleep = standing(network, {**observed, **dict(report.seen)})
        if not nodes & asleep and speaks(network, report):
            expected, spread = _moments(network, report, observed, row)
            excess += got - expected
            variance += spread
        observed.update(report.seen)
    return excess / variance**0.5 if variance > 1e-12 else 0.0


def _moments(network: Network, report: Report, observed: dict[int, Seen], row: int) -> tuple[float, float]:
    """Return mean and variance of ln P(answer | cause, answers before) under that cause, in nats."""
    table = predictive(network, report.about, View.of(network, observed), report.seen[0][1].slips)[row]
    logs = np.log(np.maximum(table, 1e-300))
    mean = float(table @ logs)
    return mean, float(table @ (logs - mean) ** 2)
