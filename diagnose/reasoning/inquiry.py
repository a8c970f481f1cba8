"""What to ask next: the expected information about the cause, in bits, for each minute of the user's time.

I(cause; question | answers so far) = H(mixture) - sum of P(cause) H(answer | cause); Lindley 1956.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np

from diagnose.reasoning.inference import Observed, Seen, applies, log_likelihood, standing
from diagnose.reasoning.network import Array, Network

WORTH_BITS = 0.02
"""A question that is expected to tell less than this is not worth anybody's time."""
ENOUGH = 0.90
"""A leader with this share ends the interview."""
TOLD_APART_AMONG = 6


@dataclass(frozen=True, slots=True)
class Gain:
    """What a question is expected to tell."""

    about: str
    bits: float
    tells_apart: tuple[str, ...]
    """Two causes its answers separate best among the likely ones."""


def entropy_bits(shares: Array, axis: int = -1) -> Array:
    """Return the Shannon entropy along an axis, in bits; 0 log 0 is 0."""
    with np.errstate(divide="ignore", invalid="ignore"):
        terms = np.where(shares > 0, -shares * np.log2(shares), 0.0)
    return np.asarray(terms.sum(axis=axis))


def predictive(network: Network, about: str, observed: Observed, base: Array, slips: float | None = None) -> Array:
    """Return P(answer | cause, answers so far), shape (1 + C, answers); rows sum to 1.

    For a question of kind several the answers are all combinations of its options (at most 2**8).
    ``base`` is the log-likelihood of the answers so far; ``slips`` how often the report will be wrong, where that is
    not the question's own (1 - confidence for a finding).
    """
    known, asleep = standing(network, observed)
    nodes = network.of[about]
    simple = [
        all(context in known for context in network.nodes[i].contexts)
        and not _depended_on(network, i, observed, asleep)
        for i in nodes
    ]
    bound = [i for i, is_simple in zip(nodes, simple, strict=True) if not is_simple]
    # Options that hang on an unanswered context are not independent of each other given the cause: taken together.
    joint = _together(network, bound, observed, asleep, base, slips) if bound else np.ones((len(base), 1))
    for i, is_simple in zip(nodes, simple, strict=True):
        if is_simple:
            joint = _beside(joint, network.reported(i, known, slips)[0])
    return joint


def _beside(left: Array, right: Array) -> Array:
    """Return the joint table of two that are independent given the cause; (rows, a) and (rows, b) to (rows, a b)."""
    return np.asarray((left[:, :, None] * right[:, None, :]).reshape(len(left), -1))


def _together(
    network: Network, nodes: Sequence[int], observed: Observed, asleep: frozenset[int], base: Array, slips: float | None
) -> Array:
    """Return P(combination of answers | cause, answers so far), every combination worked out; rows sum to 1."""
    columns = []
    for states in np.ndindex(*(len(network.nodes[i].states) for i in nodes)):
        tried = {**observed, **{i: Seen(state, slips) for i, state in zip(nodes, states, strict=True)}}
        # An answer that would shut the gate of one already given cannot be expected.
        impossible = standing(network, tried)[1] - asleep
        columns.append(np.full(len(base), -np.inf) if impossible else log_likelihood(network, tried) - base)
    table = np.exp(np.array(columns).T)
    return np.asarray(table / table.sum(axis=1, keepdims=True))


def _depended_on(network: Network, i: int, observed: Observed, asleep: frozenset[int]) -> bool:
    """Tell whether an answered node may depend on node i: then the answers so far say something about it."""
    return any(
        i in network.nodes[j].contexts or any(i == member for group in network.nodes[j].gates for member, _ in group)
        for j in _ancestors(network, (j for j in observed if j not in asleep))
    )


def _ancestors(network: Network, nodes: Iterable[int]) -> set[int]:
    found: set[int] = set()
    stack = list(nodes)
    while stack:
        j = stack.pop()
        if j in found:
            continue
        found.add(j)
        stack.extend(network.nodes[j].contexts)
        stack.extend(member for group in network.nodes[j].gates for member, _ in group)
    return found


def information_bits(shares: Array, table: Array) -> float:
    """Return I(cause; answer) in bits for cause shares (1 + C,) and P(answer | cause) (1 + C, answers)."""
    mixture = shares @ table
    return max(0.0, float(entropy_bits(mixture) - shares @ entropy_bits(table)))


def gains(
    network: Network, abouts: Iterable[str], observed: Observed, shares: Array, *, only_open: bool = True
) -> list[Gain]:
    """Return the expected information of each question, most first.

    Parameters
    ----------
    abouts
        Questions (or findings) to weigh.
    observed
        Answers so far.
    shares
        Posterior (1 + C,), tempered or not; the answers expected are never tempered.
    only_open
        Leave out questions whose gate is not known to be open.
    """
    base = log_likelihood(network, observed)
    known, _ = standing(network, observed)
    found = []
    for about in abouts:
        if only_open and not applies(network, about, known):
            continue
        table = predictive(network, about, observed, base)
        found.append(Gain(about, information_bits(shares, table), _tells_apart(network, shares, table)))
    return sorted(found, key=lambda g: (-g.bits, g.about))


def _tells_apart(network: Network, shares: Array, table: Array) -> tuple[str, ...]:
    """Return the two likely causes whose answers differ most, weighed by how likely both are."""
    likely = [int(row) for row in np.argsort(-shares[1:], kind="stable")[:TOLD_APART_AMONG] + 1]
    best: tuple[float, tuple[str, ...]] = (0.0, ())
    for a, b in combinations(likely, 2):
        distance = 0.5 * float(np.abs(table[a] - table[b]).sum())
        score = float(shares[a] * shares[b]) * distance
        if score > best[0] and distance > 0.05:
            best = (score, (network.causes[a - 1], network.causes[b - 1]))
    return best[1]


def job_gain(
    network: Network, findings: Mapping[str, float], observed: Observed, shares: Array, most: int = 4096
) -> float:
    """Return the bits that reading the job file is expected to bring at least: its best findings taken together.

    ``findings`` are those it may bring, each with how far it will be believed (0 to 1). They are joined, the most
    telling first, while they are independent given the cause (none hangs on what another one says, nor two on one
    unanswered context) and the table stays within ``most`` combinations; so the true figure is no smaller.
    """
    base = log_likelihood(network, observed)
    known, _ = standing(network, observed)
    ranked = []
    for about, confidence in findings.items():
        table = predictive(network, about, observed, base, 1.0 - confidence)
        ranked.append((information_bits(shares, table), about, table))
    joint = np.ones((len(shares), 1))
    told: set[int] = set()
    for _, about, table in sorted(ranked, key=lambda item: (-item[0], item[1])):
        hangs_on = _ancestors(network, network.of[about]) - known.keys()
        if not told & hangs_on and joint.shape[1] * table.shape[1] <= most:
            joint = _beside(joint, table)
            told |= hangs_on
    return information_bits(shares, joint)


TOLD_RIGHT = 0.8
"""How often a set of marks is expected to tell where they come from: 8 marks do so in 4 of 5 simulated parts (goal of
`python -m tests.bench marks`); most people measure about as many."""


def marks_gain(network: Network, leaves: Mapping[str, object], shares: Array) -> tuple[float, tuple[str, ...]]:
    """Return the bits that measuring the marks is expected to bring, and the two causes it tells apart best.

    The estimate takes measuring as one question whose answers are the places and clocks that causes leave their marks at
    (``leaves``: cause id to anything that says which), and *anywhere* for all other causes. Each comes out right with
    `TOLD_RIGHT`; where it does not, the marks look like anywhere half the time, else like another one. Marks that lie
    anywhere are told as such nearly always, because chance alone seldom looks like order.
    """
    kinds = sorted(set(leaves.values()), key=repr)
    count = len(kinds)
    if count == 0:
        return 0.0, ()
    table = np.empty((len(shares), count + 1))
    seldom = (1.0 - TOLD_RIGHT) / 10.0
    table[:, :count], table[:, count] = seldom / count, 1.0 - seldom
    for cause, kind in leaves.items():
        row = network.row(cause)
        missed = 1.0 - TOLD_RIGHT
        others = missed / 2.0 / (count - 1) if count > 1 else 0.0
        table[row, :count] = others
        table[row, kinds.index(kind)] = TOLD_RIGHT
        table[row, count] = missed - others * (count - 1)
    return information_bits(shares, table), _tells_apart(network, shares, table)
