"""Entries of the rules as pages of a manual: the same text for every face."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from math import log10
from typing import Literal

from diagnose.cases.journal import Case
from diagnose.knowledge.models import FREE_SOURCES, OPTION_USUAL, Cause, Costed, Evidence, Finding, Question
from diagnose.knowledge.pack import Knowledge
from diagnose.reasoning.ledger import strength
from diagnose.reasoning.network import Network, stated_shares, usual_shares
from diagnose.triage.reach import rivals
from diagnose.triage.wording import cost, decibans, often, times

MOST_CASES = 5
RIVALS = 3
RATE_WORDS = {
    "everyday": "Among the commonest causes of bad prints.", "common": "A common cause of bad prints.",
    "occasional": "An occasional cause of bad prints.", "uncommon": "An uncommon cause of bad prints.",
    "rare": "A rare cause of bad prints.",
}  # fmt: skip

Tone = Literal["plain", "strong", "quiet", "caution"]


@dataclass(frozen=True, slots=True)
class Line:
    """A paragraph of a page."""

    text: str
    tone: Tone = "plain"
    inside: int = 0
    """How deep it stands below what it belongs to."""


@dataclass(frozen=True, slots=True)
class Section:
    """A part of a page with its heading."""

    title: str
    lines: tuple[Line, ...]


@dataclass(frozen=True, slots=True)
class Weighed:
    """A line of evidence with what its answer does to the cause, in decibans, and what any other answer does."""

    line: Evidence
    seen: float
    """Decibans of the answer, against a print whose cause has nothing to do with the question."""
    otherwise: float | None
    """Decibans of every other answer; None where other lines speak of them."""
    usual: float


def cause_page(knowledge: Knowledge, network: Network, cause: Cause, cases: Sequence[Case] = ()) -> list[Section]:
    """Return all that the rules say of a cause, and the closed cases that it was the cause of."""
    weighed = [weigh(knowledge, cause, line) for line in cause.evidence]
    speaking = sorted((w for w in weighed if w.seen >= 0), key=lambda w: -w.seen)
    against = sorted((w for w in weighed if w.seen < 0), key=lambda w: w.seen)
    sections = [
        Section("What it is", (Line(cause.about), Line(f"{RATE_WORDS[cause.rate]} Family: {cause.family}.", "quiet"))),
        Section("How it looks", tuple(_looks(knowledge, cause))),
        Section("What speaks for it", tuple(x for w in speaking for x in _evidence(knowledge, cause, w))),
        Section("What speaks against it", tuple(x for w in against for x in _evidence(knowledge, cause, w))),
        Section("What it is mistaken for", tuple(_mistaken(knowledge, network, cause))),
        Section("How to confirm it", tuple(_tests(knowledge, cause))),
        Section("How to cure it", tuple(x for r in cause.remedies for x in costed_lines(knowledge.remedies[r]))),
        Section("Where this is from", tuple(_sources(knowledge, cause))),
        Section("Cases", tuple(_cases(knowledge, cause, cases))),
    ]
    return [section for section in sections if section.lines]


def weigh(knowledge: Knowledge, cause: Cause, line: Evidence) -> Weighed:
    """Return what a line of evidence does, taken alone: as people report it, slips and all.

    Contexts are taken to hold; ``usual`` is that of the defect the cause leaves most often.
    """
    asked = knowledge.asked(line.about)
    assert asked is not None  # the pack is checked
    defect = max(cause.defects, key=lambda d: cause.defects[d].value)
    slips = asked.slips.value if isinstance(asked, Question) else 0.0
    if isinstance(asked, Question) and asked.kind == "several":
        stated = next(a for a in asked.answers if a.id == line.answer).usual_for(defect)
        usual = OPTION_USUAL if stated is None else stated
        told = 1.0 - asked.missed.value
        seen = ((1 - slips) * line.seen.value + slips * usual) * told
        return Weighed(line, _db(seen, usual * told), _db(1 - seen, 1 - usual * told), usual)
    shares = usual_shares(asked.answers, defect)
    names = [a.id for a in asked.answers]
    place = names.index(line.answer)
    same = {names.index(e.answer): e.seen.value for e in cause.evidence if e.about == line.about and e.given == line.given}
    star = stated_shares({**same, place: line.seen.value}, shares)
    seen = (1 - slips) * float(star[place]) + slips * float(shares[place])
    usual = float(shares[place])
    return Weighed(line, _db(seen, usual), _db(1 - seen, 1 - usual) if same.keys() <= {place} else None, usual)


def _db(one: float, other: float) -> float:
    return 10.0 * log10(max(one, 1e-9) / max(other, 1e-9))


def _looks(k: Knowledge, cause: Cause) -> Iterator[Line]:
    question = k.by_role("defect")
    say = {a.id: a.say for a in question.answers} if question else {}
    for defect, seen in sorted(cause.defects.items(), key=lambda pair: -pair[1].value):
        yield Line(f"{say.get(defect, defect)}: {often(seen.said)}")


def _evidence(k: Knowledge, cause: Cause, w: Weighed) -> Iterator[Line]:
    asked = k.asked(w.line.about)
    assert asked is not None
    answer = next(a for a in asked.answers if a.id == w.line.answer)
    name = asked.name if isinstance(asked, Finding) else asked.ask
    given = "".join(f", when {condition(k, about, answers)}" for about, answers in w.line.given.items())
    other = "" if w.otherwise is None else f"; any other answer {signed(w.otherwise)}"
    yield Line(f"{name} {answer.say}{given}", "strong")
    yield Line(
        f"{often(w.line.seen.said)} with this cause, in {_of_ten(w.usual)} of others: {signed(w.seen)} dB, {strength(w.seen)}{other}",
        inside=1,
    )
    where = k.lines.get((cause.id, cause.evidence.index(w.line)))
    yield Line(f"{w.line.because}" + (f" [{where}]" if where else ""), "quiet", inside=1)


def condition(k: Knowledge, about: str, answers: Sequence[str]) -> str:
    """Return in words that a question or finding has one of some answers."""
    asked = k.asked(about)
    say = {a.id: a.say for a in asked.answers} if asked else {}
    name = about if asked is None else asked.name if isinstance(asked, Finding) else asked.ask
    return f"“{name}” is “{' or '.join(say.get(a, a) for a in answers)}”"


def _of_ten(share: float) -> str:
    return f"{10 * share:.0f} of 10" if share >= 0.095 else f"{100 * share:.0f} of 100" if share >= 0.0095 else f"{1000 * share:.0f} of 1000"


def signed(value: float) -> str:
    """Return decibans without the gap behind the sign."""
    return decibans(value).replace(" ", "")


def _mistaken(k: Knowledge, network: Network, cause: Cause) -> Iterator[Line]:
    if cause.misleads:
        yield Line(cause.misleads)
    near = [(k.causes[id].name, share) for id, share in rivals(k, network, cause.id, RIVALS)]
    if near:
        yield Line("Nearest to it in a plain case: " + "; ".join(name for name, _ in near) + ".", "quiet")


def _tests(k: Knowledge, cause: Cause) -> Iterator[Line]:
    for id in cause.confirm:
        test = k.tests[id]
        yield from costed_lines(test)
        yield Line(f"How to read it: {test.how_to_read}", inside=1)


def costed_lines(entry: Costed) -> Iterator[Line]:
    """Yield what a test or remedy asks of a person: what to mind, to do, to pay, and what it gives up."""
    yield Line(f"{entry.name} [{entry.id}]", "strong")
    if entry.caution:
        yield Line(entry.caution, "caution", inside=1)
    yield Line(entry.do, inside=1)
    yield Line(f"Costs {cost(entry.minutes, entry.machine_minutes, entry.grams, entry.money)}.", "quiet", inside=1)
    if entry.wear:
        yield Line(f"It wears: {entry.wear}", inside=1)
    if entry.gives_up:
        yield Line(f"It gives up: {entry.gives_up}", inside=1)


def _sources(k: Knowledge, cause: Cause) -> Iterator[Line]:
    origin = k.origins["causes", cause.id]
    over = f", over {origin.over} (pack {origin.over.pack})" if origin.over else ""
    yield Line(f"Written at {origin}, pack {origin.pack}{over}.")
    named = dict.fromkeys(s for s in (cause.source, *(e.source for e in cause.evidence)) if s)
    for source in named:
        yield Line(source if source in FREE_SOURCES else k.sources[source].cite)
    if not named:
        yield Line("common practice")


def _cases(k: Knowledge, cause: Cause, cases: Sequence[Case]) -> Iterator[Line]:
    closed = [case for case in cases if case.cured and cause.id in case.cured.causes]
    for case in closed[:MOST_CASES]:
        remedy = k.remedies.get(case.cured.remedy) if case.cured else None
        by = f", cured by: {remedy.name}" if remedy else ""
        yield Line(f"{case.title or case.id}{by}")
    if len(closed) > MOST_CASES:
        yield Line(f"and {times(len(closed) - MOST_CASES, 'more case')} of yours", "quiet")
    examples = sum(any(e.first == cause.id for e in x.expect) for x in k.examples)
    yield Line(f"{times(examples, 'worked example')} of the rules put it first.", "quiet")
