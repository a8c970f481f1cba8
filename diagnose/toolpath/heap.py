"""Freed memory given back to the system."""

from __future__ import annotations

import ctypes
from contextlib import suppress


def trim() -> None:
    """Give freed columns back where the allocator keeps them (GNU's does so below 32 MB); elsewhere do nothing."""
    with suppress(OSError, AttributeError, TypeError):
        ctypes.CDLL(None).malloc_trim(ctypes.c_size_t(0))
