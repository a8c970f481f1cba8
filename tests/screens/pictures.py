"""The pictures in the README, drawn by the app itself: ``python -m tests.screens.pictures`` writes them anew.

They show the invented lamp shade of `diagnose demo`: its job, its simulated marks, its answers.
"""

from __future__ import annotations

import asyncio
import re
import tempfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

from textual.pilot import Pilot

from diagnose.cases.book import Casebook
from diagnose.cli.demo import SEED
from diagnose.coupons.spiral import lamp_shade, write
from diagnose.marks.simulate import At, simulate
from diagnose.screens.app import DiagnoseApp
from diagnose.triage import Triage, knowledge_from
from tests.screens.rooms import CARD, read
from tests.screens.stage import press, settle

FOLDER = Path(__file__).parent / "readme"
TITLE = "lamp shade 14, left rim (invented)"
ANSWERS = (("danger-signs", "none"), ("defect", "blobs"), ("second-defect", "none"), ("mark-spacing", "even"))
SIZE = (126, 34)
FETCHED = re.compile(r"@font-face \{.*?\}\s*|<!--.*?-->\s*", re.S)
"""What a browser would fetch from elsewhere: the picture is drawn in whatever fixed font is there."""


def shade_cases(folder: Path) -> None:
    """Keep the case of the invented lamp shade twice: as it stands after some answers, and with job and marks on it."""
    path = folder / "lamp-shade.gcode"
    path.write_text(write(lamp_shade()))
    for book in ("begun", "book"):
        triage = Triage.start(knowledge_from(), Casebook(folder / book), TITLE)
        for question, answer in ANSWERS:
            triage.answer(question, answer)
    triage.choose_printer(CARD)
    job = triage.read_job(path)
    triage.attach(job)
    marks = simulate(job, At("checkpoint-stops"), SEED)
    triage.put_marks(marks, triage.weigh(marks, job), "invented")


async def _triage(pilot: Pilot[Any]) -> None:
    await press(pilot, "enter")


async def _job(pilot: Pilot[Any]) -> None:
    await press(pilot, "enter", "j")
    await read(pilot)
    await press(pilot, "n", *["plus"] * 2)


async def _marks(pilot: Pilot[Any]) -> None:
    await press(pilot, "enter", "m")
    await read(pilot)
    await press(pilot, "tab")


async def _plan(pilot: Pilot[Any]) -> None:
    await press(pilot, "enter", "c")


PICTURES: dict[str, Callable[[Pilot[Any]], Any]] = {"question": _triage, "job": _job, "marks": _marks, "plan": _plan}


def drawn(names: tuple[str, ...] = tuple(PICTURES)) -> dict[str, str]:
    """Return the pictures by name, as SVG that fetches nothing."""

    async def one(book: Path, walk: Callable[[Pilot[Any]], Any]) -> str:
        app = DiagnoseApp([], book)
        async with app.run_test(size=SIZE) as pilot:
            await settle(pilot)
            await walk(pilot)
            await settle(pilot)
            return FETCHED.sub("", app.export_screenshot(title="diagnose"))

    with tempfile.TemporaryDirectory() as place:
        shade_cases(Path(place))
        return {name: asyncio.run(one(Path(place) / ("begun" if name == "question" else "book"), PICTURES[name])) for name in names}


def main() -> None:
    """Write the pictures."""
    FOLDER.mkdir(exist_ok=True)
    for name, svg in drawn().items():
        (FOLDER / f"{name}.svg").write_text(svg)
        print(f"{FOLDER / name}.svg")


if __name__ == "__main__":
    main()
