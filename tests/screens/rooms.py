"""A case with a job and marks on it, for walks through the rooms; invented."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

from textual.pilot import Pilot

from diagnose.cases.book import Casebook
from diagnose.coupons.spiral import tube, write
from diagnose.screens.app import DiagnoseApp
from diagnose.screens.reading import JobReader
from diagnose.triage import Triage, knowledge_from
from tests.screens.stage import steady

CARD = "board-memory-card"
TITLE = "vase 3, [red]rim[/red] \x1b[31mleft"


def write_job(folder: Path) -> Path:
    """Write a small tube; its queue runs short on this card."""
    path = folder / "a vase.gcode"
    path.write_text(write(tube(radius=15, height=6, facets=300, speed=60)))
    return path


def case_with_job(book: Path, job: Path, marked: bool = False) -> Triage:
    """Start a case, answer what is asked first, attach a job and, where wanted, marks at its stops."""
    triage = Triage.start(knowledge_from(), Casebook(book), TITLE)
    triage.answer("danger-signs", "none")
    triage.answer("defect", "blobs")
    triage.choose_printer(CARD)
    read = triage.read_job(job)
    triage.attach(read)
    if marked and read.run is not None:
        from diagnose.marks.skin import find_skin

        stops = find_skin(read).stops
        lines = [f"{h:.2f} @ {a:.0f}" for h, a in list(zip(stops.height, stops.angle, strict=True))[:8]]
        marks = triage.typed_marks(lines)
        triage.put_marks(marks, triage.weigh(marks, read), "typed")
    return triage


async def read(pilot: Pilot[Any]) -> None:
    """Wait until the job file is read."""
    app = pilot.app
    assert isinstance(app, JobReader)
    await until(pilot, lambda: app.reading is None)


async def until(pilot: Pilot[Any], true: Callable[[], bool]) -> None:
    """Wait for something that goes on behind the screen."""
    for _ in range(3000):
        if true():
            break
        await pilot.pause(0.02)
    assert true()
    await steady(pilot)


def the_app(pilot: Pilot[Any]) -> DiagnoseApp:
    """The app of a pilot."""
    assert isinstance(pilot.app, DiagnoseApp)
    return pilot.app
