"""Memory of columns: what is freed goes back to the system at once, what is small stays at hand."""

from __future__ import annotations

import ctypes
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import suppress
from threading import Thread
from typing import Any

from numpy.typing import NDArray

TRIM_THRESHOLD, MMAP_THRESHOLD = -1, -3
"""Numbers of the options in GNU's allocator."""
COLUMN_BYTES = 4 << 20
KEPT_BYTES = 64 << 20
POPULATE_WRITE = 23
"""Number of the advice in Linux, from 5.14 on."""
PAGE = 4096
STRIDE = 1 << 17
"""Rows made ready at a time, in all columns."""


def columns_apart() -> None:
    """Have large arrays mapped one by one where the allocator would keep those below 32 MB (GNU's); elsewhere do nothing.

    Else the columns that one thread frees are of no use to another, and a job takes a tenth more memory. Pieces of columns,
    made and freed thousands of times, are kept instead: giving them back each time costs more than the work on them.
    """
    with suppress(OSError, AttributeError, TypeError):
        allocator = ctypes.CDLL(None)
        for option, value in ((MMAP_THRESHOLD, COLUMN_BYTES), (TRIM_THRESHOLD, KEPT_BYTES)):
            allocator.mallopt(ctypes.c_int(option), ctypes.c_int(value))


class Ahead:
    """Has memory made ready on a thread beside, just ahead of who fills the columns row by row.

    The system gives a page when it is first touched, and clears it, or a virtual machine first asks its host for it: that
    takes longer than filling it. Where the system knows no such advice, nothing happens.
    """

    def __init__(self) -> None:
        self._ready = 0
        self._thread = ThreadPoolExecutor(1)

    def of(self, columns: Sequence[NDArray[Any]], rows: int) -> None:
        """Make ready what follows the first `rows` rows that are filled."""
        until = min(rows + 2 * STRIDE, len(columns[0]))
        begin = max(self._ready, rows)
        if until - begin >= STRIDE:
            self._ready = until
            self._thread.submit(_populate, [column[begin:until] for column in columns])

    def anew(self) -> None:
        """Forget what is ready: the columns are others."""
        self._ready = 0


def made_ready(columns: Sequence[NDArray[Any]]) -> None:
    """Have whole columns made ready on a thread beside, one after the other, for who fills them in that order later."""
    parts = [column[at : at + 2 * STRIDE] for column in columns for at in range(0, len(column), 2 * STRIDE)]
    if len(parts) > len(columns):
        Thread(target=_populate, args=(parts,), daemon=True).start()


def _populate(parts: Sequence[NDArray[Any]]) -> None:
    with suppress(OSError, AttributeError, TypeError):
        advise = ctypes.CDLL(None).madvise
        advise.argtypes = (ctypes.c_void_p, ctypes.c_size_t, ctypes.c_int)
        for part in parts:
            first = part.ctypes.data & -PAGE
            advise(first, part.ctypes.data + part.nbytes - first, POPULATE_WRITE)
