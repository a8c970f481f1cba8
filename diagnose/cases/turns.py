"""Two programs on one file take turns."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import IO, Any

from diagnose.whole import BESIDE

LOCK = ".turns"
"""File in a casebook that whoever opens or closes a case holds; there is nothing in it."""


@contextmanager
def turns_in(folder: Path) -> Iterator[None]:
    """Hold a casebook for oneself while a case is moved from one file to another; others wait."""
    with (folder / LOCK).open("ab") as file, taking_turns(file):
        for left in folder.glob(f"{BESIDE}*"):  # of a program that was killed while it wrote
            with suppress(OSError):
                left.unlink()
        yield


@contextmanager
def taking_turns(file: IO[Any]) -> Iterator[None]:
    """Hold an open file for oneself until done; others wait. It lets go by itself when a program dies.

    Where the file system knows no locks each line is still written in one piece, and nothing else can be done.
    """
    if sys.platform == "win32":
        import msvcrt

        at = file.tell()
        file.seek(0)
        msvcrt.locking(file.fileno(), msvcrt.LK_LOCK, 1)
        file.seek(at)
        try:
            yield
        finally:
            file.flush()
            file.seek(0)
            msvcrt.locking(file.fileno(), msvcrt.LK_UNLCK, 1)
        return
    import fcntl

    try:
        fcntl.flock(file, fcntl.LOCK_EX)
    except OSError:  # a network folder without locks
        yield
        return
    try:
        yield
    finally:
        file.flush()
        fcntl.flock(file, fcntl.LOCK_UN)
