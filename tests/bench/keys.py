"""How long a key takes to be answered on the screen while a large job is read behind it, with all the rules.

A key is answered with the first frame drawn after it; it is done with the last one, after which the screen stays as it is. Frames of the
progress count as well, so what is done is an upper bound. Keys that draw nothing are left out.
"""

from __future__ import annotations

import asyncio
import tempfile
import time
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from textual import events

from diagnose.screens.app import DiagnoseApp
from diagnose.screens.triage import TriageScreen
from tests.bench.files import spiral_job
from tests.bench.start import row

MEGABYTES = 100
CARD = "board-memory-card"
QUIET_S = 0.15
"""A screen that has not changed for so long has come to rest."""
LONGEST_S = 3.0
KEYS = (
    "down", "down", "up", "1", "enter", "right", "right", "left", "w", "escape", "l", "down", "escape", "0", "tab", "down", "tab", "tab",
    "2", "enter", "s", "down", "escape", "b", "a", "down", "escape", "3", "enter", "n", "1", "enter", "b", "question_mark", "escape",
    "c", "down", "escape", "j", "right", "plus", "escape", "m", "escape",
)  # fmt: skip
ROUNDS = 6


@dataclass(frozen=True)
class Taken:
    """How long a key took, s: to the first frame after it, and to the last one."""

    key: str
    first: float
    last: float
    arrived: bool
    """Whether a reading ended meanwhile."""


def keys(megabytes: int = MEGABYTES) -> None:
    """Print the table: keys while nothing is read, and while a job is."""
    with tempfile.TemporaryDirectory() as name:
        path = Path(name) / "job.gcode"
        spiral_job(path, megabytes)
        for reading in (False, True):
            taken = asyncio.run(_measure(Path(name) / f"book-{reading}", path if reading else None))
            _table([t for t in taken if not t.arrived], f"{megabytes} MB of job being read" if reading else "nothing read", ("goal 50", "goal 150"))
            if reading:
                _table([t for t in taken if t.arrived], "while one reading ends and the next begins", ("", ""))


def _table(taken: list[Taken], when: str, goals: tuple[str, str]) -> None:
    print(f"{len(taken)} keys, {when}")
    for what, times, goal in (("answered", [t.first for t in taken], goals), ("done", [t.last for t in taken], ("", ""))):
        row(f"{what}, median", 1e3 * float(np.median(times)), "ms", goal[0])
        row(f"{what}, 99 of 100 within", 1e3 * float(np.percentile(times, 99)), "ms", goal[1])


async def _measure(book: Path, job: Path | None) -> list[Taken]:
    """Return how long every key took that draws anything."""
    app = DiagnoseApp([], book)
    frames: list[float] = []
    display = app._display

    def noted(screen: Any, renderable: Any) -> None:
        display(screen, renderable)
        frames.append(time.perf_counter())

    app._display = noted  # type: ignore[method-assign]
    taken: list[Taken] = []
    async with app.run_test(size=(120, 40)) as pilot:
        await app.workers.wait_for_complete()
        await pilot.press("n")
        await pilot.press("enter")
        await pilot.pause(1.0)
        bench = app.screen
        assert isinstance(bench, TriageScreen)
        bench.triage.choose_printer(CARD)
        for key in KEYS * ROUNDS:
            if job is not None and app.reading is None:
                # Read again and again, but put on the case once: else the journal would grow as no person's does.
                again = bench.triage.case.job is not None
                bench.triage._job = None
                app.read_job(bench.triage, job, again=again)
                await asyncio.sleep(0.05)
            before = app.reading
            if (took := await _press(app, key, frames)) is not None:
                taken.append(Taken(key, *took, arrived=app.reading is not before))
        app.stop_reading()
    return taken


async def _press(app: DiagnoseApp, key: str, frames: list[float]) -> tuple[float, float] | None:
    """Press a key and return s until it is answered and until the screen has come to rest; None where nothing is drawn."""
    frames.clear()
    begun = time.perf_counter()
    app._driver.process_message(events.Key(key, key if len(key) == 1 else None))  # type: ignore[union-attr]
    while time.perf_counter() - begun < LONGEST_S:
        await asyncio.sleep(0.001)
        now = time.perf_counter()
        if now - (frames[-1] if frames else begun) > QUIET_S and _idle(app):
            break
    return (frames[0] - begun, frames[-1] - begun) if frames else None


def _idle(app: DiagnoseApp) -> bool:
    screen = app.screen
    return all(node._message_queue.empty() for node in (app, screen, *screen.query("*")))
