"""The index of a casebook: what its files say, so that thousands of cases are found without reading them all.

It is made from the files and never the truth: a file that is new or changed is read again, one that has gone is
forgotten, and an index that is lost or damaged is made anew. It lies among the things that can be made anew, not in the
casebook: that folder may be read-only, or shared between machines.
"""

from __future__ import annotations

import json
import os
import sqlite3
from collections.abc import Iterator, Sequence
from dataclasses import asdict, dataclass
from hashlib import sha256
from pathlib import Path
from typing import TYPE_CHECKING, Any

from diagnose.cases.journal import FILED, ID, SUFFIX, Case, Cured, events_of, fold, whole
from diagnose.errors import BadInput, visible
from diagnose.folders import cache
from diagnose.knowledge.reader import Problem, read

if TYPE_CHECKING:
    from diagnose.cases.record import Record  # slow to import, and the first screen only wants titles

FORMAT = 1
NO_CASE = "no case"
"""Said of a file that lies in the casebook and is something else."""
TABLE = """
create table if not exists entry (
    id text primary key, file text, stamp text, size integer, state text, changed text, title text, cause text,
    remedy text, outcome text, printer text, material text, words text, fault text, made text, record text
)
"""


@dataclass(frozen=True, slots=True)
class Entry:
    """One case as the index knows it."""

    id: str
    state: str
    """open, closed or damaged."""
    case: Case
    cause: str
    outcome: str
    remedy: str
    material: str
    fault: str
    """Why a damaged one cannot be read."""
    made: str
    """The record of a closed case as JSON: it is read only where it is asked for."""

    @property
    def record(self) -> Record | None:
        """The record of a closed case."""
        from diagnose.cases.record import Record

        return Record.model_validate_json(self.made) if self.made else None


class Index:
    """The index of one casebook folder."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.db = self._open()

    def _open(self) -> sqlite3.Connection:
        name = sha256(os.path.abspath(self.folder).encode(errors="surrogateescape")).hexdigest()[:32]  # noqa: PTH100
        path = cache("casebooks") / f"{name}.sqlite"
        for place in (path, path, ":memory:"):
            try:
                if isinstance(place, Path):
                    place.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
                db = sqlite3.connect(place, timeout=10, isolation_level=None)
                if db.execute("pragma user_version").fetchone()[0] != FORMAT:
                    db.execute("drop table if exists entry")
                    db.execute(f"pragma user_version = {FORMAT}")
                db.execute(TABLE)
                db.execute("select count(*) from entry").fetchone()
                return db
            except (sqlite3.Error, OSError):
                if isinstance(place, Path):
                    _away(place)
        raise BadInput("the index of the casebook cannot be made", "", str(self.folder))

    def refresh(self) -> None:
        """Read the files that are new or changed, and forget those that have gone."""
        there = dict(_files(self.folder))
        known = {row[0]: (row[1], row[2], row[3]) for row in self.db.execute("select id, file, stamp, size from entry")}
        stale = [(id, *place) for id, place in there.items() if known.get(id) != place]
        gone = [(id,) for id in known if id not in there]
        if not stale and not gone:
            return
        rows = [self._row(id, file, stamp, size) for id, file, stamp, size in stale]
        try:
            self.db.execute("begin immediate")
            self.db.executemany("delete from entry where id = ?", gone)
            marks = ",".join("?" * 16)
            self.db.executemany(f"insert or replace into entry values ({marks})", rows)
            self.db.execute("commit")
        except sqlite3.OperationalError:  # another program is at it, or the disk is full: this time it goes from memory
            if self.db.in_transaction:
                self.db.execute("rollback")
            kept = self.db.execute("select * from entry").fetchall()
            self.db = sqlite3.connect(":memory:", isolation_level=None)
            self.db.execute(TABLE)
            fresh = {row[0] for row in rows} | {id for (id,) in gone}
            self.db.executemany(f"insert or replace into entry values ({','.join('?' * 16)})", [*(k for k in kept if k[0] not in fresh), *rows])

    def _row(self, id: str, file: str, stamp: str, size: int) -> tuple[Any, ...]:
        case, record, fault = _understood(self.folder / file, id)
        state = "other" if fault == NO_CASE else "damaged" if fault else "closed" if record is not None else "open"
        cause = (record.cause or "") if record else ""
        words = " ".join(filter(None, [id, case.title, *(record.notes if record else case.notes), *case.answers, *(
            a for given in case.answers.values() for a in given or ()), cause, *case.tried])).lower()  # fmt: skip
        return (
            id, file, stamp, size, state, case.changed, case.title, cause, (record.remedy or "") if record else "",
            record.outcome if record else "", case.printer or "", (record.material or "") if record else "", words, fault,
            json.dumps(_as_data(case)), record.model_dump_json(exclude={"journal"}, exclude_none=True) if record else "",
        )  # fmt: skip

    def entries(self, where: str = "", values: Sequence[Any] = ()) -> list[Entry]:
        """Return the cases, last changed first, that meet a condition on the columns of the table."""
        self.refresh()
        asked = " and ".join(filter(None, ["state != 'other'", where]))
        columns = "id, state, made, cause, outcome, remedy, material, fault, record"
        found = self.db.execute(f"select {columns} from entry where {asked} order by changed desc, id desc", values)
        return [Entry(id, state, _case(json.loads(made)), *rest) for id, state, made, *rest in found]

    def cases(self) -> list[Case]:
        """Return the cases without their records, last changed first."""
        self.refresh()
        found = self.db.execute("select made from entry where state != 'other' order by changed desc, id desc")
        return [_case(json.loads(made)) for (made,) in found]

    def find(self, words: Sequence[str], **columns: str) -> list[Entry]:
        """Return the cases that hold all words, in title, answers, notes or ids, and the values of columns."""
        known = {"state", "cause", "remedy", "outcome", "printer", "material"}
        assert columns.keys() <= known
        said = [f"{name} = ?" for name in columns] + ["words like ? escape '!'"] * len(words)
        values = [*columns.values(), *(f"%{_literally(word.lower())}%" for word in words)]
        return self.entries(" and ".join(said), values)


def _literally(word: str) -> str:
    return word.replace("!", "!!").replace("%", "!%").replace("_", "!_")


def _away(path: Path) -> None:
    for name in (path, path.with_name(path.name + "-journal"), path.with_name(path.name + "-wal")):
        try:
            name.unlink(missing_ok=True)
        except OSError:
            return


def _files(folder: Path) -> Iterator[tuple[str, tuple[str, str, int]]]:
    """Yield id, and file, time and size, of every case: the journal where it is open, else the file it was closed in."""
    try:
        found = {e.name: e.stat() for e in os.scandir(folder) if e.is_file() and not e.name.startswith(".")}
    except OSError:
        return
    for name, stat in found.items():
        place = (name, str(stat.st_mtime_ns), stat.st_size)
        if name.endswith(SUFFIX):
            yield name.removesuffix(SUFFIX), place
        elif name.endswith(FILED) and name.removesuffix(FILED) + SUFFIX not in found:
            yield name.removesuffix(FILED), place


def _understood(path: Path, id: str) -> tuple[Case, Record | None, str]:
    """Return what a file of a casebook holds: the case, its record where it is closed, what is wrong with it."""
    from diagnose.cases.record import bare, is_record, record_of

    try:
        if not ID.fullmatch(id):
            if path.name.endswith(FILED):
                return Case(id), None, NO_CASE
            return Case(id, title="damaged: its name is no id of a case"), None, visible(f"{path}: its name is no id of a case")
        if path.name.endswith(SUFFIX):
            case = fold(id, events_of(whole(path), str(path)))
            return case, bare(case) if case.closed else None, ""
        problems: list[Problem] = []
        document, faults = read(path, remember=False)
        problems += faults
        record = record_of(document, problems) if is_record(document.data) or faults else None
        if record is not None and record.id != id:
            problems.append(Problem(str(path), 1, 1, record.id, "its id is not the name of the file", f"call it {record.id}{FILED}"))
        if problems:
            return Case(id, title=f"damaged: {min(problems).what}"), None, str(min(problems))
        if record is None:
            return Case(id), None, NO_CASE
        return case_of(record), record, ""
    except (BadInput, OSError) as error:
        return Case(id, title=f"damaged: {getattr(error, 'what', error)}"), None, str(error)


def case_of(record: Record) -> Case:
    """Return a closed case from its record."""
    case = Case(record.id, record.title or "", record.started or "", record.closed or "")
    case.answers = {q: tuple(a) for q, a in record.answers.items()}
    case.printer, case.tried, case.follows = record.printer, dict(record.tried), record.follows or ""
    case.notes, case.outcome, case.cause = list(record.notes), record.outcome, record.cause or ""
    if record.findings:
        case.job = {"path": record.job.path or "" if record.job else "", "findings": [
            {"id": id, "answer": f.answer, "confidence": f.confidence, "because": ""} for id, f in record.findings.items()
        ]}  # fmt: skip
    if record.outcome == "cured" and record.remedy and record.cause:
        case.cured = Cured(record.remedy, (record.cause, *record.other_causes))
    return case


def _as_data(case: Case) -> dict[str, Any]:
    kept = asdict(case)
    return kept | {"marks": None if case.marks is None else {"source": case.marks.get("source")}, "weighed": None}


def _case(data: dict[str, Any]) -> Case:
    cured = data.pop("cured")
    case = Case(**data)
    case.answers = {q: None if a is None else tuple(a) for q, a in case.answers.items()}
    case.cured = Cured(cured["remedy"], tuple(cured["causes"])) if cured else None
    return case
