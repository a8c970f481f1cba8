"""The ledger: for one cause, every piece of evidence and its weight, summing exactly to its log-odds.

Answers come first, findings by id, measured marks last. The weight of the i-th answer is 10 log10( P(v_i | c, v_1..v_i-1) / P(v_i | not c, v_1..v_i-1) ) in decibans (Good
1950), where *not c* includes *something not in the rules*. Changing the order redistributes the weights, never the sum.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from diagnose.reasoning.answers import Report
from diagnose.reasoning.inference import Seen, log_likelihood
from diagnose.reasoning.network import Array, Network

DECIBANS_PER_NAT = 10.0 / np.log(10.0)


@dataclass(frozen=True, slots=True)
class Chain:
    """The log-likelihoods after each report: row k holds ln P(first k reports | cause), shape (1 + reports, 1 + C)."""

    reports: tuple[Report, ...]
    log_likelihoods: Array
    temper: float
    marks: Array | None = None
    """ln of what measured marks speak for each row against *anywhere on the printed surface*, (1 + C,); None without
    any. They come last and are never tempered: one measurement, not many judgements that lean on each other."""


def chain(
    network: Network, reports: Sequence[Report], temper: float = 1.0, marks: Mapping[str, float] | None = None
) -> Chain:
    """Return the log-likelihoods of every prefix of the reports. Reports asleep behind a shut gate add nothing.

    ``marks``: cause id to the decibans by which the measured marks speak for it against *anywhere*; causes that are not
    named, and *something not in the rules*, get 0.
    """
    observed: dict[int, Seen] = {}
    rows = [np.zeros(len(network.log_prior))]
    for report in reports:
        observed.update(report.seen)
        rows.append(log_likelihood(network, observed))
    spoken = None
    if marks is not None:
        spoken = np.zeros(len(network.log_prior))
        for cause, decibans in marks.items():
            spoken[network.row(cause)] = decibans / DECIBANS_PER_NAT
    return Chain(tuple(reports), np.array(rows), temper, spoken)


def log_odds(network: Network, log_likelihoods: Array, temper: float = 1.0, marks: Array | None = None) -> Array:
    """Return the log-odds of every row against all others, in decibans; shape (..., 1 + C)."""
    log = network.log_prior + temper * log_likelihoods + (0.0 if marks is None else marks)
    log = log - log.max(axis=-1, keepdims=True)
    shares = np.exp(log)
    with np.errstate(divide="ignore"):
        others = np.log(shares.sum(axis=-1, keepdims=True) - shares)
    # Where one row holds nearly everything the subtraction cancels: add the others up instead, by their logs.
    top = np.expand_dims(np.argmax(log, axis=-1), -1)
    rest = log.copy()
    np.put_along_axis(rest, top, -np.inf, axis=-1)
    np.put_along_axis(others, top, np.logaddexp.reduce(rest, axis=-1, keepdims=True), axis=-1)
    return np.asarray(DECIBANS_PER_NAT * (log - others))


def weights(network: Network, links: Chain) -> tuple[Array, Array]:
    """Return the prior log-odds (1 + C,) and the weight of each report (reports, 1 + C), all in decibans.

    Marks, where there are any, have one more row at the end. Prior plus the sum of the weights is the log-odds of the
    posterior.
    """
    odds = log_odds(network, links.log_likelihoods, links.temper)
    if links.marks is not None:
        last = log_odds(network, links.log_likelihoods[-1], links.temper, links.marks)
        odds = np.vstack([odds, last])
    return odds[0], np.diff(odds, axis=0)


STRENGTHS = ((5.0, "barely worth mentioning"), (10.0, "substantial"), (15.0, "strong"), (20.0, "very strong"))


def strength(decibans: float) -> str:
    """Name a weight by Jeffreys' bands (Theory of Probability, 1961, appendix B)."""
    size = abs(decibans)
    word = next((name for bound, name in STRENGTHS if size < bound), "decisive")
    return word if decibans >= 0 or word == STRENGTHS[0][1] else f"{word} against"
