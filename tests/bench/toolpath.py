"""The toolpath engine beside a fast reader of tables and a plain one, in one run.

Figures of one machine mean little; the ratios do. The reader of tables is polars.read_csv on as many bytes of floats, two
threads each. The plain reader is the slow oracle of the tests, for words and moves alone.
"""

from __future__ import annotations

import os
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np

from tests.bench.files import floats, layered_job, spiral_job

CARD = "board-memory-card"
TABLE = "import polars, sys; polars.read_csv(sys.argv[1])"
LAUNCH = """
import resource, subprocess, sys, time
begun = time.perf_counter()
subprocess.run(sys.argv[1:], stdout=subprocess.DEVNULL, check=True)
print(time.perf_counter() - begun, resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss)
"""
"""Starts a process from a small one: what a process begins with counts for its peak."""
WRITERS = {"spiral": spiral_job, "layered": layered_job}
THREADS = "2"


def table(large: bool = False) -> None:
    """Print stages, whole processes and growth; `large` measures 1,000 MB as well."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        for kind in WRITERS:
            _process([sys.executable, "-m", "diagnose", "toolpath", "--json", "--printer", CARD, _job(folder, kind, 1)])
        for kind in WRITERS:
            stages(folder, kind)
        for kind in WRITERS:
            processes(folder, kind)
        growth(folder, (1, 3, 10, 30, 100, 300, 1000) if large else (1, 3, 10, 30, 100))


def stages(folder: Path, kind: str) -> None:
    """Print MB/s of every stage on 100 MB, in one process, medians of five."""
    os.environ["POLARS_MAX_THREADS"] = THREADS
    import polars

    from diagnose.toolpath import queue, speeds
    from diagnose.toolpath.findings import Ground, find
    from diagnose.toolpath.job import read_file, read_job, run
    from diagnose.toolpath.jobfile import read_motion
    from diagnose.toolpath.shape import shape
    from diagnose.toolpath.source import find_source
    from diagnose.toolpath.stream import pieces
    from diagnose.toolpath.summary import summary
    from diagnose.triage import card, knowledge_from, machine_of

    machine = machine_of(card(knowledge_from(()), CARD))
    source, csv = find_source(Path(_job(folder, kind, 100))), _csv(folder, 100)
    file = read_file(source.path)
    ran = run(file, machine)
    limits = speeds.limits(file.moves, machine, file.events, file.limits)
    job = read_job(source.path, machine)
    size, n = source.size / 1e6, len(file.moves)

    def words(threads: int) -> None:
        for _ in pieces(source, threads):
            pass

    work: dict[str, Callable[[], object]] = {
        "polars.read_csv, as many bytes": lambda: polars.read_csv(csv),
        "file into memory": lambda: np.fromfile(source.path, np.uint8),
        "bytes to words, one thread": lambda: words(1),
        "bytes to words, two threads": lambda: words(2),
        "bytes to moves": lambda: read_motion(source),
        "shape": lambda: shape(file.moves, file.events),
        "limits": lambda: speeds.limits(file.moves, machine, file.events, file.limits),
        "speeds and queue": lambda: queue.simulate(file.moves, limits, machine, file.events),
        "findings": lambda: (find(Ground(file)), find(Ground(file, ran))),
        "summary": lambda: summary(job),
    }
    taken: dict[str, list[float]] = {name: [] for name in work}
    for _ in range(5):  # turn by turn, so that a busy moment of the machine spoils one of each
        for name, do in work.items():
            begun = time.perf_counter()
            do()
            taken[name].append(time.perf_counter() - begun)
    beside = statistics.median(taken["polars.read_csv, as many bytes"])
    print(f"\n{kind} job, {size:.0f} MB, {n:,} moves: stages in one process, median of five")
    print(f"  {'stage':<34}{'s':>8}{'MB/s':>9}{'ns a move':>11}{'rate to polars':>16}")
    for name, runs in taken.items():
        s = statistics.median(runs)
        print(f"  {name:<34}{s:>8.3f}{size / s:>9.0f}{1e9 * s / n:>11.0f}{beside / s:>16.2f}")
    _plain(folder, kind, statistics.median(taken["bytes to moves"]) / size)


def _plain(folder: Path, kind: str, seconds_per_mb: float) -> None:
    from tests.toolpath import plain_reader

    path = Path(_job(folder, kind, 1))
    begun = time.perf_counter()
    plain_reader.steps(path.read_text(), 0.01, 1.0, 35.0)
    s = (time.perf_counter() - begun) / (path.stat().st_size / 1e6)
    print(f"  plain Python reader, bytes to moves: {1 / s:.1f} MB/s; the engine is {s / seconds_per_mb:,.0f} times as fast")


def processes(folder: Path, kind: str) -> None:
    """Print whole processes, all findings included, beside one that only reads a table, medians of five."""
    small, large = _both(folder, kind, 1), _both(folder, kind, 100)
    (job_1, csv_1), (job_100, csv_100) = small[0], large[0]
    whole, beside = job_100 / csv_100, (job_100 - job_1) / max(csv_100 - csv_1, 1e-9)
    limit = 400 + 3.5 * Path(_job(folder, kind, 100)).stat().st_size / 1e6
    print(f"\n{kind} job: whole process, `diagnose toolpath --json --printer {CARD}`, median of five")
    print(f"  1 MB {job_1:.2f} s (polars {csv_1:.2f} s), 100 MB {job_100:.2f} s (polars {csv_100:.2f} s)")
    print(f"  whole process {whole:.2f} times polars (goal 3.0); 100 MB less 1 MB {beside:.2f} times (goal 4.0)")
    print(f"  peak memory {large[1]:.0f} MB (goal {limit:.0f} MB), 1 MB: {small[1]:.0f} MB")


SETTLED_S = 5.0
"""Before each run of the growth: hosts of virtual machines take free memory back after some seconds, and giving it anew takes
longer than all work on it. So every size meets it alike."""


def growth(folder: Path, sizes: tuple[int, ...]) -> None:
    """Print time against size and the straight line through it, t = a + b MB."""
    measured = []
    for size in sizes:
        path = _job(folder, "layered", size)
        command = [sys.executable, "-m", "diagnose", "toolpath", "--json", "--printer", CARD, path]
        os.sync()
        runs = []
        for _ in range(3):
            time.sleep(SETTLED_S)
            runs.append(_process(command))
        measured.append((Path(path).stat().st_size / 1e6, statistics.median(s for s, _ in runs), max(m for _, m in runs)))
        if size > 100:
            Path(path).unlink()
    mb, seconds, memory = np.array(measured).T
    # Relative errors count: weight each point by its own time.
    b, a = np.polyfit(mb, seconds, 1, w=1 / seconds)
    print(f"\ngrowth, layered jobs: t = {a:.2f} s + {1000 * b:.2f} ms a MB")
    print(f"  {'MB':>8}{'s':>9}{'line':>9}{'off':>8}{'peak MB':>10}{'goal':>8}")
    for size, s, peak in zip(mb, seconds, memory, strict=True):
        line = a + b * size
        print(f"  {size:>8.1f}{s:>9.2f}{line:>9.2f}{100 * (s / line - 1):>7.0f}%{peak:>10.0f}{400 + 3.5 * size:>8.0f}")


def _both(folder: Path, kind: str, size: int) -> tuple[tuple[float, float], float]:
    """Return median s of the engine and of polars, turn by turn, and the engine's peak memory in MB."""
    job, csv = _job(folder, kind, size), str(_csv(folder, size))
    engine, reader, peak = [], [], 0.0
    for _ in range(5):
        s, memory = _process([sys.executable, "-m", "diagnose", "toolpath", "--json", "--printer", CARD, job])
        engine.append(s)
        peak = max(peak, memory)
        reader.append(_process([sys.executable, "-c", TABLE, csv])[0])
    return (statistics.median(engine), statistics.median(reader)), peak


def _process(command: list[str]) -> tuple[float, float]:
    """Return s and peak memory in MB of a process."""
    done = subprocess.run(
        [sys.executable, "-S", "-c", LAUNCH, *command], capture_output=True, text=True, check=True,
        env={**os.environ, "POLARS_MAX_THREADS": THREADS},
    )  # fmt: skip
    taken, peak = done.stdout.split()
    return float(taken), float(peak) / (1 << 10 if sys.platform != "darwin" else 1 << 20)


def _job(folder: Path, kind: str, size: int) -> str:
    path = folder / f"{kind}-{size}.gcode"
    return str(path if path.exists() else WRITERS[kind](path, size))


def _csv(folder: Path, size: int) -> Path:
    path = folder / f"{size}.csv"
    return path if path.exists() else floats(path, size)
