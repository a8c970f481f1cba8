"""Solved cases: what was seen of a bad print, and the cause that was found in the end. The program is scored on them."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

from pydantic import Field

from diagnose.cases.record import is_record, record_of
from diagnose.errors import BadInput, nearest
from diagnose.knowledge.models import Id, Ids, Part, Text
from diagnose.knowledge.pack import validated
from diagnose.knowledge.reader import Document, Problem, read

LIST = "cases"
TOP = (LIST, "about")


class SolvedCase(Part):
    """One case, in a list ``cases:`` of a file or as a file of its own."""

    id: Text = Field(max_length=80)
    source: Text
    """Where the case is told: a pointer, never the telling."""
    answers: dict[Id, Ids]
    """Question to its answers, from the facts alone: never from the cause or what cured it."""
    findings: dict[Id, Id] = Field(default_factory=dict)
    tried: dict[Id, Text] = Field(default_factory=dict)
    """Remedies tried, as in any answers file. They are not weighed: what cured it would tell the cause."""
    printer: Text | None = None
    """Id of a printer card of the rules."""
    cause: Id
    """What must be found. One that the rules lack counts as missed."""
    notes: Text | None = None


@dataclass(frozen=True, slots=True)
class Placed:
    """A solved case and where it stands, ``file:line``."""

    case: SolvedCase
    where: str


def read_solved(path: Path) -> list[Placed]:
    """Read the solved cases of a file, or of every YAML file below a folder, in the order of their names.

    A file of a folder that has neither a list ``cases:`` nor a ``cause:`` is no solved case and is passed over.
    Raises BadInput with file and line of the first fault, and where there is no case at all.
    """
    try:
        if path.is_dir():
            files = sorted(p for p in path.rglob("*") if p.suffix in (".yaml", ".yml"))
        elif path.is_file():
            files = [path]
        else:
            raise BadInput("there is no such folder of cases", "give a folder or a file of solved cases", str(path))
    except OSError as error:
        raise BadInput(f"cannot be read ({error.strerror or error})", "give another folder", str(path)) from error
    found: list[Placed] = []
    problems: list[Problem] = []
    for file in files:
        document, faults = read(file)
        problems += faults
        if document.data is not None:
            found += _cases(document, problems)
    problems += _twice(found)
    if problems:
        first = min(problems)
        more = f" (and {len(problems) - 1} more)" if len(problems) > 1 else ""
        id = f"{first.id}: " if first.id else ""
        raise BadInput(f"{id}{first.what}{more}", first.instead, f"{first.file}:{first.line}:{first.column}")
    if not found:
        raise BadInput(
            "holds no solved case", "write `cases:` and below it entries of {id, source, answers, cause}", str(path)
        )
    return found


def _cases(document: Document, problems: list[Problem]) -> list[Placed]:
    data = document.data
    if isinstance(data, dict) and "version" in data and is_record(data):
        return _of_record(document, problems)
    if isinstance(data, dict) and LIST in data:
        for name in data:
            if name not in TOP:
                line, column = document.place((name,), key=True)
                instead = nearest(name, TOP) or f"keep only: {', '.join(TOP)}"
                problems.append(Problem(document.file, line, column, "", f"{name!r} is not a field here", instead))
        if not isinstance(data[LIST], list):
            line, column = document.place((LIST,), key=True)
            problems.append(
                Problem(document.file, line, column, "", f"{LIST!r} holds no list", "write its entries each after `- `")
            )
            return []
        entries: list[tuple[tuple[str | int, ...], Any]] = [((LIST, n), raw) for n, raw in enumerate(data[LIST])]
    elif isinstance(data, dict) and "cause" in data:
        entries = [((), data)]
    else:
        return []
    found = []
    for path, raw in entries:
        said = raw.get("id") if isinstance(raw, dict) else None
        case = validated(SolvedCase, raw, document, path, said if isinstance(said, str) else "", problems)
        if case is not None:
            found.append(Placed(case, f"{document.file}:{document.place(path)[0]}"))
    return found


def _of_record(document: Document, problems: list[Problem]) -> list[Placed]:
    """Return a closed case of a casebook; none where nothing was wrong or nobody found out."""
    record = record_of(document, problems)
    if record is None or record.cause is None:
        return []
    case = SolvedCase(
        id=record.id, source=record.source or Path(document.file).name, answers=record.answers,
        findings={id: found.answer for id, found in record.findings.items()}, tried=record.tried, printer=record.printer, cause=record.cause,
    )  # fmt: skip
    return [Placed(case, f"{document.file}:1")]


def _twice(found: list[Placed]) -> list[Problem]:
    """Return a fault for every case whose id stands before: folds and lists go by the id."""
    first: dict[str, str] = {}
    problems = []
    for placed in found:
        id = placed.case.id
        if id in first:
            file, _, line = placed.where.rpartition(":")
            problems.append(Problem(file, int(line), 1, id, f"this id stands at {first[id]} too", "give one another id"))
        first.setdefault(id, placed.where)
    return problems
