"""The cache of compiled kernels: where it lies, what its damage costs, and what is told of the first run."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from diagnose.errors import Cancelled
from diagnose.toolpath import _kernels, prepare

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


def run(root: Path = ROOT, without: str = "", **environment: str) -> list[str]:
    given = {**os.environ, "PYTHONPATH": str(root), **environment}
    given.pop(without, None)
    done = subprocess.run(
        [sys.executable, "-c", PROBE], cwd=root, env=given, capture_output=True, text=True, timeout=120
    )
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


def test_a_read_only_package_and_no_home_are_no_matter(tmp_path: Path) -> None:
    """The package folder cannot be written to, and there is no HOME: kernels are cached elsewhere or not at all."""
    package = tmp_path / "site" / "diagnose"
    shutil.copytree(ROOT / "diagnose", package, ignore=shutil.ignore_patterns("__pycache__"))
    folder = package / "toolpath" / "_kernels"
    (folder / "__pycache__").write_text("in the way, for root may write anywhere")
    for place in (folder, package / "toolpath", package):
        place.chmod(0o555)
    try:
        cache = {"XDG_CACHE_HOME": str(tmp_path / "cache"), "PYTHONDONTWRITEBYTECODE": "1"}
        assert run(package.parent, without="HOME", **cache)[1] == "5.0"
        if sys.platform.startswith("linux"):
            assert run(package.parent, without="HOME", **cache) == ["True", "5.0", "1"]
        nowhere = {**cache, "XDG_CACHE_HOME": str(folder / "__pycache__" / "cache")}
        assert run(package.parent, without="HOME", **nowhere)[:2] == ["False", "5.0"]
    finally:
        for place in (folder, package / "toolpath", package):
            place.chmod(0o755)


def test_the_kernels_that_tell_whether_all_is_ready_exist() -> None:
    from diagnose.toolpath import ease, job

    assert job and ease
    names = {f"{k.py_func.__module__.split('.')[-1]}.{k.py_func.__name__}" for k in _kernels._KNOWN}
    assert names >= {name for part in prepare.PARTS.values() for name in part}


@pytest.mark.parametrize("name", list(prepare.PARTS))
def test_each_part_can_be_compiled_by_itself(
    name: str, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    import dataclasses
    import io

    from tests.toolpath.parts import PLAIN

    monkeypatch.setattr(sys, "stdin", io.StringIO(json.dumps(dataclasses.asdict(PLAIN))))
    prepare.compile_parts([name])
    assert prepare.ready([name])


def test_the_first_run_says_that_it_prepares_and_may_be_stopped(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(prepare, "ready", lambda parts: False)
    monkeypatch.setattr(prepare, "_CODE", "import time; time.sleep(60)")
    monkeypatch.setattr(os, "cpu_count", lambda: 2)
    monkeypatch.setattr(_kernels, "CACHED", True)
    told: list[str] = []
    with pytest.raises(Cancelled):
        prepare.prepare(None, lambda done, what: told.append(what), lambda: len(told) > 2)
    assert set(told) == {prepare.PREPARING}


def test_nothing_is_said_or_started_where_all_is_ready(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(prepare, "ready", lambda parts: True)
    monkeypatch.setattr(subprocess, "Popen", None)
    told: list[str] = []
    prepare.prepare(None, lambda done, what: told.append(what))
    assert told == []


def test_processes_that_fail_leave_the_work_to_the_first_use(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(prepare, "ready", lambda parts: False)
    monkeypatch.setattr(prepare, "_CODE", "raise SystemExit({names!r} and {path!r} and 3)")
    monkeypatch.setattr(os, "cpu_count", lambda: 2)
    prepare.prepare(None)
