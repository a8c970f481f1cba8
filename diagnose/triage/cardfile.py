"""Printer cards of the user's own as files: a new one beside the user's rules, or one that is there changed in place."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from diagnose.errors import BadInput
from diagnose.knowledge.cards import Printer
from diagnose.knowledge.pack import Knowledge, load
from diagnose.knowledge.scaffold import Draft, change_card, check
from diagnose.knowledge.settings import own_pack
from diagnose.triage.newcard import Made
from diagnose.whole import write_whole

ID = re.compile(r"[a-z0-9]+(-[a-z0-9]+)*")
FOLDER = "printers"


def own_file(knowledge: Knowledge, printer: Printer, pack: Path | None = None) -> Path | None:
    """Return the file of a card that stands among the user's own rules; None for any other: those are not changed."""
    origin = knowledge.origins.get(("printers", printer.id))
    path, pack = Path(origin.file) if origin else None, pack or own_pack()
    return path if path is not None and path.resolve().is_relative_to(pack.resolve()) else None


def number(typed: str) -> float:
    """Return a number as typed; raises BadInput for what is none."""
    try:
        value = float(typed.replace(",", "."))
    except ValueError:
        raise BadInput(f"{typed!r} is no number", "write digits, with a point where there are decimals") from None
    if value != value or value in (float("inf"), float("-inf")):
        raise BadInput(f"{typed!r} is no number that a printer could have", "write a plain number")
    return int(value) if value == int(value) and abs(value) < 1e15 else value


def free_id(typed: str, knowledge: Knowledge) -> str:
    """Return the id of a new card; raises BadInput where it is none, or taken."""
    if not ID.fullmatch(typed):
        raise BadInput(f"{typed!r} is no id", "write small letters, digits and hyphens, such as bench-left")
    if typed in knowledge.printers:
        raise BadInput(f"there is a card {typed!r} already", "choose another id")
    return typed


def place_of(id: str, pack: Path | None = None) -> Path:
    """Return where a new card is written."""
    return (pack or own_pack()) / FOLDER / f"{id}.yaml"


def save_new(made: Made, packs: Sequence[Path], pack: Path | None = None) -> Path:
    """Write a new card among the user's own rules, where nothing stands in its place; returns its path.

    Raises BadInput where the rules would not be sound with it, or it cannot be written; nothing is written then.
    """
    pack = pack or own_pack()
    path = place_of(made.id, pack)
    _write(Draft(path, None, made.text, "printers", made.id), pack, packs)
    return path


def save_changed(path: Path, id: str, values: Mapping[str, Any], read: str, packs: Sequence[Path], pack: Path | None = None) -> None:
    """Change numbers and choices of a card of the user's own; comments and order stay.

    Parameters
    ----------
    values
        Dotted name to what is to stand there.
    read
        The text of the file when the card was read.

    Raises
    ------
    BadInput
        The file was changed meanwhile, the rules would not be sound with it, or it cannot be written; it stays as it is then.
    """
    draft = change_card(path, id, values)
    if draft.before != read:
        raise BadInput("the file was changed meanwhile", "read the cards again, and then make your changes", str(path))
    _write(draft, pack or own_pack(), packs)


def take_in(knowledge: Knowledge, path: Path) -> None:
    """Let rules that are read already know the cards of a file that was just written."""
    found, _ = load([path], only="printers")
    knowledge.printers.update(found.printers)
    knowledge.origins.update({key: origin for key, origin in found.origins.items() if key[0] == "printers"})


def text_of(path: Path) -> str:
    """Return the text of a card file; raises BadInput where it cannot be read."""
    try:
        return path.read_text(encoding="utf-8-sig")
    except (OSError, UnicodeDecodeError) as error:
        raise BadInput("the file cannot be read", str(error), str(path)) from error


def _write(draft: Draft, pack: Path, packs: Sequence[Path]) -> None:
    if pack.exists() and not pack.is_dir():
        raise BadInput("nothing was written: a file stands where the folder of your rules would be", "move it away", str(pack))
    _, problems = check([draft], pack, packs)
    first = next((p for p in problems if p.hard), None)
    if first is not None:
        raise BadInput(f"nothing was written: {first.what}", first.instead, f"{first.file}:{first.line}:{first.column}")
    try:
        draft.path.parent.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise BadInput("the folder cannot be made", error.strerror or str(error), str(draft.path.parent)) from error
    write_whole(draft.path, draft.after, str(draft.path), new=draft.before is None)
