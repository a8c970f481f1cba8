"""What to ask next: the expected information about the cause, in bits, for each minute of the user's time.

I(cause; question | answers so far) = H(mixture) - sum of P(cause) H(answer | cause); Lindley 1956.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from diagnose.reasoning.inference import Observed, applies, joint_log_likelihood, standing
from diagnose.reasoning.network import Array, Network, Node, entropy_bits

WORTH_BITS = 0.02
"""Expected for each minute it costs, reading included; a question expected to tell less is not worth anybody's time."""
READING_MINUTES = 1.0
"""Any question costs this to read, understand and answer, beside finding the answer: ten glances are not for nothing.
A guess. With it and bits for each minute, invented users are asked 18
questions in place of 25, and their causes are found as often (`python -m tests.bench users`)."""
ENOUGH = 0.90
"""A leader with this share ends the interview."""
TOLD_APART_AMONG = 6
LEAST_DISTANCE = 0.05
"""Two causes whose answers differ by less (total variation) are not told apart."""
LEAST_BITS = 1e-4
"""A finding expected to tell less is left out of what a job may bring."""


@dataclass(frozen=True, slots=True)
class Gain:
    """What a question is expected to tell."""

    about: str
    bits: float
    tells_apart: tuple[str, ...]
    """Two causes its answers separate best among the likely ones."""


def pace(bits: float, minutes: float) -> float:
    """Return bits for each minute of the user's time, ``minutes`` being what finding the answer takes."""
    return bits / (minutes + READING_MINUTES)


def is_worth(bits: float, minutes: float) -> bool:
    """Tell whether an answer of so many bits is worth looking for."""
    return pace(bits, minutes) >= WORTH_BITS


@dataclass(frozen=True, slots=True)
class View:
    """What the answers so far settle: worked out once, however many questions are weighed against them."""

    observed: Observed
    known: dict[int, int]
    spoken_of: frozenset[int]
    """Nodes on which an answer that counts hangs: what was said already tells something about them."""

    @classmethod
    def of(cls, network: Network, observed: Observed) -> View:
        known, asleep = standing(network, observed)
        return cls(observed, known, frozenset(_parents(network, _ancestors(network, set(observed) - asleep))))

    def simple(self, node: Node, i: int) -> bool:
        """Tell whether the answer of a node hangs on the cause alone, the answers so far being given."""
        return i not in self.spoken_of and all(context in self.known for context in node.contexts)


def predictive(network: Network, about: str, view: View, slips: float | None = None) -> Array:
    """Return P(answer | cause, answers so far), shape (1 + C, answers); rows sum to 1.

    For a question of kind several the answers are all combinations of its options (at most 2**8), those that hang on
    the cause alone last. ``slips`` is how often the report will be wrong, where that is not the question's own
    (1 - confidence for a finding).
    """
    return _tables(network, about, view, slips)[0]


def _tables(network: Network, about: str, view: View, slips: float | None) -> tuple[Array, Array]:
    """Return :func:`predictive` and the entropy of each of its rows in bits, (1 + C,)."""
    nodes = network.of[about]
    simple = [i for i in nodes if view.simple(network.nodes[i], i)]
    bound = [i for i in nodes if i not in simple]
    if not bound and len(simple) == 1:
        return network.reported_alone(simple[0], view.known, slips)
    rows = len(network.log_prior)
    joint, entropy = np.ones((rows, 1)), np.zeros(rows)
    if bound:
        # Options that hang on an unanswered context are not independent of each other given the cause: taken together.
        joint = _together(network, bound, view.observed, slips)
        entropy = entropy_bits(joint)
    for i in simple:
        table, own = network.reported_alone(i, view.known, slips)
        joint, entropy = _beside(joint, table), entropy + own
    return joint, entropy


def _beside(left: Array, right: Array) -> Array:
    """Return the joint table of two that are independent given the cause; (rows, a) and (rows, b) to (rows, a b)."""
    return np.asarray((left[:, :, None] * right[:, None, :]).reshape(len(left), -1))


def _together(network: Network, nodes: Sequence[int], observed: Observed, slips: float | None) -> Array:
    """Return P(combination of answers | cause, answers so far), other unanswered nodes summed out; rows sum to 1."""
    log = joint_log_likelihood(network, observed, nodes, slips).reshape(len(network.log_prior), -1)
    top = log.max(axis=1, keepdims=True)
    table = np.exp(log - np.where(np.isneginf(top), 0.0, top))
    total = table.sum(axis=1, keepdims=True)
    # A cause under which the answers so far cannot be: whatever comes next, it stays so.
    return np.asarray(np.where(total > 0, table, 1.0) / np.where(total > 0, total, table.shape[1]))


def _parents(network: Network, nodes: Iterable[int]) -> set[int]:
    """Return what the answers of some nodes hang on directly: contexts and gates."""
    found: set[int] = set()
    for j in nodes:
        found.update(network.nodes[j].contexts)
        found.update(member for group in network.nodes[j].gates for member, _ in group)
    return found


def _ancestors(network: Network, nodes: Iterable[int]) -> set[int]:
    """Return the nodes, what they hang on, what that hangs on, and so on."""
    found: set[int] = set()
    fresh = set(nodes)
    while fresh:
        found |= fresh
        fresh = _parents(network, fresh) - found
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
    view = View.of(network, observed)
    likely = likely_rows(shares)
    found = []
    for about in abouts:
        if only_open and not applies(network, about, view.known):
            continue
        table, entropy = _tables(network, about, view, None)
        bits = max(0.0, float(entropy_bits(shares @ table) - shares @ entropy))
        found.append(Gain(about, bits, _tells_apart(network, shares, table, likely)))
    return sorted(found, key=lambda g: (-g.bits, g.about))


def likely_rows(shares: Array) -> NDArray[np.intp]:
    """Return the rows of the likeliest causes, likeliest first."""
    return np.argsort(-shares[1:], kind="stable")[:TOLD_APART_AMONG] + 1


def _tells_apart(network: Network, shares: Array, table: Array, likely: NDArray[np.intp]) -> tuple[str, ...]:
    """Return the two likely causes whose answers differ most, weighed by how likely both are."""
    rows = table[likely]
    distance = 0.5 * np.abs(rows[:, None, :] - rows[None, :, :]).sum(axis=2)
    score = np.triu(np.outer(shares[likely], shares[likely]) * np.where(distance > LEAST_DISTANCE, distance, 0.0), 1)
    if not score.any():
        return ()
    a, b = np.unravel_index(int(np.argmax(score)), score.shape)
    return network.causes[likely[a] - 1], network.causes[likely[b] - 1]


def job_gain(
    network: Network, findings: Mapping[str, float], observed: Observed, shares: Array, most: int = 4096
) -> float:
    """Return the bits that reading the job file is expected to bring at least: its best findings taken together.

    ``findings`` are those it may bring, each with how far it will be believed (0 to 1). They are joined, the most
    telling first, while they are independent given the cause (none hangs on what another one says, nor two on one
    unanswered context) and the table stays within ``most`` combinations; so the true figure is no smaller.
    """
    view = View.of(network, observed)
    ranked = []
    for about, confidence in findings.items():
        table, entropy = _tables(network, about, view, 1.0 - confidence)
        bits = float(entropy_bits(shares @ table) - shares @ entropy)
        if bits > LEAST_BITS:
            ranked.append((bits, about, table, entropy))
    # Each column of the joint table already holds the shares: what is left to do is to add its rows up.
    joint, entropies = shares[:, None], np.zeros(len(shares))
    told: set[int] = set()
    for _, about, table, entropy in sorted(ranked, key=lambda item: (-item[0], item[1])):
        hangs_on = _ancestors(network, network.of[about]) - view.known.keys()
        if not told & hangs_on and joint.shape[1] * table.shape[1] <= most:
            joint = _beside(joint, table)
            entropies = entropies + entropy
            told |= hangs_on
    return max(0.0, float(entropy_bits(joint.sum(axis=0)) - shares @ entropies))


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
    return information_bits(shares, table), _tells_apart(network, shares, table, likely_rows(shares))
