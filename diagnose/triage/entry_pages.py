"""Every kind of entry of the rules as a page of the manual; causes have theirs in `manual`."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from pydantic import BaseModel

from diagnose.cases.journal import Case
from diagnose.errors import BadInput
from diagnose.knowledge.models import EFFORT_MINUTES, FREE_SOURCES, ConfirmingTest, Costed, Finding, Question, Remedy
from diagnose.knowledge.pack import Knowledge
from diagnose.reasoning.network import Network
from diagnose.triage.manual import Line, Section, cause_page, condition, costed_lines, signed, weigh
from diagnose.triage.wording import often, percent

FEW = 12
"""Causes named for and against an answer, at most."""
LEAST_DB = 0.5
"""Decibans under which an answer hardly speaks for or against a cause."""


def entry_page(knowledge: Knowledge, network: Network, kind: str, id: str, cases: Sequence[Case] = ()) -> list[Section]:
    """Return all that the rules say of one entry.

    Raises
    ------
    BadInput
        There is no such entry.
    """
    entry = getattr(knowledge, kind).get(id)
    if entry is None:
        raise BadInput(f"the rules have no {id!r} among their {kind}", "search for it")
    if kind == "causes":
        return cause_page(knowledge, network, entry, cases)
    if isinstance(entry, Question | Finding):
        sections = list(_asked(knowledge, entry))
    elif isinstance(entry, Costed):
        sections = list(_costed(knowledge, entry))
    else:
        sections = [Section("What it says", tuple(_fields(entry)))]
    if kind == "sources":
        sections.append(Section("Cited by", tuple(_citing(knowledge, id))))
    sections.append(Section("Where this is from", tuple(_origin(knowledge, kind, id, getattr(entry, "source", None)))))
    return [section for section in sections if section.lines]


def _asked(k: Knowledge, entry: Question | Finding) -> Iterator[Section]:
    if isinstance(entry, Question):
        told = [Line(entry.look)] if entry.look else []
        told.append(Line(f"It takes {EFFORT_MINUTES[entry.effort]:g} min ({entry.effort}).", "quiet"))
        if entry.kind == "several":
            told.append(Line("Several answers may hold.", "quiet"))
        for about, answers in entry.ask_if.items():
            told.append(Line(f"Asked when {condition(k, about, answers)}.", "quiet"))
        if entry.measured_by:
            told.append(Line("Not asked once marks are measured: they tell it better.", "quiet"))
        fills = [f.name for f in k.findings.values() if f.fills == entry.id]
        told += [Line(f"A job file answers it: {name}", "quiet") for name in fills]
        yield Section("How to look", tuple(told))
    else:
        yield Section("What it means", (Line(entry.explain),))
        if entry.fills and entry.fills in k.questions:
            yield Section("The question it answers", (Line(k.questions[entry.fills].ask),))
    said: list[Line] = []
    for answer in entry.answers:
        usual = answer.usual_for(None)
        often_of = "" if usual is None else f"  usual: {percent(usual)} of bad prints, whatever ails them"
        said.append(Line(f"{answer.picture or ''}  {answer.say} [{answer.id}]".strip(), "strong"))
        if answer.stop:
            said.append(Line(answer.stop, "caution", inside=1))
        if often_of:
            said.append(Line(often_of.strip(), "quiet", inside=1))
        said += _speaking(k, entry.id, answer.id)
    yield Section("Answers, and what they speak for", tuple(said))


def _speaking(k: Knowledge, about: str, answer: str) -> Iterator[Line]:
    found = []
    for cause in k.causes.values():
        for line in cause.evidence:
            if line.about == about and line.answer == answer:
                found.append((weigh(k, cause, line).seen, cause, line))
    telling = sorted((one for one in found if abs(one[0]) >= LEAST_DB), key=lambda one: -abs(one[0]))
    for decibans, cause, line in telling[:FEW]:
        given = "".join(f", when {condition(k, id, answers)}" for id, answers in line.given.items())
        yield Line(f"{signed(decibans)} dB  {cause.name}: {often(line.seen.said)}{given}. {line.because}", inside=1)
    if len(telling) > FEW:
        yield Line(f"and {len(telling) - FEW} more", "quiet", inside=1)


def _costed(k: Knowledge, entry: Costed) -> Iterator[Section]:
    yield Section("What to do", tuple(costed_lines(entry)))
    if isinstance(entry, ConfirmingTest):
        yield Section("How to read it", (Line(entry.how_to_read),))
        question = k.questions.get(entry.question)
        if question is not None:
            yield Section("Its result answers", (Line(question.ask, "strong"), *(Line(a.say, inside=1) for a in question.answers)))
        yield Section("It confirms", tuple(Line(c.name) for c in k.causes.values() if entry.id in c.confirm))
    if isinstance(entry, Remedy):
        yield Section("It cures", tuple(Line(c.name) for c in k.causes.values() if entry.id in c.remedies))
        yield Section("How surely", (Line(f"Where one of these is the cause: {often(entry.sure.said)}"),))


def _fields(entry: object) -> Iterator[Line]:
    """Yield what an entry of another kind says, field by field; numbers that belong together on one line with their source."""
    for name in type(entry).model_fields:  # type: ignore[attr-defined]
        value = getattr(entry, name)
        if name in ("id", "replaces", "source") or value is None or value == ():
            continue
        note = getattr(value, "note", None)
        yield Line(f"{name.replace('_', ' ')}: {_plainly(value)}")
        if note:
            yield Line(note, "quiet", inside=1)


def _plainly(value: object) -> str:
    if isinstance(value, BaseModel):
        parts = [
            f"{name.replace('_', ' ')} {_plainly(getattr(value, name))}"
            for name in type(value).model_fields
            if name not in ("source", "note") and getattr(value, name) is not None
        ]
        return ", ".join(parts) + (f" ({source})" if (source := getattr(value, "source", None)) else "")
    if isinstance(value, float):
        return f"{value:g}"
    return ", ".join(map(_plainly, value)) if isinstance(value, tuple | list) else str(value)


def _citing(k: Knowledge, source: str) -> Iterator[Line]:
    for kind in ("causes", "questions", "findings", "tests", "remedies", "materials"):
        for entry in getattr(k, kind).values():
            lines = [e.source for e in getattr(entry, "evidence", ())]
            if source in (entry.source, *lines):
                yield Line(f"{getattr(entry, 'name', '') or getattr(entry, 'ask', entry.id)} [{entry.id}]")


def _origin(k: Knowledge, kind: str, id: str, source: str | None) -> Iterator[Line]:
    origin = k.origins[kind, id]
    over = f", over {origin.over} (pack {origin.over.pack})" if origin.over else ""
    yield Line(f"Written at {origin}, pack {origin.pack}{over}.")
    if source:
        yield Line(source if source in FREE_SOURCES or source not in k.sources else k.sources[source].cite)
