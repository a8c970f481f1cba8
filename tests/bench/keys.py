"""How long a key takes to be answered on the screen while a large job is read behind it, with all the rules.

A key is answered with the first frame drawn after it; it is done with the last one, after which the screen stays as it is. Frames of the
progress count as well, so what is done is an upper bound. Keys that draw nothing are left out.
"""

from __future__ import annotations

import asyncio
import tempfile
import time
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
ROUNDS = 3


def keys(megabytes: int = MEGABYTES) -> None:
    """Print the table: keys while nothing is read, and while a job is."""
    with tempfile.TemporaryDirectory() as name:
        path = Path(name) / "job.gcode"
        spiral_job(path, megabytes)
        for reading in (False, True):
            first, last = 1e3 * np.array(asyncio.run(_measure(Path(name) / f"book-{reading}", path if reading else None))).T
            print(f"{len(first)} keys, {f'{megabytes} MB of job being read' if reading else 'nothing read'}")
            for what, times, goals in (("answered", first, ("goal 50", "goal 150")), ("done", last, ("", ""))):
                row(f"{what}, median", float(np.median(times)), "ms", goals[0])
                row(f"{what}, 99 of 100 within", float(np.percentile(times, 99)), "ms", goals[1])


async def _measure(book: Path, job: Path | None) -> list[tuple[float, float]]:
    """Return s to the first and to the last frame of every key that draws any."""
    app = DiagnoseApp([], book)
    frames: list[float] = []
    display = app._display

    def noted(screen: Any, renderable: Any) -> None:
        display(screen, renderable)
        frames.append(time.perf_counter())

    app._display = noted  # type: ignore[method-assign]
    taken: list[tuple[str, tuple[float, float]]] = []
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
                bench.triage.detach()
                app.read_job(bench.triage, job)
                await asyncio.sleep(0.05)
            if (took := await _press(app, key, frames)) is not None:
                taken.append((key, took))
        app.stop_reading()
    for key, (first, last) in sorted(taken, key=lambda one: -one[1][0])[:5]:
        print(f"  slow: {key} answered in {1e3 * first:.0f} ms, done in {1e3 * last:.0f} ms")
    return [took for _, took in taken]


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
