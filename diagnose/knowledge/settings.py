"""Which packs are in force: the built-in one, installed ones, the user's own, what was learnt, those of settings files, those given by hand.

Two settings files are read: ``settings.yaml`` in the user's settings folder, and ``diagnose.yaml`` in the folder the
program is started in. Both may say ``rules: [folder, ...]``, seen from where the file is.
"""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path
from typing import Annotated

from pydantic import BeforeValidator

from diagnose.errors import BadInput
from diagnose.folders import own_settings
from diagnose.knowledge.models import Part, Text, one_or_many
from diagnose.knowledge.pack import validated
from diagnose.knowledge.reader import Problem, read

PROJECT_FILE = "diagnose.yaml"


class Settings(Part):
    """What a settings file may say."""

    rules: Annotated[tuple[Text, ...], BeforeValidator(one_or_many, json_schema_input_type=str | tuple[str, ...])] = ()
    """Folders of rules, or single files, laid over each other in this order."""


def own_pack() -> Path:
    """Return the folder of the user's own rules, which need not be there."""
    return own_settings() / "rules"


def packs_folder() -> Path:
    """Return the folder of packs from other shops, which need not be there."""
    return own_settings() / "packs"


def learnt_file() -> Path:
    """Return the pack of what was learnt from the user's own cases, which need not be there."""
    return own_settings() / "learnt" / "learnt.yaml"


def installed_packs(folder: Path) -> list[Path]:
    """Return the packs in a folder of packs, by name."""
    try:
        return sorted(p for p in folder.iterdir() if p.is_dir() and not p.name.startswith(".") and _holds_rules(p))
    except OSError:
        return []


def packs_in_force(given: Iterable[Path] = (), *, own: bool = True) -> tuple[Path, ...]:
    """Return the packs to lay over the built-in one, lowest first, each once.

    Parameters
    ----------
    given
        Packs named on the command line.
    own
        Whether the user's own rules and settings files count.

    Raises BadInput where a settings file has a fault.
    """
    packs: list[Path] = []
    if own:
        packs += installed_packs(packs_folder())
        if _holds_rules(own_pack()):
            packs.append(own_pack())
        if _is_file(learnt_file()):
            packs.append(learnt_file())
        packs += _named_in(own_settings() / "settings.yaml")
        packs += _named_in(Path(PROJECT_FILE))
    packs += given
    last = {_real(pack): number for number, pack in enumerate(packs)}
    return tuple(pack for number, pack in enumerate(packs) if last[_real(pack)] == number)


def _holds_rules(folder: Path) -> bool:
    try:
        return any(folder.rglob("*.yaml")) or any(folder.rglob("*.yml"))
    except OSError:
        return False


def _is_file(file: Path) -> bool:
    try:
        return file.is_file()
    except OSError:  # a folder that may not be looked into holds nothing for us
        return False


def _named_in(file: Path) -> list[Path]:
    if not _is_file(file):
        return []
    document, problems = read(file)
    settings = Settings()
    if document.data is not None and not any(p.hard for p in problems):
        settings = validated(Settings, document.data, document, (), "", problems) or settings
    first = min((p for p in problems if p.hard), default=None)
    if first is not None:
        raise _bad(first)
    folder = file.absolute().parent
    named = [(index, folder / Path(name).expanduser()) for index, name in enumerate(settings.rules)]
    for index, pack in named:
        if not pack.exists():
            line, column = document.place(("rules", index))
            what = f"there is no folder of rules {str(pack)!r}"
            raise _bad(Problem(str(file), line, column, "", what, "take it out, or write where the folder is now"))
    return [pack for _, pack in named]


def _bad(problem: Problem) -> BadInput:
    return BadInput(problem.what, problem.instead, f"{problem.file}:{problem.line}:{problem.column}")


def _real(pack: Path) -> Path:
    try:
        return pack.resolve()
    except (OSError, RuntimeError):
        return pack.absolute()
