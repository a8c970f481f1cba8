"""Exact inference: the likelihood of the reported answers under each cause.

Unanswered contexts and gates are summed out once, jointly over all answers that depend on them, by variable
elimination with the cause as an axis of every table (Zhang & Poole 1996, from memory). A gated question has one more
state, *does not apply*, certain while its gate is closed; so an unanswered gated question says nothing, and an answered
one sums its gate over the answers that open it.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from diagnose.reasoning.network import Array, Network, Node

_CAUSE = -1
"""The axis of the causes, beside the node numbers."""

Factor = tuple[Array, tuple[int, ...]]


@dataclass(frozen=True, slots=True)
class Seen:
    """A node's reported state, and how often such a report is wrong (1 - confidence for a finding)."""

    state: int
    slips: float | None = None


Observed = Mapping[int, Seen]


def standing(network: Network, observed: Observed) -> tuple[dict[int, int], frozenset[int]]:
    """Tell which answers count.

    Returns
    -------
    known, asleep
        ``known``: node to its state, for every answered node whose gate is not shut and for every node that is known
        not to apply (state ``len(states)``). ``asleep``: answered nodes whose gate other answers have shut.
    """
    known: dict[int, int] = {}
    asleep: set[int] = set()
    visiting: set[int] = set()
    done: set[int] = set()

    def settle(i: int) -> None:
        if i in done or i in visiting:
            return
        visiting.add(i)
        node = network.nodes[i]
        for group in node.gates:
            for member, _ in group:
                settle(member)
        if _gate(node, known) is False:
            known[i] = len(node.states)
            if i in observed:
                asleep.add(i)
        elif i in observed:
            known[i] = observed[i].state
        done.add(i)

    for i in observed:
        settle(i)
        for context in network.nodes[i].contexts:
            settle(context)
    return known, frozenset(asleep)


def applies(network: Network, about: str, known: Mapping[int, int]) -> bool:
    """Tell whether a question is open to be asked: every gate known to be open."""
    return all(_gate(network.nodes[i], known) is True for i in network.of[about])


def _gate(node: Node, known: Mapping[int, int]) -> bool | None:
    """Return True for open, False for shut, None for not known yet."""
    answer: bool | None = True
    for group in node.gates:
        states = [(known.get(member), opens) for member, opens in group]
        if any(s is not None and opens[s] for s, opens in states):
            continue
        if all(s is not None for s, _ in states):
            return False
        answer = None
    return answer


def log_likelihood(network: Network, observed: Observed) -> Array:
    """Return ln P(reported answers | cause), shape (1 + C,), row 0 for *something not in the rules*.

    Answers asleep behind a shut gate do not count. Costs microseconds an answer while the contexts are answered, and
    grows with the product of the states of contexts that depend on each other where they are not.
    """
    return joint_log_likelihood(network, observed, ())


def joint_log_likelihood(
    network: Network, observed: Observed, asked: Sequence[int], slips: float | None = None
) -> Array:
    """Return ln P(reported answers, answers of ``asked`` | cause), shape (1 + C, *answers of each asked node).

    The asked nodes have no answer yet; their axes are kept where all other unanswered nodes are summed out. An answer
    that would shut the gate of one already given has the log -inf. ``slips`` is as in :class:`Seen`.
    """
    known, asleep = standing(network, observed)
    total = np.zeros(len(network.log_prior))
    factors: list[Factor] = []
    hidden: list[int] = []
    queued: set[int] = set(asked)

    def need(i: int) -> None:
        if i not in known and i not in queued:
            queued.add(i)
            hidden.append(i)

    for i, seen in observed.items():
        if i in asleep:
            continue
        node = network.nodes[i]
        table, left = network.reported(i, known, seen.slips)
        for context in left:
            need(context)
        if left:
            factors.append((table[..., seen.state], (_CAUSE, *left)))
        else:
            total += np.log(table[:, seen.state])
        for gate in _gate_factors(network, node, known):
            factors.append(gate)
            for member in gate[1]:
                need(member)
    for i in asked:
        node = network.nodes[i]
        table, left = network.reported(i, known, slips)
        if node.gates:  # one more state, does not apply, which nobody reports
            table = np.concatenate([table, np.zeros((*table.shape[:-1], 1))], axis=-1)
        factors.append((table, (_CAUSE, *left, i)))
        gates = _gate_factors(network, node, known)
        factors += gates
        for j in (*left, *(m for _, members in gates for m in members)):
            need(j)
    for i in hidden:  # grows while it is walked: parents of hidden nodes are hidden too
        factor = _hidden_factor(network, i, known)
        factors.append(factor)
        for parent in factor[1]:
            if parent not in (_CAUSE, i):
                need(parent)
    if not factors:
        return total
    kept = (_CAUSE, *asked)
    total = _spread(total, (_CAUSE,), kept) + _eliminate(factors, kept)
    return total[(slice(None), *(slice(len(network.nodes[i].states)) for i in asked))]


def _gate_factors(network: Network, node: Node, known: Mapping[int, int]) -> list[Factor]:
    """Return a table of 0 and 1 for each gate group not known to be open, over its unanswered members."""
    found: list[Factor] = []
    for group in node.gates:
        if any(m in known and opens[known[m]] for m, opens in group):
            continue
        members = [(m, opens[: network.nodes[m].size]) for m, opens in group if m not in known]
        shut = np.ones(())
        for _, opens in members:
            shut = np.multiply.outer(shut, 1.0 - opens.astype(float))
        found.append((1.0 - shut, tuple(m for m, _ in members)))
    return found


def _hidden_factor(network: Network, i: int, known: Mapping[int, int]) -> Factor:
    """Return P(state of i | cause, parents not known), over (cause, i, those parents)."""
    node = network.nodes[i]
    table, left = network.reported(i, known)
    gates = _gate_factors(network, node, known)
    order = (_CAUSE, i, *left, *sorted({m for _, members in gates for m in members} - set(left)))
    applies_to = _spread(table, (_CAUSE, *left, i), order)
    if not node.gates:
        return applies_to, order
    opened = np.ones([1] * len(order))
    for gate, members in gates:
        opened = opened * _spread(gate, members, order)
    answered = applies_to * opened
    silent = np.broadcast_to(1.0 - opened, [1 if axis == 1 else n for axis, n in enumerate(answered.shape)])
    return np.concatenate([answered, silent], axis=1), order


def _spread(table: Array, axes: Sequence[int], order: Sequence[int]) -> Array:
    """Return ``table`` with its axes in ``order``, length 1 along the axes it lacks."""
    there = [a for a in order if a in axes]
    moved = np.transpose(table, [axes.index(a) for a in there])
    return moved[tuple(slice(None) if a in axes else None for a in order)]


def _eliminate(factors: list[Factor], kept: Sequence[int]) -> Array:
    """Sum every other node out of a product of tables, smallest next table first; returns the log over ``kept``."""
    sizes = {axis: n for table, axes in factors for axis, n in zip(axes, table.shape, strict=True)}
    left = {axis for axis in sizes if axis not in kept}

    def scope(node: int) -> set[int]:
        return {a for _, axes in factors if node in axes for a in axes}

    while left:
        node = min(left, key=lambda n: (float(np.prod([sizes[a] for a in scope(n)])), n))
        left.discard(node)
        touching = [f for f in factors if node in f[1]]
        factors = [f for f in factors if node not in f[1]]
        out = tuple(sorted({a for _, axes in touching for a in axes} - {node}))
        factors.append((_summed(touching, out), out))
    total = np.zeros(())
    with np.errstate(divide="ignore"):
        for table, axes in factors:
            total = total + np.log(_spread(table, axes, kept))
    return total


def _summed(factors: Sequence[Factor], out: Sequence[int]) -> Array:
    letters: dict[int, int] = {}
    arguments: list[Any] = []
    for table, axes in factors:
        arguments += [table, [letters.setdefault(a, len(letters)) for a in axes]]
    return np.asarray(np.einsum(*arguments, [letters[a] for a in out], optimize=len(factors) > 2))


def posterior(network: Network, log_likelihoods: Array, temper: float = 1.0, marks: Array | None = None) -> Array:
    """Return the shares of the causes, shape (1 + C,), row 0 for *something not in the rules*; sums to 1.

    ``temper`` is one exponent on the likelihood of answers and findings, against over-confidence of answers that are
    not quite independent; rates are not tempered, nor is ``marks``, the ln of what measured marks speak for each row.
    """
    log = network.log_prior + temper * log_likelihoods + (0.0 if marks is None else marks)
    shares = np.exp(log - log.max())
    return np.asarray(shares / shares.sum())
