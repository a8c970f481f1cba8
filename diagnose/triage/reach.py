"""Can each cause be found at all? The case that speaks for it as plainly as any, and who comes first in it.

In that case every question that applies, and every finding, has its likeliest answer under the cause, what an answer
hangs on being answered before it. A cause that does not lead there is shadowed by another one, or says too little.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from diagnose.knowledge.pack import Knowledge
from diagnose.reasoning.answers import EXAMPLE_CONFIDENCE
from diagnose.reasoning.inference import Seen, joint_log_likelihood, log_likelihood, posterior
from diagnose.reasoning.network import YES, Network

REACHED = 0.6
"""A cause with a greater share than this in its own plain case is reached."""


@dataclass(frozen=True, slots=True)
class Reach:
    """How a cause fares in its own plain case."""

    cause: str
    share: float
    rival: str
    """The likeliest other cause; empty where that is something not in the rules."""
    rival_share: float
    answers: dict[str, tuple[str, ...]]
    """Question or finding id to its answers, in the order given."""
    speaking: tuple[str, ...]
    """Those of them of which the cause or its rival says something."""

    @property
    def reached(self) -> bool:
        return self.share > REACHED


def reach(knowledge: Knowledge, network: Network, *, results: bool = False) -> list[Reach]:
    """Return every cause with its own plain case, in the order of the packs.

    ``results`` tells whether the results of confirming tests are answered too.
    """
    left_out = _never_asked(network)
    left_out |= set() if results else knowledge.result_questions()
    order = [i for i in _parents_first(network) if network.nodes[i].about not in left_out]
    return [_reach(knowledge, network, row, order) for row in range(1, len(network.causes) + 1)]


def reach_of(knowledge: Knowledge, network: Network, cause: str) -> Reach:
    """Return one cause with its own plain case, the results of tests among it."""
    left_out = _never_asked(network)
    order = [i for i in _parents_first(network) if network.nodes[i].about not in left_out]
    return _reach(knowledge, network, network.row(cause), order)


def plain_case(network: Network, row: int, order: list[int], findings: frozenset[str]) -> dict[int, Seen]:
    """Return node to its likeliest state under the cause of a row; nodes in ``order``, those they hang on first."""
    observed: dict[int, Seen] = {}
    known: dict[int, int] = {}
    for i in order:
        node = network.nodes[i]
        if not all(any(m in known and opens[known[m]] for m, opens in group) for group in node.gates):
            if node.gates and all(m in known for group in node.gates for m, _ in group):
                known[i] = len(node.states)
            continue
        slips = 1.0 - EXAMPLE_CONFIDENCE if node.id in findings else None
        if all(context in known for context in node.contexts):
            chances = network.reported(i, known, slips)[0][row]
        else:
            chances = joint_log_likelihood(network, observed, [i], slips)[row]
        known[i] = int(np.argmax(chances))
        observed[i] = Seen(known[i], slips)
    return observed


def _reach(knowledge: Knowledge, network: Network, row: int, order: list[int]) -> Reach:
    observed = plain_case(network, row, order, frozenset(knowledge.findings))
    shares = posterior(network, log_likelihood(network, observed))
    others = shares.copy()
    others[row] = -1.0
    rival = int(np.argmax(others))
    answers: dict[str, tuple[str, ...]] = {}
    for i, seen in observed.items():
        node = network.nodes[i]
        said = answers.get(node.about, ())
        if node.option is None:
            answers[node.about] = (node.states[seen.state],)
        else:
            answers[node.about] = (*said, node.option) if seen.state == YES else said
    speaking = tuple(dict.fromkeys(
        network.nodes[i].about for i in observed
        if any(row in block.rows or rival in block.rows for block in network.nodes[i].blocks)
    ))  # fmt: skip
    name = network.causes[rival - 1] if rival else ""
    return Reach(network.causes[row - 1], float(shares[row]), name, float(shares[rival]), answers, speaking)


def rivals(knowledge: Knowledge, network: Network, cause: str, most: int) -> list[tuple[str, float]]:
    """Return the likeliest other causes in a cause's own plain case, each with its share, tests left undone."""
    row = network.row(cause)
    left_out = _never_asked(network) | knowledge.result_questions()
    order = [i for i in _parents_first(network) if network.nodes[i].about not in left_out]
    observed = plain_case(network, row, order, frozenset(knowledge.findings))
    shares = posterior(network, log_likelihood(network, observed))
    others = [int(r) for r in np.argsort(-shares) if r not in (0, row)]
    return [(network.causes[r - 1], float(shares[r])) for r in others[:most]]


def _never_asked(network: Network) -> set[str]:
    """Return what no plain case has: a plain case is one before any cure."""
    return {about for about, kind in network.kind.items() if kind == "remedy"}


def _parents_first(network: Network) -> list[int]:
    """Return all nodes, each after its contexts and gates; else in the order of the packs."""
    order: list[int] = []
    placed: set[int] = set()

    def place(i: int) -> None:
        if i in placed:
            return
        placed.add(i)
        node = network.nodes[i]
        for parent in (*node.contexts, *(m for group in node.gates for m, _ in group)):
            place(parent)
        order.append(i)

    for i in range(len(network.nodes)):
        place(i)
    return order
