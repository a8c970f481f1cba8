"""Paths typed into a line: completed as they are typed, and taken with the quotes a terminal puts round them."""

from __future__ import annotations

import os
from pathlib import Path

from textual.binding import Binding
from textual.suggester import Suggester

from diagnose.screens.dialogs import ShortInput

LONGEST_PATH = 4096
QUOTES = "'\""


class PathSuggester(Suggester):
    """Completes a path with the first file or folder that begins like it."""

    def __init__(self) -> None:
        super().__init__(use_cache=False, case_sensitive=True)

    async def get_suggestion(self, value: str) -> str | None:
        """Return the completed path, or None."""
        return completed(value)


class PathLine(ShortInput):
    """A line for a path; tab takes the proposed one, or goes on where there is none."""

    BINDINGS = [
        Binding("tab", "complete", "Complete, or next field", key_display="tab", id="complete-path",
                tooltip="Take the proposed path; when there is none, go to the next field."),
    ]  # fmt: skip

    def __init__(self, placeholder: str = "", *, id: str | None = None, classes: str | None = None) -> None:
        super().__init__(
            placeholder=placeholder, max_length=LONGEST_PATH, suggester=PathSuggester(), select_on_focus=False, id=id, classes=classes
        )

    def action_complete(self) -> None:
        """Take the proposed path, or go to the next field."""
        proposed = completed(self.value)
        if proposed and proposed != self.value:
            self.value = proposed
            self.cursor_position = len(proposed)
        else:
            self.screen.focus_next()


def completed(value: str) -> str | None:
    """Return a typed path completed as far as only one entry, or the first of several, allows; None when none fits."""
    if not value.strip() or value.strip()[0] in QUOTES:
        return None
    folder, slash, start = value.rpartition("/")
    try:
        place = expanded(folder + slash) if slash else Path()
        found = sorted(p for p in place.iterdir() if p.name.startswith(start) and (start or p.name[0] != "."))
        if not found:
            return None
        return f"{folder}{slash}{found[0].name}{'/' if found[0].is_dir() else ''}"
    except (OSError, ValueError):  # ValueError: a null character
        return None


def unquoted(typed: str) -> str:
    """Return a path without the quotes around it that a terminal puts there when a file is dragged into it."""
    typed = typed.strip()
    return typed[1:-1] if len(typed) > 1 and typed[0] in QUOTES and typed[0] == typed[-1] else typed


def expanded(typed: str) -> Path:
    """Return a path with `~` filled in where there is such a user; else as it was typed."""
    return Path(os.path.expanduser(typed))  # noqa: PTH111  (the method raises where there is no such user)


def file_at(typed: str, what: str) -> Path | str:
    """Return the file that a typed path leads to; else a sentence on why it leads to none. ``what``: the path of what is asked for."""
    typed = unquoted(typed)
    if not typed:
        return f"Type the path of {what}, or drag the file into the window."
    path = expanded(typed)
    try:
        kind = "folder" if path.is_dir() else "file" if path.is_file() else ""
    except (OSError, ValueError):
        kind = ""
    if kind == "file":
        return path
    if kind:
        return "That is a folder: go on typing the name of the file in it."
    return f"There is no such file: {path}. Look at the spelling; tab completes."
