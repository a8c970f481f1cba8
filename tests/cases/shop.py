"""An invented shop whose machines differ from what the rules say, and the cases it would close."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import numpy as np

from diagnose.cases.journal import Case
from diagnose.knowledge.pack import Knowledge
from diagnose.reasoning.inference import applies
from diagnose.reasoning.network import Network, compile_network
from tests.bench.people import Person

FREQUENCIES_SD, RATES_SD = 0.7, 1.0
"""How far a shop's frequencies and rates lie from those of the rules: standard deviations of their logarithms."""
ASKED = 22


class Worker(Person):
    """Somebody of the shop: what their prints show is as often as the shop has it, without a jitter of their own."""

    jitter = 0.0


def shop(knowledge: Knowledge, seed: int) -> Network:
    """Return the network of a shop: the rules with other frequencies and rates."""
    draw = np.random.default_rng([seed, 1])
    network = compile_network(replace(knowledge, learnt=None))
    for node in network.nodes:
        for block in node.blocks:
            # The same factor in every context of a cause: an odd machine is odd in all of them.
            shape = (block.stated.shape[0], *(1 for _ in block.contexts), block.stated.shape[-1])
            block.stated[...] *= np.exp(FREQUENCIES_SD * draw.standard_normal(shape))
            block.stated[...] /= block.stated.sum(axis=-1, keepdims=True)
        node.forget()
    log = network.log_prior
    whole = np.logaddexp.reduce(log[1:])
    log[1:] += RATES_SD * draw.standard_normal(len(log) - 1)
    log[1:] += whole - np.logaddexp.reduce(log[1:])
    return network


def closed_cases(knowledge: Knowledge, network: Network, many: int, seed: int) -> Iterator[Case]:
    """Yield cases of a shop, as often as they come there: some twenty answers each, and the cause."""
    draw = np.random.default_rng([seed, 2])
    shares = np.exp(network.log_prior[1:])
    results = knowledge.result_questions()
    rest = [q for q in knowledge.questions if q not in results and knowledge.questions[q].role not in ("defect", "defect-again")]
    defect = knowledge.by_role("defect")
    assert defect is not None
    for number in range(many):
        row = 1 + int(draw.choice(len(shares), p=shares / shares.sum()))
        worker = Worker(knowledge, network, row, (seed, number))
        case = Case(f"case-{seed}-{number:05}", title=f"Print {number}", outcome="cured", cause=network.causes[row - 1])
        case.started = case.changed = f"2026-01-01T{number // 3600 % 24:02}:{number // 60 % 60:02}:{number % 60:02}+00:00"
        case.answers[defect.id] = worker.say(defect.id)
        known = {network.index[defect.id]: network.nodes[network.index[defect.id]].states.index(case.answers[defect.id][0])}  # type: ignore[index]
        for question in draw.permutation(rest):
            if len(case.answers) >= ASKED:
                break
            if applies(network, str(question), known):
                said = worker.say(str(question))
                case.answers[str(question)] = None if said == ("unknown",) else said
                first = network.of[str(question)][0]
                if said != ("unknown",) and network.nodes[first].option is None:
                    known[first] = network.nodes[first].states.index(said[0])
        yield case
