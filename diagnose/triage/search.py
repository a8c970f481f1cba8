"""Finding entries of the rules by words: causes, questions, tests, remedies, findings, materials, sources."""

from __future__ import annotations

from collections.abc import Container, Iterator, Sequence
from dataclasses import dataclass

from diagnose.knowledge.models import Costed, Finding, Question
from diagnose.knowledge.pack import Knowledge
from diagnose.letters import folded
from diagnose.triage.case import Triage

KINDS = {
    "causes": "cause", "questions": "question", "findings": "finding in a job", "tests": "test", "remedies": "remedy",
    "materials": "material", "sources": "source",
}  # fmt: skip
"""Kinds of entries, in the order in which they are listed, and a word for one of them."""
IN_NAME, IN_ID, IN_TEXT = 8, 4, 1
"""What a word is worth where it is found, doubled where it stands there as a whole word or at the beginning of one."""


IN_QUESTION = 0.01
"""Share from which a cause is one that a case touches."""


@dataclass(frozen=True, slots=True)
class Entry:
    """One entry of the rules, ready to be looked for."""

    kind: str
    id: str
    name: str
    within: str
    """What it is listed under: the family of a cause, else the word for its kind."""
    fields: tuple[tuple[int, str], ...]
    """Worth and folded text of each field, the worthiest first."""


def entries(knowledge: Knowledge) -> list[Entry]:
    """Return every entry of the rules: causes by family, then the other kinds, each in the order of its files."""
    families = list(dict.fromkeys(cause.family for cause in knowledge.causes.values()))
    causes = sorted(knowledge.causes.values(), key=lambda cause: families.index(cause.family))
    found = [_entry("causes", c.id, c.name, f"{c.about} {c.misleads or ''}", c.family) for c in causes]
    for kind, word in list(KINDS.items())[1:]:
        for id, one in getattr(knowledge, kind).items():
            name, text = _told(one)
            found.append(_entry(kind, id, name, text, word))
    return found


def find(among: Sequence[Entry], typed: str, only: Container[tuple[str, str]] | None = None) -> list[Entry]:
    """Return the entries that hold every word typed, the best first; all of them, as they come, where none is typed.

    ``only``: (kind, id) of those that may be found; all by default.
    """
    among = among if only is None else [entry for entry in among if (entry.kind, entry.id) in only]
    words = folded(typed).split()
    if not words:
        return list(among)
    worth = [(sum(each), -at, entry) for at, entry in enumerate(among) if all(each := [_worth(entry, word) for word in words])]
    return [entry for *_, entry in sorted(worth, key=lambda one: one[:2], reverse=True)]


def touched(triage: Triage) -> set[tuple[str, str]]:
    """Return (kind, id) of what a case touches: its answers, findings and remedies, and the causes that are still in question."""
    case = triage.case
    found = {("questions", id) for id in case.answers} | {("findings", one["id"]) for one in triage.found()}
    found |= {("remedies", id) for id in case.tried}
    return found | {("causes", s.id) for s in triage.ranking() if s.probability >= IN_QUESTION}


def _worth(entry: Entry, word: str) -> int:
    """Return what a word is worth in an entry, 0 where it is not in it."""
    for worth, text in entry.fields:
        at = text.find(word)
        if at >= 0:
            begins = f" {word}" in f" {text}"
            return worth * (2 if begins else 1)
    return 0


def _entry(kind: str, id: str, name: str, text: str, within: str) -> Entry:
    fields = ((IN_NAME, folded(name)), (IN_ID, f"{id} {id.replace('-', ' ')}"), (IN_TEXT, f"{folded(text)} {KINDS[kind]}"))
    return Entry(kind, id, name, within, fields)


def _told(one: object) -> tuple[str, str]:
    """Return the name of an entry, and what else it says."""
    if isinstance(one, Question):
        return one.ask, " ".join([one.look or "", *(a.say for a in one.answers)])
    if isinstance(one, Finding):
        return one.name, " ".join([one.explain, *(a.say for a in one.answers)])
    if isinstance(one, Costed):
        return one.name, one.do
    name = str(getattr(one, "name", "") or getattr(one, "cite", ""))
    return name, " ".join(_texts(one))


def _texts(one: object) -> Iterator[str]:
    for name in ("about", "cite", "notes"):
        if isinstance(said := getattr(one, name, None), str):
            yield said
