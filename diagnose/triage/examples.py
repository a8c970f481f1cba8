"""Worked examples: run, held against what they expect, and the line of the ledger that made one fail."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from diagnose.errors import BadInput
from diagnose.knowledge.models import Example, Expect
from diagnose.knowledge.pack import Knowledge, Origin
from diagnose.reasoning.answers import EXAMPLE_CONFIDENCE
from diagnose.reasoning.network import Network
from diagnose.triage.case import Triage
from diagnose.triage.facts import Facts, triage_from
from diagnose.triage.wording import decibans


@dataclass(frozen=True, slots=True)
class Failure:
    """One thing that a worked example expects and that does not come out so."""

    cause: str
    expected: str
    got: str
    because: str
    """The piece of evidence that did most to it, with its rule; empty where no single one did."""

    def __str__(self) -> str:
        return f"{self.got}, not {self.expected}" + (f", most of all for {self.because}" if self.because else "")


@dataclass(frozen=True, slots=True)
class Outcome:
    """What a worked example came to."""

    example: Example
    origin: Origin | None
    got: str
    """The three first suspects with their shares."""
    failures: tuple[Failure, ...]

    @property
    def passed(self) -> bool:
        return not self.failures


def run_examples(knowledge: Knowledge, network: Network, containing: str = "") -> list[Outcome]:
    """Run the worked examples whose name contains a text; raises BadInput where there are none."""
    chosen = [e for e in knowledge.examples if containing.lower() in e.name.lower()]
    if not chosen:
        raise BadInput("no worked example was chosen", "leave the filter out, or add some under `examples:`")
    return [_run(knowledge, network, example) for example in chosen]


def open_example(knowledge: Knowledge, network: Network, example: Example) -> Triage:
    """Return the case of a worked example; raises BadInput where the rules do not know what it speaks of."""
    facts = Facts({question: list(given) for question, given in example.answers.items()})
    triage = triage_from(knowledge, facts, network)
    if example.findings:
        triage.believe(example.findings, EXAMPLE_CONFIDENCE)
    return triage


def _run(knowledge: Knowledge, network: Network, example: Example) -> Outcome:
    triage = open_example(knowledge, network, example)
    got = ", ".join(f"{s.id} {s.probability:.2f}" for s in triage.ranking()[:3])
    origin = knowledge.origins.get(("examples", example.name))
    return Outcome(example, origin, got, tuple(failures(example, triage)))


def failures(example: Example, triage: Triage) -> Iterator[Failure]:
    """Yield what does not come out as a worked example says."""
    for expect in example.expect:
        failure = _failure(expect, triage)
        if failure is not None:
            yield failure


def _failure(expect: Expect, triage: Triage) -> Failure | None:
    ranking = triage.ranking()
    cause = expect.first or expect.cause or ""
    place = next((n for n, s in enumerate(ranking, 1) if s.id == cause), None)
    if place is None:
        return Failure(cause, "among the causes", f"the rules have no {cause!r}", "")
    share = ranking[place - 1].probability
    if expect.first is not None and place != 1:
        return Failure(cause, "first", f"{cause} is number {place}", _held_back(triage, cause))
    if expect.above is not None and share <= expect.above:
        return Failure(cause, f"above {expect.above:g}", f"{cause} has {share:.3f}", _held_back(triage, cause))
    if expect.within_first is not None and place > expect.within_first:
        wanted = f"within the first {expect.within_first}"
        return Failure(cause, wanted, f"{cause} is number {place}", _held_back(triage, cause))
    if expect.not_above is not None and share > expect.not_above:
        return Failure(cause, f"at most {expect.not_above:g}", f"{cause} has {share:.3f}", _lifted(triage, cause))
    return None


def _held_back(triage: Triage, cause: str) -> str:
    """Return the evidence that speaks most for the first other suspect against a cause."""
    rival = next((s.id for s in triage.ranking() if s.id != cause), None)
    if rival is None:
        return ""
    own = {(line.source, line.id): line for line in triage.ledger(cause)}
    theirs = {(line.source, line.id): line for line in triage.ledger(rival)}
    telling = max(own, key=lambda key: theirs[key].decibans - own[key].decibans)
    mine, other = own[telling], theirs[telling]
    if other.decibans <= mine.decibans:
        return ""
    rule = mine.rule or other.rule
    return (
        f"{telling[1] or telling[0]}: {mine.say} ({decibans(mine.decibans).replace(' ', '')} dB for {cause}, "
        f"{decibans(other.decibans).replace(' ', '')} for {rival})" + (f" [{rule}]" if rule else "")
    )


def _lifted(triage: Triage, cause: str) -> str:
    """Return the evidence that speaks most for a cause."""
    line = max(triage.ledger(cause), key=lambda line: line.decibans)
    return f"{line.id or line.source}: {line.say} ({decibans(line.decibans).replace(' ', '')} dB)" + (f" [{line.rule}]" if line.rule else "")
