"""What a change of the rules does: which rankings move, from what to what, before anything is kept."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from typing import Any, Literal

from diagnose.cases.book import Casebook
from diagnose.cases.solved import Placed
from diagnose.errors import BadInput
from diagnose.knowledge.models import Example
from diagnose.knowledge.pack import Knowledge
from diagnose.reasoning.network import Network, compile_network
from diagnose.triage.case import Triage
from diagnose.triage.examples import failures, open_example

UNEXPLAINED = ""
"""Stands for *something not in the rules* among shares by cause."""
NOTICED = 0.01
"""A ranking of which less than this share changes hands has not moved."""
FIRST = 3

Kind = Literal["example", "solved", "open"]


@dataclass(frozen=True, slots=True)
class Rules:
    """A state of the rules, compiled."""

    knowledge: Knowledge
    network: Network

    @classmethod
    def of(cls, knowledge: Knowledge) -> Rules:
        return cls(knowledge, compile_network(knowledge))


@dataclass(frozen=True, slots=True)
class Situation:
    """A print to rank by two states of the rules."""

    name: str
    kind: Kind
    opened: Callable[[Rules], Triage]
    """Raises BadInput where the rules do not know what the print's answers speak of."""
    example: Example | None = None


@dataclass(frozen=True, slots=True)
class Moved:
    """What a change of the rules does to one print."""

    name: str
    kind: Kind
    before: dict[str, float] | None
    """Share by cause, greatest first; None where the rules did not know what its answers speak of."""
    after: dict[str, float] | None
    failed_before: tuple[str, ...] = ()
    """Of a worked example: what did not come out as it says."""
    failed_after: tuple[str, ...] = ()
    new: bool = False
    """Whether it is a worked example that comes with the change."""

    @property
    def share(self) -> float:
        """How much of the whole changes hands, from 0 to 1; 1 where only one state of the rules can rank it."""
        if self.before is None or self.after is None:
            return 0.0 if self.before is self.after else 1.0
        causes = self.before.keys() | self.after.keys()
        return 0.5 * sum(abs(self.before.get(c, 0.0) - self.after.get(c, 0.0)) for c in causes)

    @property
    def breaks(self) -> bool:
        """Whether a worked example comes out as it says no longer, or never did, or cannot be ranked any more."""
        return self.after is None or bool(self.failed_after and (self.new or not self.failed_before))

    @property
    def noticed(self) -> bool:
        return self.share >= NOTICED or self.breaks or self.failed_before != self.failed_after


def worked_examples(*states: Rules) -> Iterator[Situation]:
    """Yield the worked examples of all states, each once, the last wording of those of one name."""
    named = {example.name: example for rules in states for example in rules.knowledge.examples}
    for example in named.values():
        yield Situation(example.name, "example", lambda rules, e=example: open_example(rules.knowledge, rules.network, e), example)  # type: ignore[misc]


def solved_cases(cases: Iterable[Placed]) -> Iterator[Situation]:
    """Yield solved cases."""
    for placed in cases:
        case = placed.case
        example = Example.model_construct(name=case.id, answers=case.answers, findings=case.findings, expect=())
        yield Situation(case.id, "solved", lambda rules, e=example: open_example(rules.knowledge, rules.network, e))  # type: ignore[misc]


def open_cases(casebook: Casebook) -> Iterator[Situation]:
    """Yield the cases of a casebook that are not closed; damaged ones are passed over."""
    for case in casebook.cases():
        if case.cured is None and case.answers:
            yield Situation(
                case.title or case.id, "open",
                lambda rules, id=case.id: Triage.resume(rules.knowledge, casebook, id, rules.network),  # type: ignore[misc]
            )  # fmt: skip


def case_at_hand(triage: Triage) -> Iterator[Situation]:
    """Yield the case that is open; nothing where it is kept nowhere, for then no other rules can open it."""
    journal = triage.journal
    if journal is not None:
        yield Situation(triage.case.title or triage.case.id, "open", lambda rules: Triage(rules.knowledge, journal, rules.network))


def compare(before: Rules, after: Rules, situations: Iterable[Situation]) -> list[Moved]:
    """Rank every print by both states of the rules; most moved first."""
    found = [_compared(before, after, situation) for situation in situations]
    return sorted(found, key=lambda m: (not m.breaks, -m.share, m.name))


def _compared(before: Rules, after: Rules, situation: Situation) -> Moved:
    shares: list[dict[str, float] | None] = []
    failed: list[tuple[str, ...]] = []
    for rules in (before, after):
        try:
            triage = situation.opened(rules)
        except BadInput:
            shares.append(None)
            failed.append(())
            continue
        shares.append(_shares(triage))
        failed.append(tuple(map(str, failures(situation.example, triage))) if situation.example else ())
    new = situation.example is not None and all(e.name != situation.name for e in before.knowledge.examples)
    return Moved(situation.name, situation.kind, shares[0], shares[1], failed[0], failed[1], new)


def _shares(triage: Triage) -> dict[str, float]:
    shares = {suspect.id: suspect.probability for suspect in triage.ranking()}
    shares[UNEXPLAINED] = triage.unexplained
    return dict(sorted(shares.items(), key=lambda pair: -pair[1]))


def effect_json(moved: Sequence[Moved]) -> dict[str, Any]:
    """Return the JSON of `rules try`: how many prints were ranked, and those that move, with their first suspects.

    The share of *something not in the rules* has an empty id. ``before`` is null where the rules did not know what the
    print's answers speak of.
    """

    def first(shares: dict[str, float] | None) -> list[dict[str, Any]] | None:
        if shares is None:
            return None
        return [{"id": id, "probability": share} for id, share in list(shares.items())[:FIRST]]

    return {
        "ranked": {kind: sum(m.kind == kind for m in moved) for kind in ("example", "solved", "open")},
        "moved": [
            {"name": m.name, "kind": m.kind, "share": m.share, "breaks": m.breaks, "before": first(m.before),
             "after": first(m.after), "failures": list(m.failed_after)}
            for m in moved if m.noticed
        ],
        "breaks": sum(m.breaks for m in moved),
    }  # fmt: skip
