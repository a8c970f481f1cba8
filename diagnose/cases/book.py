"""A casebook: a folder of open cases (journals) and closed ones (files of their own)."""

from __future__ import annotations

import re
import secrets
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from diagnose.cases.index import Entry, Index
from diagnose.cases.journal import FILED, ID, SUFFIX, VERSION, Case, Journal
from diagnose.errors import BadInput


@dataclass(frozen=True, slots=True)
class Casebook:
    """A folder of journals. It is made when the first case is started, never before."""

    folder: Path

    def start(self, title: str = "", follows: str = "") -> Journal:
        """Start a new case, of what remains of another one where ``follows`` names that, and return its journal."""
        self.make()
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
        journal = Journal(self.folder / f"{id}{SUFFIX}")
        if not ID.fullmatch(id) or not (journal.path.is_file() or journal.filed.is_file()):
            raise BadInput(f"there is no case {id!r}", "`diagnose cases list` shows every case", str(self.folder))
        return journal

    def filed(self, id: str) -> Path:
        """Return where a closed case of this id stands."""
        return self.folder / f"{id}{FILED}"

    def make(self) -> None:
        """Make the folder if need be; raises BadInput where that cannot be done."""
        try:
            self.folder.mkdir(parents=True, exist_ok=True)
        except OSError as error:
            raise BadInput(
                f"the casebook folder cannot be made ({error.strerror or error})",
                "choose another one with --casebook", str(self.folder),
            ) from error  # fmt: skip

    def has_room_for(self, id: str) -> bool:
        """Return whether no case of this id is there yet."""
        return bool(ID.fullmatch(id)) and not self.filed(id).exists() and not (self.folder / f"{id}{SUFFIX}").exists()

    def entries(self) -> list[Entry]:
        """Return what the casebook holds, last changed first; what cannot be read is there with what is wrong with it."""
        return Index(self.folder).entries()

    def cases(self) -> list[Case]:
        """Return the cases, last changed first; a damaged one is listed by its id with the title `damaged`."""
        return Index(self.folder).cases()
