"""An open case is a journal: one line of JSON an event, appended and synced, so that a crash loses nothing said.

The state of a case is the fold of its events; undo is an event too. A last line torn by a crash is left out on reading
and cut off before the next one is written.
"""

from __future__ import annotations

import json
import os
import re
import time
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from typing import Any

from diagnose.cases.turns import taking_turns, turns_in
from diagnose.errors import BadInput
from diagnose.knowledge.reader import read
from diagnose.whole import write_whole

SUFFIX = ".journal"
FILED = ".yaml"
VERSION = 1
MOST_BYTES = 50_000_000
"""A longer journal is none: a case of a thousand answers, ten job files and as many sets of marks has a few million bytes."""
TRIES, PAUSE = 20, 0.005
"""How often to try again, and s between, where another program opens and closes the same case at the same time."""
ID = re.compile(r"[a-z0-9][a-z0-9-]{0,79}")


@dataclass(frozen=True, slots=True)
class Cured:
    """How a case was closed."""

    remedy: str
    causes: tuple[str, ...]
    """Those that the remedy cures and that were likely then, likeliest first; as ids of the rules of that day."""


@dataclass(slots=True)
class Case:
    """One bad print as its journal tells it."""

    id: str
    title: str = ""
    started: str = ""
    changed: str = ""
    answers: dict[str, tuple[str, ...] | None] = field(default_factory=dict)
    """Question id to its answers in the order first given; None for unknown."""
    job: dict[str, Any] | None = None
    """The job file attached: its path, the printer card it was run on, and the findings as computed then."""
    printer: str | None = None
    """Id of the printer card, or the path of one."""
    marks: dict[str, Any] | None = None
    """Marks as they were measured: `columns` by name, and `source`, the file they came from or how they were given."""
    weighed: dict[str, Any] | None = None
    """What those marks say on the job attached; None while there is none, or it was attached without weighing them."""
    tried: dict[str, str] = field(default_factory=dict)
    """Remedy id to what came of it, in the order first tried."""
    cured: Cured | None = None
    """What closed the case; None while it is open."""
    outcome: str = ""
    """Said by hand: cured, helped, unsolved or nothing-wrong; empty while nobody closed the case by hand."""
    cause: str = ""
    """Said by hand: what it was."""
    notes: list[str] = field(default_factory=list)
    pictures: list[str] = field(default_factory=list)
    """Paths of pictures; the case only points at them."""
    follows: str = ""
    """Id of the case whose machine this one goes on with."""
    events: int = 0
    """Events that can be undone."""

    @property
    def closed(self) -> bool:
        """Whether it was cured, or closed by hand."""
        return self.cured is not None or bool(self.outcome)


@dataclass(frozen=True, slots=True)
class Journal:
    """The journal of one case: a file of its own while the case is open, the end of the case's file once it is closed."""

    path: Path

    @property
    def id(self) -> str:
        return self.path.name.removesuffix(SUFFIX)

    @property
    def filed(self) -> Path:
        """Where the case stands once it is closed."""
        return self.path.with_name(self.id + FILED)

    def append(self, event: dict[str, Any]) -> None:
        """Write one event and sync it to disk; raises BadInput where the file cannot be written or has gone.

        Two programs that write to one case take turns; each line is whole. A closed case becomes an open one again.
        """
        line = json.dumps({"at": _now(), **event}, ensure_ascii=False) + "\n"
        try:
            for _ in range(TRIES):
                self._reopen()
                if self._append(line):
                    return
                time.sleep(PAUSE)
            raise OSError("another program keeps opening and closing this case")
        except OSError as error:
            raise BadInput(
                f"the case cannot be saved ({error.strerror or error})",
                "free some space or choose another folder with --casebook; what was saved before is intact",
                str(self.path),
            ) from error

    def _append(self, line: str) -> bool:
        """Write a line; returns False where the case was closed by somebody else while we waited for our turn."""
        try:
            # Never made here: a file that was deleted would come back without all that was said before.
            handle = os.open(self.path, os.O_RDWR | os.O_APPEND | getattr(os, "O_BINARY", 0))
        except FileNotFoundError:
            if self.filed.exists():
                return False
            raise
        with os.fdopen(handle, "rb+") as file, taking_turns(file):
            if not _is_still(file, self.path):
                return False
            _cut_torn_line(file)
            # A path that is no text has characters that cannot be written; JSON has an escape for them.
            file.write(line.encode("utf-8", "backslashreplace"))
            file.flush()
            os.fsync(file.fileno())
        return True

    def _reopen(self) -> None:
        """Put the journal of a closed case back in its place, and take the case's file away."""
        if self.path.exists() or not self.filed.exists():
            return
        with turns_in(self.path.parent):  # nobody else opens or closes a case meanwhile
            if not self.path.exists() and self.filed.exists():
                write_whole(self.path, self._at_the_end_of_its_file(), str(self.path), new=True)
                self.filed.unlink()

    def _at_the_end_of_its_file(self) -> bytes:
        document, problems = read(self.filed, remember=False)
        said = document.data.get("journal") if isinstance(document.data, dict) else None
        if problems or not isinstance(said, str):
            first = problems[0] if problems else None
            what = f"the case cannot be read ({first.what})" if first else "the case has no journal, so it cannot be opened again"
            raise BadInput(what, "restore the file from a copy", str(self.filed))
        return said.encode("utf-8", "backslashreplace")

    def text(self) -> bytes:
        """Return the journal as it is written; raises BadInput where it cannot be read."""
        for _ in range(TRIES):
            try:
                return whole(self.path)
            except FileNotFoundError:
                try:
                    if self.filed.exists():
                        return self._at_the_end_of_its_file()
                except BadInput:
                    if self.filed.exists() and not self.path.exists():
                        raise  # it is damaged, not opened again in this very moment
                time.sleep(PAUSE)
            except OSError as error:
                raise BadInput(f"the case cannot be read ({error.strerror or error})", "", str(self.path)) from error
        raise BadInput("there is no such case any more", "`diagnose cases list` shows every case", str(self.path))

    def read(self) -> list[dict[str, Any]]:
        """Return the events in order; raises BadInput for a file that is no journal."""
        return events_of(self.text(), str(self.path))

    def case(self) -> Case:
        """Return the case the events add up to."""
        return fold(self.id, self.read())

    def file(self, written: Callable[[bytes], str]) -> bool:
        """Write a closed case as a file of its own, and take the journal, which is in it, away.

        ``written`` makes the file's text from the journal as it is then. Returns False, with nothing changed, where the
        case is open or filed already. Raises BadInput where the file cannot be written; the journal is left then.
        """
        try:
            with turns_in(self.path.parent), self.path.open("rb+") as file, taking_turns(file):
                if not _is_still(file, self.path):
                    return False
                text = whole(self.path)
                if not fold(self.id, events_of(text, str(self.path))).closed:
                    return False
                write_whole(self.filed, written(text), str(self.filed))
                self.path.unlink()
            return True
        except FileNotFoundError:
            return False
        except OSError as error:
            raise BadInput(f"the case cannot be closed ({error.strerror or error})", "", str(self.path)) from error


def whole(path: Path) -> bytes:
    """Return the bytes of a journal; raises BadInput for a file too large to be one."""
    with path.open("rb") as file:
        raw = file.read(MOST_BYTES + 1)
    if len(raw) > MOST_BYTES:
        raise BadInput(f"is more than {MOST_BYTES:,} bytes long", "this is no journal of a case", str(path))
    return raw


def events_of(raw: bytes, where: str) -> list[dict[str, Any]]:
    """Return the events of a journal in order; raises BadInput, with the line, for what is none."""
    events = []
    for number, line in enumerate(raw.split(b"\n"), 1):
        last = raw.count(b"\n") < number
        if not line.strip() or last:
            continue  # without its line end an event was torn by a crash: it never happened
        try:
            event = json.loads(line)
            if not _is_event(event):
                raise ValueError
        except (ValueError, RecursionError) as error:
            raise BadInput("this line is not an event of a case", "restore the file from a copy", f"{where}:{number}") from error
        events.append(event)
    return events


def _is_still(file: Any, path: Path) -> bool:
    """Return whether an open file is the one that a path names now."""
    try:
        return os.path.samestat(os.fstat(file.fileno()), path.stat())
    except FileNotFoundError:
        return False


def _cut_torn_line(file: Any) -> None:
    end = file.seek(0, os.SEEK_END)
    if end == 0:
        return
    file.seek(end - 1)
    if file.read(1) == b"\n":
        return
    file.seek(0)
    whole = file.read()
    file.truncate(whole.rfind(b"\n") + 1)
    file.seek(0, os.SEEK_END)


def _is_event(event: Any) -> bool:
    """Tell whether an event holds what `fold` and the case read from it."""
    if not isinstance(event, dict) or not isinstance(event.get("do"), str):
        return False
    if event["do"] in ("answer", "take-back") and not isinstance(event.get("question"), str):
        return False
    if event["do"] == "answer":
        given = event.get("answers")
        return given is None or (isinstance(given, list) and all(isinstance(a, str) for a in given))
    if event["do"] == "tried":
        causes = event.get("causes", [])
        return (
            isinstance(event.get("remedy"), str)
            and (event.get("result") is None or isinstance(event["result"], str))
            and isinstance(causes, list)
            and all(isinstance(c, str) for c in causes)
        )
    if event["do"] == "printer":
        return event.get("printer") is None or isinstance(event["printer"], str)
    if event.get("weighed") is not None and not isinstance(event["weighed"], dict):
        return False
    if event["do"] == "marks" and event.get("marks") is not None:
        marks = event["marks"]
        return isinstance(marks, dict) and isinstance(marks.get("columns"), dict)
    if event["do"] == "job" and event.get("job") is not None:
        found = event["job"].get("findings") if isinstance(event["job"], dict) else None
        return isinstance(found, list) and all(
            isinstance(f, dict)
            and all(isinstance(f.get(name), str) for name in ("id", "answer", "because"))
            and isinstance(f.get("confidence"), int | float)
            and 0 <= f["confidence"] <= 1
            for f in found
        )
    return True


def _now() -> str:
    return datetime.now().astimezone().isoformat(timespec="seconds")


def fold(id: str, events: Iterable[dict[str, Any]]) -> Case:
    """Return the state of a case after its events; an unknown event (a later version's) is kept out of the state."""
    standing: list[dict[str, Any]] = []
    case = Case(id)
    for event in events:
        case.changed = str(event.get("at", ""))
        if event["do"] == "start":
            case.title, case.started = str(event.get("title", "")), str(event.get("at", ""))
            case.follows = str(event.get("follows", ""))
        elif event["do"] == "undo":
            if standing:
                standing.pop()
        else:
            standing.append(event)
    for event in standing:
        what = event["do"]
        if what == "answer":
            given = event.get("answers")
            case.answers[str(event["question"])] = None if given is None else tuple(str(a) for a in given)
        elif what == "take-back":
            case.answers.pop(str(event["question"]), None)
        elif what == "job":
            case.job = event.get("job")
            case.weighed = event.get("weighed") if case.marks and case.job else None
        elif what == "marks":
            case.marks = event.get("marks")
            case.weighed = event.get("weighed") if case.marks and case.job else None
        elif what == "printer":
            case.printer = event.get("printer")
        elif what == "tried":
            _try(case, event)
        elif what == "close":
            case.outcome, case.cause = str(event.get("outcome", "")), str(event.get("cause") or "")
        elif what == "note":
            case.notes.append(str(event.get("text", "")))
        elif what == "picture":
            case.pictures.append(str(event.get("path", "")))
        elif what == "title":
            case.title = str(event.get("title", ""))
    case.events = len(standing)
    return case


def _try(case: Case, event: dict[str, Any]) -> None:
    """Take what came of a remedy into a case, None for a result taken back; a cure closes it."""
    remedy, result = str(event["remedy"]), event.get("result")
    if case.cured is not None and case.cured.remedy == remedy:
        case.cured = None
    if result is None:
        case.tried.pop(remedy, None)
        return
    case.tried[remedy] = str(result)
    if event.get("closes"):
        case.cured = Cured(remedy, tuple(event.get("causes", ())))
