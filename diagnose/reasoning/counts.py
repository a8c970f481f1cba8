"""What a shop's counts say: from *how many that showed it were this cause* to *how often this cause shows it*.

The two are not the same. "Three of four times it was the cable" is the share of the cause among prints that show the
sign; a rule wants the share of prints that show the sign among those with the cause. Bayes' theorem in odds turns one
into the other, given how common the cause is and how often the sign comes without it:

    P(sign | cause) = P(sign | other) * odds(cause | sign) / odds(cause)
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from diagnose.knowledge.pack import Knowledge
from diagnose.reasoning.inference import Seen, log_likelihood, posterior
from diagnose.reasoning.intervals import wilson
from diagnose.reasoning.network import YES, Network


@dataclass(frozen=True, slots=True)
class Turned:
    """How often a cause shows a sign, as counts among prints that show it imply."""

    seen: float
    """More than 1 where the counts cannot go with the rate and the usual share."""
    low: float
    high: float
    """What the counts leave open, 95 %."""
    base: float
    """Share of the cause among the prints counted, before the sign."""
    usual: float

    @property
    def possible(self) -> bool:
        """Whether some frequency at all goes with the counts."""
        return self.low <= 1.0


def turn(some: int, of: int, base: float, usual: float) -> Turned:
    """Return how often a cause shows a sign, where of ``of`` prints that showed it ``some`` had the cause.

    Parameters
    ----------
    base
        Share of the cause among such prints before the sign is looked at, above 0 and below 1.
    usual
        How often the sign comes in prints with another cause, above 0.

    A count of all, or of none, is taken as if one more print of each kind had been seen (Laplace), as no share is 0 or 1.
    """
    share = some / of if 0 < some < of else (some + 1) / (of + 2)
    told = wilson(some, of)
    odds = base / (1.0 - base)

    def shown(share: float) -> float:
        share = min(max(share, 1e-6), 1.0 - 1e-6)
        return usual * share / (1.0 - share) / odds

    return Turned(shown(share), shown(told.low), shown(told.high), base, usual)


def before_the_sign(
    knowledge: Knowledge, network: Network, cause: str, sign: tuple[str, str], defect: str | None
) -> tuple[float, float]:
    """Return the share of a cause before a sign is looked at, and how often the sign is reported with any other cause.

    Parameters
    ----------
    sign
        A question or finding, and its answer.
    defect
        The main defect of the prints that were counted; None for bad prints of every kind.
    """
    question = knowledge.by_role("defect")
    known: dict[int, Seen] = {}
    if defect is not None and question is not None:
        known[network.index[question.id]] = _state(network, question.id, defect)
    about, answer = sign
    node = network.index[about if about in network.index else f"{about}:{answer}"]
    before = log_likelihood(network, known)
    after = log_likelihood(network, known | {node: _state(network, about, answer)})
    shares = posterior(network, before)
    row = network.row(cause)
    others = np.delete(shares, row)
    usual = float(others @ np.exp(np.delete(after - before, row)) / others.sum())
    return float(shares[row]), usual


def _state(network: Network, about: str, answer: str) -> Seen:
    if about in network.index:
        return Seen(network.nodes[network.index[about]].states.index(answer))
    return Seen(YES)
