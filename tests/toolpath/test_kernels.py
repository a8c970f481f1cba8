"""The cache of compiled kernels: where it lies, and what its damage costs."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
PROBE = """
import numpy as np
from diagnose.toolpath import _kernels
from diagnose.toolpath._kernels import layers
out, kind = np.empty(1), np.empty(1, np.uint8)
one = np.ones(1)
layers.measure(np.zeros(3), 3 * one, 4 * one, 0 * one, one, out, kind)
stats = getattr(layers.measure, "stats", None)
print(_kernels.CACHED, out[0], sum(stats.cache_hits.values()) if stats else -1)
"""


def run(**environment: str) -> list[str]:
    done = subprocess.run(
        [sys.executable, "-c", PROBE], cwd=ROOT, env={**os.environ, "PYTHONPATH": str(ROOT), **environment},
        capture_output=True, text=True, timeout=120,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    return done.stdout.split()


def test_a_damaged_cache_costs_a_compilation_and_no_more(tmp_path: Path) -> None:
    assert run(NUMBA_CACHE_DIR=str(tmp_path)) == ["True", "5.0", "0"]
    assert run(NUMBA_CACHE_DIR=str(tmp_path)) == ["True", "5.0", "1"]
    cached = list(tmp_path.rglob("*.nb[ic]"))
    assert cached
    for path in cached:
        path.write_bytes(path.read_bytes()[:20])
    assert run(NUMBA_CACHE_DIR=str(tmp_path)) == ["True", "5.0", "0"]


def test_without_a_place_to_write_kernels_run_uncached(tmp_path: Path) -> None:
    blocked = tmp_path / "file"
    blocked.write_text("in the way")
    assert run(NUMBA_CACHE_DIR=str(blocked / "cache"))[:2] == ["False", "5.0"]


@pytest.mark.skipif(not hasattr(os, "geteuid"), reason="needs a user id")
def test_a_cache_of_its_own_is_private(tmp_path: Path) -> None:
    folder = tmp_path / "new"
    assert run(NUMBA_CACHE_DIR=str(folder))[0] == "True"
    assert folder.stat().st_mode & 0o077 == 0
