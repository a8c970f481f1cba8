"""Killed at any moment, a casebook holds all that was said; left-overs of the kill go with the next case closed."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

KILLS = int(os.environ.get("DIAGNOSE_TEST_KILLS", "200"))


@pytest.mark.skipif(not hasattr(os, "fork"), reason="this system cannot fork")
def test_nothing_said_is_lost_however_often_one_is_killed(tmp_path: Path) -> None:
    book = tmp_path / "book"
    done = subprocess.run(
        [sys.executable, "-m", "tests.cases.killed", str(book), str(KILLS), "7"], capture_output=True, text=True,
        env={**os.environ, "XDG_CACHE_HOME": str(tmp_path / "cache")}, cwd=Path(__file__).parents[2],
    )  # fmt: skip
    assert done.returncode == 0, done.stdout + done.stderr
    assert done.stdout.startswith(f"{KILLS} kills")
