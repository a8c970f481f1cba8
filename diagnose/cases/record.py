"""A closed case as a file of its own: for people to read and keep, for the program to learn from.

It holds what was seen, what was tried, what cured, what the ranking and the ledger were at the time, and at its end the
journal of the case as it was written, byte for byte, so that the case can be opened again. Files of earlier versions are
read as if they had been written today (`MIGRATIONS`); they are rewritten only when the case changes.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Annotated, Any, Literal

import yaml
from pydantic import BeforeValidator, Field

from diagnose.cases.journal import Case
from diagnose.errors import BadInput, visible
from diagnose.knowledge.models import Id, Ids, Part, Text
from diagnose.knowledge.pack import validated
from diagnose.knowledge.reader import Document, Problem, read

SUFFIX = ".yaml"
VERSION = 2
MIGRATIONS: Mapping[int, Callable[[dict[str, Any]], dict[str, Any]]] = {
    # Version 1 is what the demo's answers files were: a source, no outcome.
    1: lambda data: {"outcome": "cured", **{k: v for k, v in data.items() if k != "marks"}, "version": "2"},
}
"""Version to what makes its data those of the next."""

HEAD = "# A closed case. The journal at its end is what was said, in order; the rest is made from it.\n"
Outcome = Literal["cured", "helped", "unsolved", "nothing-wrong"]


class FileTaken(Part):
    """A file that belongs to a case, by name and content: it is not kept here."""

    name: Text
    path: Text | None = None
    sha256: Annotated[str, Field(pattern="^[0-9a-f]{64}$")] | None = None
    bytes: int | None = Field(None, ge=0)


class Believed(Part):
    """What the job file showed, and how far it was believed."""

    answer: Id
    confidence: float = Field(0.95, ge=0, le=1)


class Share(Part):
    """A suspect at the time of closing."""

    cause: Id
    share: float = Field(ge=0, le=1)


class Weight(Part):
    """A line of the ledger of the cause at the time of closing."""

    about: Text
    answer: Text
    decibans: float
    rule: Text | None = None


class Ruleset(Part):
    """A pack that was in force."""

    name: Text
    version: Text


def _journal(raw: Any) -> Any:
    return "" if raw is None else raw


class Record(Part):
    """One closed case."""

    version: Literal["2"] = "2"
    id: Annotated[str, Field(pattern="^[a-z0-9][a-z0-9-]{0,79}$")]
    title: Text | None = None
    source: Text | None = None
    """Where the case is told, of one that was not solved here."""
    started: Text | None = None
    closed: Text | None = None
    outcome: Outcome = "cured"
    cause: Id | None = None
    """What it was; empty where nothing was wrong, or it was never found."""
    other_causes: Ids = ()
    """What the remedy is against as well, and was likely then."""
    remedy: Id | None = None
    follows: Text | None = None
    printer: Text | None = None
    material: Id | None = None
    job: FileTaken | None = None
    marks: FileTaken | None = None
    answers: dict[Id, Ids] = Field(default_factory=dict)
    """Question to its answers; an empty list where one could not tell, or none of several held."""
    findings: dict[Id, Believed] = Field(default_factory=dict)
    tried: dict[Id, Id] = Field(default_factory=dict)
    notes: tuple[Text, ...] = ()
    pictures: tuple[FileTaken, ...] = ()
    rules: tuple[Ruleset, ...] = ()
    ranking: tuple[Share, ...] = ()
    ledger: tuple[Weight, ...] = ()
    journal: Annotated[str, BeforeValidator(_journal)] = ""


def as_yaml(record: Record) -> str:
    """Return a record as the text of its file."""
    data = record.model_dump(mode="json", exclude_none=True)
    kept = {k: v for k, v in data.items() if v not in ([], {}, "")}
    if "answers" in kept:
        kept["answers"] = {q: a[0] if len(a) == 1 else a for q, a in kept["answers"].items()}
    kept = {"version": int(record.version), **{k: v for k, v in kept.items() if k != "version"}}
    return HEAD + yaml.dump(kept, Dumper=_Dumper, allow_unicode=True, sort_keys=False, width=110)


class _Dumper(yaml.SafeDumper):
    """Texts of several lines as blocks; words that some reader of YAML takes for something else in quotes."""

    def ignore_aliases(self, data: Any) -> bool:
        return True


def _text(dumper: yaml.SafeDumper, text: str) -> yaml.Node:
    block = "\n" in text and all(c.isprintable() or c == "\n" for c in text)
    return dumper.represent_scalar("tag:yaml.org,2002:str", text, style="|" if block else None)


_Dumper.add_representer(str, _text)


def read_record(path: Path) -> Record:
    """Read the file of a closed case; raises BadInput with its place for one that is none."""
    document, problems = read(path, remember=False)
    record = record_of(document, problems)
    if record is None:
        first = min(problems)
        raise BadInput(f"the case cannot be read: {first.what}", first.instead, f"{first.file}:{first.line}:{first.column}")
    return record


def record_of(document: Document, problems: list[Problem]) -> Record | None:
    """Return a document as a record; None, with the faults added to ``problems``, where it is none."""
    data = document.data
    if not isinstance(data, dict):
        if not problems:
            problems.append(Problem(document.file, 1, 1, "", "is no case", "restore the file from a copy"))
        return None
    said = str(data.get("version", "1"))
    if not said.isdigit() or int(said) > VERSION:
        line, column = document.place(("version",))
        problems.append(Problem(document.file, line, column, "", f"was written by a later version of the program (cases of version {said})", "bring the program up to date"))
        return None
    for version in range(int(said), VERSION):
        data = MIGRATIONS[version](data)
    found = validated(Record, data, document, (), str(data.get("id", "")), problems)
    return found if isinstance(found, Record) else None


def is_record(data: Any) -> bool:
    """Return whether plain data of a file is meant as a closed case rather than a list of cases or something else."""
    return isinstance(data, dict) and "id" in data and "answers" in data and ("cause" in data or "outcome" in data)


def bare(case: Case) -> Record:
    """Return a closed case as a record without what only the rules can add: ranking, ledger, material."""
    cured = case.cured
    given = {q: list(a) for q, a in case.answers.items() if a is not None}
    found = (case.job or {}).get("findings", [])
    return Record.model_validate({
        "id": case.id, "title": _clean(case.title), "started": case.started or None, "closed": case.changed or None,
        "outcome": case.outcome or ("cured" if cured else "unsolved"),
        "cause": case.cause or (cured.causes[0] if cured and cured.causes else None),
        "other_causes": list(cured.causes[1:]) if cured else [],
        "remedy": cured.remedy if cured else None, "follows": case.follows or None,
        "printer": _clean(case.printer), "answers": given,
        "findings": {f["id"]: {"answer": f["answer"], "confidence": f["confidence"]} for f in found},
        "tried": case.tried, "notes": [_clean(note) for note in case.notes],
        "pictures": [_file({"path": p}) for p in case.pictures],
        "job": _file(case.job), "marks": _file(case.marks, "source"),
    })  # fmt: skip


def _clean(text: str | None) -> str | None:
    """Return a text as a record takes it: titles and names of files may hold anything."""
    return " ".join(visible(text).encode("utf-8", "backslashreplace").decode().split()) or None if text else None


def _file(taken: Mapping[str, Any] | None, key: str = "path") -> dict[str, Any] | None:
    if not taken or not taken.get(key):
        return None
    path = str(taken[key])
    return {"name": _clean(Path(path).name or path), "path": _clean(path), "sha256": taken.get("sha256"), "bytes": taken.get("bytes")}


def journal_text(events: list[dict[str, Any]]) -> str:
    """Return events as the lines of a journal."""
    return "".join(json.dumps(event, ensure_ascii=False) + "\n" for event in events)
