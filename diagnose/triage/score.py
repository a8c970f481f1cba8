"""How well the rules find the causes of solved cases: places, Brier score, bits, calibration, and the same in parts."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from diagnose.cases.journal import Case
from diagnose.cases.solved import Placed
from diagnose.errors import BadInput
from diagnose.knowledge.pack import Knowledge
from diagnose.reasoning.answers import EXAMPLE_CONFIDENCE
from diagnose.reasoning.intervals import Hits, wilson
from diagnose.reasoning.network import Array, Network, compile_network
from diagnose.triage.facts import Facts, triage_from
from diagnose.triage.learn import left_out, lessons, plain

EDGES = (0.0, 0.01, 0.05, 0.1, 0.2, 0.4, 0.6, 0.8, 0.9, 1.0)
"""Bounds of the bins of the calibration curve, narrow where shares are many or a small error matters."""
PLACES = (1, 3, 5)
"""The places within which a cause counts as found: first, within three, within five."""


@dataclass(frozen=True)
class Scored:
    """What the rules made of one case."""

    id: str
    source: str
    cause: str
    place: int | None
    """Of the true cause among the suspects, from 1; None where the rules lack it."""
    winner: str
    shares: Array
    """(1 + C,) after the answers, entry 0 for *something not in the rules*."""
    rates: Array
    """(1 + C,) before them."""
    truth: int
    """Row of the true cause; 0 where the rules lack it, for then that is what the first row stands for."""

    @property
    def share(self) -> float:
        """Of the true cause; of *something not in the rules* where they lack it."""
        return float(self.shares[self.truth])

    @property
    def leader_share(self) -> float:
        return float(self.shares[1:].max())

    @property
    def brier(self) -> float:
        """Squared errors of all shares, summed over the causes: 0 perfect, 2 worst (Brier 1950)."""
        return brier(self.shares, self.truth)

    @property
    def bits(self) -> float:
        """What is still to be told to name the cause, -log2 of its share: 0 perfect."""
        return bits(self.share)


@dataclass(frozen=True, slots=True)
class Bin:
    """Suspects that were given a share between two bounds, and how many of them were the cause."""

    least: float
    most: float
    said: float
    """Mean of their shares."""
    came: Hits


@dataclass(frozen=True, slots=True)
class Parts:
    """What a Brier score is made of (Murphy 1973): reliability - resolution + uncertainty + within."""

    reliability: float
    """How far the shares given lie from the shares that came; 0 is best."""
    resolution: float
    """How far the shares that came differ from bin to bin; more is better."""
    uncertainty: float
    """What somebody comes to who gives every cause its share of all cases; no skill changes it."""
    within: float
    """What binning leaves: shares of one bin are not all the same."""


@dataclass(frozen=True)
class Score:
    """What the rules made of a set of cases."""

    cases: tuple[Scored, ...]

    def within(self, places: int) -> Hits:
        """Return in how many cases the true cause was among the first suspects."""
        return wilson(sum(1 for c in self.cases if c.place is not None and c.place <= places), len(self.cases))

    @property
    def brier(self) -> float:
        return _mean([c.brier for c in self.cases])

    @property
    def bits(self) -> float:
        return _mean([c.bits for c in self.cases])

    @property
    def brier_of_rates(self) -> float:
        """What the rates alone come to, without one answer."""
        return _mean([brier(c.rates, c.truth) for c in self.cases])

    @property
    def bits_of_rates(self) -> float:
        return _mean([bits(float(c.rates[c.truth])) for c in self.cases])

    @property
    def leader_share(self) -> float:
        """Mean share of the first suspect: above the share of firsts the rules believe themselves too much."""
        return _mean([c.leader_share for c in self.cases])

    def missed(self) -> list[Scored]:
        """Return the cases whose cause is not first, worst last."""
        return sorted((c for c in self.cases if c.place != 1), key=lambda c: (c.place is None, c.place or 0, c.id))

    def calibration(self) -> list[Bin]:
        """Return the calibration curve over every share of every case; bins that hold none are left out."""
        said = np.concatenate([c.shares for c in self.cases]) if self.cases else np.zeros(0)
        came = np.concatenate([np.arange(len(c.shares)) == c.truth for c in self.cases]) if self.cases else said > 1
        bins = []
        for least, most in pairwise(EDGES):
            inside = (said >= least) & ((said < most) | (most == EDGES[-1]))
            if inside.any():
                hits = wilson(int(came[inside].sum()), int(inside.sum()))
                bins.append(Bin(least, most, float(said[inside].mean()), hits))
        return bins

    def parts(self) -> Parts:
        """Return the decomposition of the Brier score over the bins of the calibration curve."""
        bins = self.calibration()
        many = sum(b.came.of for b in bins)
        if not many:
            return Parts(0.0, 0.0, 0.0, 0.0)
        each = many / len(self.cases)  # the score adds up over the causes of a case
        base = sum(b.came.count for b in bins) / many
        reliability = each * sum(b.came.of * (b.said - b.came.share) ** 2 for b in bins) / many
        resolution = each * sum(b.came.of * (b.came.share - base) ** 2 for b in bins) / many
        uncertainty = each * base * (1 - base)
        return Parts(reliability, resolution, uncertainty, self.brier - (reliability - resolution + uncertainty))

    def confused(self, most: int = 8) -> list[tuple[str, str, int]]:
        """Return pairs of the true cause and the one that came first instead, the most frequent first."""
        counted: dict[tuple[str, str], int] = {}
        for case in self.missed():
            counted[case.cause, case.winner] = counted.get((case.cause, case.winner), 0) + 1
        return [(*pair, n) for pair, n in sorted(counted.items(), key=lambda item: (-item[1], item[0]))[:most]]

    def folds(self, count: int) -> list[Score]:
        """Return the cases in parts that depend on nothing but their ids, so that they stay as cases are added."""
        return [Score(tuple(c for c in self.cases if fold(c.id, count) == n)) for n in range(count)]


def brier(shares: Array, truth: int) -> float:
    """Return the squared errors of shares, summed over the causes and *something not in the rules*."""
    return float(((shares - (np.arange(len(shares)) == truth)) ** 2).sum())


def bits(share: float) -> float:
    """Return -log2 of a share; a share too small for a float counts as the least there is."""
    return max(0.0, float(-np.log2(max(share, np.finfo(float).tiny))))


def fold(id: str, count: int) -> int:
    """Return the part, from 0, that a case falls into by the hash of its id."""
    return int.from_bytes(hashlib.sha256(id.encode("utf-8", "backslashreplace")).digest()[:8], "big") % count


def score(knowledge: Knowledge, cases: Sequence[Placed], network: Network | None = None) -> Score:
    """Rank each case from its answers and findings; raises BadInput, with its place, for one the rules do not take."""
    network = network or compile_network(knowledge)
    return Score(tuple(_scored(knowledge, placed, network) for placed in cases))


def _scored(knowledge: Knowledge, placed: Placed, network: Network) -> Scored:
    case = placed.case
    facts = Facts({question: list(given) for question, given in case.answers.items()}, printer=case.printer)
    try:
        triage = triage_from(knowledge, facts, network)
        for id, answer in case.findings.items():
            _finding_is_known(knowledge, id, answer)
    except BadInput as error:
        raise BadInput(f"{case.id}: {error.what}", error.hint, placed.where) from error
    if case.findings:
        triage.believe(case.findings, EXAMPLE_CONFIDENCE)
    ranking = [suspect.id for suspect in triage.ranking()]
    known = case.cause in knowledge.causes
    return Scored(
        id=case.id,
        source=case.source,
        cause=case.cause,
        place=ranking.index(case.cause) + 1 if known else None,
        winner=ranking[0],
        shares=triage.standing.shares,
        rates=np.exp(network.log_prior),
        truth=network.row(case.cause) if known else 0,
    )


def score_learnt(knowledge: Knowledge, cases: Sequence[Case]) -> tuple[Score, Score]:
    """Return closed cases scored by the rules alone, and by what all other cases taught as well (one left out).

    Cases without a cause, or with one that the rules lack, are passed over: nothing could be learnt from them.
    """
    rules = plain(knowledge)
    network = compile_network(rules)
    rates = np.exp(network.log_prior)
    alone: list[Scored] = []
    learnt: list[Scored] = []
    for lesson, by_rules, by_others in left_out(rules, lessons(rules, network, cases)):
        for shares, scored in ((by_rules, alone), (by_others, learnt)):
            place = 1 + int((shares[1:] > shares[lesson.row]).sum())
            winner = network.causes[int(np.argmax(shares[1:]))]
            scored.append(Scored(lesson.id, lesson.id, lesson.cause, place, winner, shares, rates, lesson.row))
    return Score(tuple(alone)), Score(tuple(learnt))


def _finding_is_known(knowledge: Knowledge, id: str, answer: str) -> None:
    if id not in knowledge.findings:
        raise BadInput(f"there is no finding {id!r}", f"the findings are: {', '.join(knowledge.findings)}")
    known = [a.id for a in knowledge.findings[id].answers]
    if answer not in known:
        raise BadInput(f"the finding {id!r} has no answer {answer!r}", f"its answers are: {', '.join(known)}")


def _mean(values: Sequence[float]) -> float:
    return sum(values) / len(values) if values else 0.0
