"""Invented people with a bad print: their cause is known, their answers are drawn from the rules and then spoilt.

Each has frequencies of their own, those of the rules jittered by a normal number of 0.7 in log-odds, for rules are only
estimates; one answer in ten is a slip, drawn as the answers usually come (what a slip is in the reasoning too), and 15 in 100 questions get "don't know". What
the part shows is looked at by everybody, so the main defect is never unknown (but can be a slip). Asked for it a second
time, as many only repeat what they said as the rules take for granted; the others look, and one in ten slips anew.

Every question and every answer draws from a generator of its own, so that what somebody says hangs neither on the order
of the questions nor on which others the rules have: two versions of the program meet the same people.
"""

from __future__ import annotations

import zlib
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import ClassVar

import numpy as np

from diagnose.knowledge.pack import Knowledge
from diagnose.reasoning.inference import Seen, applies, log_likelihood, posterior
from diagnose.reasoning.inquiry import ENOUGH, gains, pace
from diagnose.reasoning.network import YES, Network
from diagnose.triage import Triage

JITTER = 0.7
SLIPS = 0.10
DONT_KNOW = 0.15
MOST_QUESTIONS = 80

Choose = Callable[[Triage], str | None]
"""A way to interview: the next question, or None when no more is worth asking."""


@dataclass
class Person:
    """Somebody whose print has a known cause; asked twice, they say the same."""

    knowledge: Knowledge
    network: Network
    row: int
    seed: tuple[int, ...]
    """Of this person: causes are told apart by their ids, so that another cause in the rules changes nobody else."""
    jitter: ClassVar[float] = JITTER
    truth: dict[int, int] = field(default_factory=dict)
    said: dict[str, tuple[str, ...]] = field(default_factory=dict)

    def say(self, question: str) -> tuple[str, ...]:
        """Return the reply to a question: its answers, or `unknown`."""
        if question not in self.said:
            self.said[question] = self._reply(question)
        return self.said[question]

    def drawn_for(self, what: str) -> np.random.Generator:
        """Return the chance of one thing about this person: what else is asked or tried changes none of it."""
        cause = self.network.causes[self.row - 1]
        return np.random.default_rng([*self.seed, zlib.crc32(cause.encode()), zlib.crc32(what.encode())])

    def _reply(self, question: str) -> tuple[str, ...]:
        rng = self.drawn_for(f"reply {question}")
        if self.knowledge.questions[question].role == "defect-again":
            return self._look_again(question, rng)
        nodes = self.network.of[question]
        true = [self._true(i) for i in nodes]
        if self.knowledge.questions[question].role != "defect" and rng.random() < DONT_KNOW:
            return ("unknown",)
        several = self.network.kind[question] == "several"
        slip = rng.random() < SLIPS
        at = int(rng.integers(len(nodes))) if several else 0
        if slip:
            true[at] = 1 - true[at] if several else self._usual(nodes[0], rng)
        if several:
            return tuple(
                str(self.network.nodes[i].option) for i, state in zip(nodes, true, strict=True) if state == YES
            )
        return (self.network.nodes[nodes[0]].states[true[0]],)

    def _look_again(self, question: str, rng: np.random.Generator) -> tuple[str, ...]:
        """Say what the print shows, or only repeat what was said at first, or slip anew."""
        first = self.knowledge.by_role("defect")
        assert first is not None
        (node,) = self.network.of[first.id]
        if rng.random() < self.knowledge.questions[question].slips.value:
            return self.say(first.id)
        slip = rng.random() < SLIPS
        return (self.network.nodes[node].states[self._usual(node, rng) if slip else self._true(node)],)

    def _usual(self, i: int, rng: np.random.Generator) -> int:
        """Draw what people say who look at something else: row 0 of a table shows everything as usual."""
        known = {c: self._context(c) for c in self.network.nodes[i].contexts}
        shares = self.network.reported(i, known, 0.0)[0][0]
        return int(rng.choice(len(shares), p=shares / shares.sum()))

    def _true(self, i: int) -> int:
        """Draw what this person's print shows of a node, what it hangs on first."""
        if i not in self.truth:
            node = self.network.nodes[i]
            known = {c: self._context(c) for c in node.contexts}
            table, _ = self.network.reported(i, known, 0.0)
            rng = self.drawn_for(node.id)
            odds = np.log(table[self.row]) - np.log1p(-np.minimum(table[self.row], 1 - 1e-9))
            shares = 1.0 / (1.0 + np.exp(-(odds + self.jitter * rng.standard_normal(len(odds)))))
            self.truth[i] = int(rng.choice(len(shares), p=shares / shares.sum()))
        return self.truth[i]

    def _context(self, i: int) -> int:
        node = self.network.nodes[i]
        shut = any(not any(opens[self._context(m)] for m, opens in group) for group in node.gates)
        return len(node.states) if shut else self._true(i)


@dataclass(frozen=True)
class Interview:
    """How one interview ended."""

    cause: str
    place: int
    """Of the true cause in the ranking, from 1."""
    questions: int
    share: float
    """Of the true cause."""
    leader: float


def interview(person: Person, choose: Choose) -> Interview:
    """Ask until a cause holds 90 % or ``choose`` has no more questions."""
    triage = Triage(person.knowledge, network=person.network)
    asked = 0
    while asked < MOST_QUESTIONS and triage.standing.shares[1:].max() < ENOUGH:
        question = choose(triage)
        if question is None:
            break
        triage.answer(question, *(person.say(question) or ()))
        asked += 1
    shares = triage.standing.shares
    place = 1 + int((shares[1:] > shares[person.row]).sum())
    cause = person.network.causes[person.row - 1]
    return Interview(cause, place, asked, float(shares[person.row]), float(shares[1:].max()))


def best_next(triage: Triage) -> str | None:
    """The program's own choice."""
    step = triage.next_question()
    return step.id if step else None


def static_orders(knowledge: Knowledge, network: Network) -> dict[str, list[str]]:
    """Return fixed orders of the questions: by what each tells on average once the defect is known, and that a minute."""
    from diagnose.knowledge.models import EFFORT_MINUTES

    defect = knowledge.by_role("defect")
    assert defect is not None
    (node,) = network.of[defect.id]
    results = knowledge.result_questions()
    asked = [q for q in knowledge.questions if q not in results and q != defect.id]
    prior = np.exp(network.log_prior)
    bits = dict.fromkeys(asked, 0.0)
    for state in range(len(network.nodes[node].states)):
        observed = {node: Seen(state)}
        base = log_likelihood(network, observed)
        shares = posterior(network, base)
        weight = float(prior @ np.exp(base))
        open_ones = [q for q in asked if defect.id not in (gate := knowledge.questions[q].ask_if)
                     or network.nodes[node].states[state] in gate[defect.id]]  # fmt: skip
        for gain in gains(network, open_ones, observed, shares, only_open=False):
            bits[gain.about] += weight * gain.bits
    first = [defect.id, *([danger.id] if (danger := knowledge.danger_question()) else [])]
    rest = [q for q in asked if q not in first]
    minutes = {q: EFFORT_MINUTES[knowledge.questions[q].effort] for q in rest}
    return {
        "most told first": first + sorted(rest, key=lambda q: -bits[q]),
        "most told a minute first": first + sorted(rest, key=lambda q: -pace(bits[q], minutes[q])),
    }


def in_order(order: Sequence[str]) -> Choose:
    """Interview in a fixed order, questions that do not apply passed over, while any open question is worth asking."""

    def choose(triage: Triage) -> str | None:
        if triage.next_question() is None:
            return None
        known = {i: seen.state for i, seen in triage.standing.observed.items()}
        left = (q for q in order if q not in triage.case.answers)
        return next((q for q in left if applies(triage.network, q, known)), None)

    return choose


def people(knowledge: Knowledge, network: Network, each: int, seed: int) -> list[Person]:
    """Return as many people for every cause; the same seed gives the same people."""
    return [
        Person(knowledge, network, row, (seed, n)) for row in range(1, len(network.causes) + 1) for n in range(each)
    ]
