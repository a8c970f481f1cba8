"""Memory of columns: what is freed goes back to the system at once."""

from __future__ import annotations

import ctypes
from contextlib import suppress

MMAP_THRESHOLD = -3
"""Number of the option in GNU's allocator."""
COLUMN_BYTES = 4 << 20


def columns_apart() -> None:
    """Have large arrays mapped one by one where the allocator would keep those below 32 MB (GNU's); elsewhere do nothing.

    Else the columns that one thread frees are of no use to another, and a job takes a tenth more memory.
    """
    with suppress(OSError, AttributeError, TypeError):
        ctypes.CDLL(None).mallopt(ctypes.c_int(MMAP_THRESHOLD), ctypes.c_int(COLUMN_BYTES))
