"""Files written whole or not at all."""

from __future__ import annotations

import os
import tempfile
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path

from diagnose.errors import BadInput

BESIDE = ".diagnose-"
"""Beginning of the name of a file that is being written, before it is moved to its place."""


def write_whole(
    path: Path, content: str | bytes | memoryview, where: str, *, new: bool = False, check: Callable[[Path], None] | None = None
) -> None:
    """Write a text or bytes beside its place and move it there when it is whole, so that a full disk leaves nothing behind.

    Parameters
    ----------
    new
        Refuse, without a race, to replace a file that is there.
    check
        Called with the path of what was written before it is moved; what it raises stops the writing.

    Raises
    ------
    BadInput
        When the file cannot be written.
    """
    beside: str | None = None
    try:
        handle, beside = tempfile.mkstemp(prefix=BESIDE, suffix=path.suffix, dir=path.parent)
        with os.fdopen(handle, "wb") as file:
            file.write(content.encode() if isinstance(content, str) else content)
            file.flush()
            os.fsync(file.fileno())
        if check is not None:
            check(Path(beside))
        # A file of a person's own is readable as they have chosen for new files, not private like a temporary one.
        mask = os.umask(0)
        os.umask(mask)
        Path(beside).chmod(0o666 & ~mask)
        if new:
            _link(beside, path)
        else:
            Path(beside).replace(path)
            beside = None
    except FileExistsError:
        raise BadInput("there is a file of this name already", "choose another name, or move that file away", where) from None
    except OSError as fault:
        raise BadInput(
            f"the file cannot be written ({fault.strerror or fault})", "choose a place with room where you may write", where
        ) from None
    finally:
        if beside is not None:
            with suppress(OSError):
                Path(beside).unlink()


def _link(beside: str, path: Path) -> None:
    try:
        os.link(beside, path)
    except FileExistsError:
        raise
    except OSError:
        # Some file systems, such as those of memory cards, know no links.
        if path.exists():
            raise FileExistsError(path) from None
        Path(beside).rename(path)
