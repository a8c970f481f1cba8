"""Compiled loops of the engine. Nobody outside ``toolpath`` imports this folder.

A kernel calls only kernels of its own file: the stamp of numba's cache covers one file.
"""

from __future__ import annotations

import os
import sys
import tempfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any, TypeVar, cast

from diagnose.folders import cache

F = TypeVar("F", bound=Callable[..., Any])

CACHE_VARIABLE = "NUMBA_CACHE_DIR"


def _writable(folder: Path) -> bool:
    """Return whether a file can really be made in the folder, which is made if need be."""
    try:
        folder.mkdir(mode=0o700, parents=True, exist_ok=True)
        with tempfile.TemporaryFile(dir=folder):
            return True
    except OSError:
        return False


def _choose_cache() -> bool:
    """Point numba at a folder it can write to; return False where there is none.

    numba reads its variable on import and raises at decoration when it finds no place, so the choice comes first.
    A place the user named is used or done without, never replaced.
    """
    named = os.environ.get(CACHE_VARIABLE)
    if named:
        return _writable(Path(named))
    if _writable(Path(__file__).parent / "__pycache__"):
        return True
    private = cache("kernels")
    if not _writable(private):
        return False
    if "numba" in sys.modules:
        settings: Any = sys.modules["numba"].config
        settings.CACHE_DIR = str(private)
    os.environ[CACHE_VARIABLE] = str(private)
    return True


CACHED = _choose_cache()



@contextmanager
def _without(name: str) -> Iterator[None]:
    """Hide a module that is not yet imported."""
    hidden = name not in sys.modules
    if hidden:
        sys.modules[name] = cast(Any, None)
    try:
        yield
    finally:
        if hidden:
            del sys.modules[name]


# No kernel multiplies matrices, and looking for the means to do so costs every run a tenth of a second.
with _without("scipy.linalg"):
    import numba
    from numba.core import caching
    from numba.np import arraymath as _arraymath  # noqa: F401

_Cache: Any = caching.FunctionCache


class _ForgivingCache(_Cache):  # type: ignore[misc]
    """A cache whose damage costs a compilation, not the run: a truncated file, a full disk."""

    def load_overload(self, sig: Any, target_context: Any) -> Any:
        try:
            return super().load_overload(sig, target_context)
        except Exception:  # what a damaged pickle raises is anybody's guess
            with suppress(Exception):
                self.flush()
            return None

    def save_overload(self, sig: Any, data: Any) -> None:
        with suppress(Exception):
            super().save_overload(sig, data)


_KNOWN: list[Any] = []


def kernel(function: F) -> F:
    """Compile a loop over bare arrays: no Python objects inside, lock released, division by zero as numpy has it."""
    jit: Any = numba.njit  # its stubs do not know that it can do without a wrapper for C, which nobody calls
    compiled = jit(cache=CACHED, nogil=True, error_model="numpy", no_cfunc_wrapper=True)(function)
    if CACHED and hasattr(compiled, "_cache"):
        compiled._cache = _ForgivingCache(compiled.py_func)
    if hasattr(compiled, "signatures"):  # not when it runs as plain Python
        _KNOWN.append(compiled)
    return cast(F, compiled)


def ready(*names: str) -> bool:
    """Return whether these kernels, such as ``words.read``, were compiled on this machine before, or need not be."""
    wanted = {f"{__name__}.{name}" for name in names}
    return all(
        compiled.signatures or _cached(compiled)
        for compiled in _KNOWN
        if f"{compiled.py_func.__module__}.{compiled.py_func.__name__}" in wanted
    )


def _cached(compiled: Any) -> bool:
    try:
        return CACHED and bool(compiled._cache._cache_file._load_index())
    except Exception:  # a damaged index: compiled anew
        return False


__all__ = ["CACHED", "kernel", "ready"]
