"""Memory of columns: what is freed goes back to the system at once, what is small stays at hand."""

from __future__ import annotations

import ctypes
from contextlib import suppress

TRIM_THRESHOLD, MMAP_THRESHOLD = -1, -3
"""Numbers of the options in GNU's allocator."""
COLUMN_BYTES = 4 << 20
KEPT_BYTES = 64 << 20


def columns_apart() -> None:
    """Have large arrays mapped one by one where the allocator would keep those below 32 MB (GNU's); elsewhere do nothing.

    Else the columns that one thread frees are of no use to another, and a job takes a tenth more memory. Pieces of columns,
    made and freed thousands of times, are kept instead: giving them back each time costs more than the work on them.
    """
    with suppress(OSError, AttributeError, TypeError):
        allocator = ctypes.CDLL(None)
        for option, value in ((MMAP_THRESHOLD, COLUMN_BYTES), (TRIM_THRESHOLD, KEPT_BYTES)):
            allocator.mallopt(ctypes.c_int(option), ctypes.c_int(value))
