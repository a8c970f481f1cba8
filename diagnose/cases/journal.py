"""An open case is a journal: one line of JSON an event, appended and synced, so that a crash loses nothing said.

The state of a case is the fold of its events; undo is an event too. A last line torn by a crash is left out on reading
and cut off before the next one is written.
"""

from __future__ import annotations

import json
import os
import re
import secrets
from collections.abc import Iterable
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from typing import Any

from diagnose.errors import BadInput

SUFFIX = ".journal"
VERSION = 1
_ID = re.compile(r"[a-z0-9][a-z0-9-]{0,79}")


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
    follows: str = ""
    """Id of the case whose machine this one goes on with."""
    events: int = 0
    """Events that can be undone."""


@dataclass(frozen=True, slots=True)
class Journal:
    """The journal file of one case."""

    path: Path

    @property
    def id(self) -> str:
        return self.path.name.removesuffix(SUFFIX)

    def append(self, event: dict[str, Any]) -> None:
        """Write one event and sync it to disk; raises BadInput where the file cannot be written or has gone."""
        line = json.dumps({"at": _now(), **event}, ensure_ascii=False) + "\n"
        try:
            # Never made here: a file that was deleted would come back without all that was said before.
            with os.fdopen(os.open(self.path, os.O_RDWR | os.O_APPEND | getattr(os, "O_BINARY", 0)), "rb+") as file:
                _cut_torn_line(file)
                # A path that is no text has characters that cannot be written; JSON has an escape for them.
                file.write(line.encode("utf-8", "backslashreplace"))
                file.flush()
                os.fsync(file.fileno())
        except OSError as error:
            raise BadInput(
                f"the case cannot be saved ({error.strerror or error})",
                "free some space or choose another folder with --casebook; what was saved before is intact",
                str(self.path),
            ) from error

    def read(self) -> list[dict[str, Any]]:
        """Return the events in order; raises BadInput for a file that is no journal."""
        try:
            raw = self.path.read_bytes()
        except OSError as error:
            raise BadInput(f"the case cannot be read ({error.strerror or error})", "", str(self.path)) from error
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
                raise BadInput(
                    "this line is not an event of a case", "restore the file from a copy", f"{self.path}:{number}"
                ) from error
            events.append(event)
        return events

    def case(self) -> Case:
        """Return the case the events add up to."""
        return fold(self.id, self.read())


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


@dataclass(frozen=True, slots=True)
class Casebook:
    """A folder of journals. It is made when the first case is started, never before."""

    folder: Path

    def start(self, title: str = "", follows: str = "") -> Journal:
        """Start a new case, of what remains of another one where ``follows`` names that, and return its journal."""
        try:
            self.folder.mkdir(parents=True, exist_ok=True)
        except OSError as error:
            raise BadInput(
                f"the casebook folder cannot be made ({error.strerror or error})",
                "choose another one with --casebook", str(self.folder),
            ) from error  # fmt: skip
        words = "-".join(re.findall(r"[a-z0-9]+", title.lower())[:5])[:40]
        stamp = datetime.now().strftime("%Y%m%d-%H%M%S")
        id = "-".join(filter(None, [stamp, words, secrets.token_hex(2)]))
        journal = Journal(self.folder / f"{id}{SUFFIX}")
        try:
            journal.path.touch(exist_ok=False)
        except OSError as error:
            raise BadInput(
                f"no case can be started in this folder ({error.strerror or error})",
                "choose another one with --casebook", str(self.folder),
            ) from error  # fmt: skip
        event = {"do": "start", "title": " ".join(title.split()), "version": VERSION}
        journal.append({**event, "follows": follows} if follows else event)
        return journal

    def open(self, id: str) -> Journal:
        """Return the journal of an existing case; raises BadInput when there is none."""
        path = self.folder / f"{id}{SUFFIX}"
        if not _ID.fullmatch(id) or not path.is_file():
            raise BadInput(f"there is no case {id!r}", "start `diagnose` to see the open cases", str(self.folder))
        return Journal(path)

    def cases(self) -> list[Case]:
        """Return the cases, last changed first; a damaged one is listed by its id with the title `damaged`."""
        found = []
        for path in sorted(self.folder.glob(f"*{SUFFIX}")) if self.folder.is_dir() else []:
            try:
                found.append(Journal(path).case())
            except BadInput as error:
                found.append(Case(path.name.removesuffix(SUFFIX), title=f"damaged: {error.what}"))
        return sorted(found, key=lambda c: (c.changed, c.id), reverse=True)
