"""Where the built-in pack and the demo casebook are: inside the wheel, or beside the package in a checkout."""

from __future__ import annotations

from pathlib import Path

from diagnose.errors import BadInput

_PACKAGE = Path(__file__).resolve().parent.parent


def _find(name: str) -> Path:
    for folder in (_PACKAGE / "builtin" / name, _PACKAGE.parent / name):
        if folder.is_dir():
            return folder
    raise BadInput(f"the built-in folder {name!r} is missing", "install the program again", str(_PACKAGE))


def rules_folder() -> Path:
    """Return the folder of the built-in pack."""
    return _find("rules")


def casebook_folder() -> Path:
    """Return the folder of the invented demo cases."""
    return _find("casebook")
