"""The app on a small rule pack of its own, what stands on its screen, and what sticks out of it."""

from __future__ import annotations

import html
import json
import re
import sys
from collections import defaultdict
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from functools import cache
from pathlib import Path
from typing import Any

from textual.pilot import Pilot
from textual.widget import Widget
from textual.widgets import Static

from diagnose.knowledge.check import load_checked
from diagnose.knowledge.pack import Knowledge
from diagnose.screens.app import DiagnoseApp
from diagnose.screens.triage import TriageScreen

RULES, DANGER = Path(__file__).parent / "rules", Path(__file__).parent / "danger"
TITLE = "plate 7, [bold]left[/bold] side"
STARTED = "2020-02-03T09:00:00+00:00"

CELL = 12.2
"""Width of a character in a picture of the screen."""

_TEXT = re.compile(r'<text [^>]*x="([\d.]+)" y="([\d.]+)"[^>]*>(.*?)</text>')


@cache
def small_pack() -> Knowledge:
    return load_checked([RULES])


@cache
def danger_pack() -> Knowledge:
    return load_checked([RULES, DANGER])


def write_case(folder: Path, *events: dict[str, Any], title: str = TITLE) -> str:
    """Write a journal by hand, with times that do not change; returns the id of the case."""
    folder.mkdir(parents=True, exist_ok=True)
    case = f"case-{len(list(folder.iterdir()))}"
    lines = [{"do": "start", "title": title, "version": 1}, *events]
    text = "".join(json.dumps({"at": STARTED, **event}) + "\n" for event in lines)
    (folder / f"{case}.journal").write_text(text)
    return case


def said(question: str, *answers: str) -> dict[str, Any]:
    return {"do": "answer", "question": question, "answers": list(answers)}


def journal(folder: Path) -> list[dict[str, Any]]:
    """Return the events of the only case in a folder."""
    (path,) = folder.glob("*.journal")
    return [json.loads(line) for line in path.read_text().splitlines()]


async def steady(pilot: Pilot[Any]) -> None:
    """Wait until all messages were dealt with and the screen stopped changing, however busy the machine is."""
    before, same = "", 0
    while same < 3:
        await pilot.pause(0)
        places = [(w.region, w.virtual_size) for w in pilot.app.screen.query(Widget)]
        now = f"{pilot.app.screen} {places} {seen(pilot)}"
        before, same = now, same + 1 if now == before else 0


async def press(pilot: Pilot[Any], *keys: str) -> None:
    """Press keys, each on a screen that has come to rest."""
    for key in keys:
        await pilot.press(key)
        await steady(pilot)
        while any(w.group == "plan" and w.is_running for w in pilot.app.workers):
            await pilot.pause(0.01)
        await steady(pilot)


async def settle(pilot: Pilot[Any]) -> None:
    """Wait until no worker runs and everything was drawn."""
    await steady(pilot)
    await pilot.app.workers.wait_for_complete()
    await steady(pilot)


@asynccontextmanager
async def opened(folder: Path, size: tuple[int, int] = (80, 24)) -> AsyncIterator[Pilot[Any]]:
    """The app on a casebook folder, its rules read."""
    app = DiagnoseApp([], folder)
    async with app.run_test(size=size) as pilot:
        await settle(pilot)
        yield pilot


@asynccontextmanager
async def at_work(folder: Path, size: tuple[int, int] = (80, 24)) -> AsyncIterator[Pilot[Any]]:
    """The app in its last changed case, or in a new one where there is none."""
    async with opened(folder, size) as pilot:
        await press(pilot, "enter")
        if not isinstance(pilot.app.screen, TriageScreen):
            await press(pilot, "enter")
        assert isinstance(pilot.app.screen, TriageScreen)
        yield pilot


def bench(pilot: Pilot[Any]) -> TriageScreen:
    """The screen of the case, whatever lies over it."""
    return next(s for s in reversed(pilot.app.screen_stack) if isinstance(s, TriageScreen))


def seen(pilot: Pilot[Any]) -> str:
    """What stands on the screen, line by line, as a reader sees it."""
    rows: dict[float, str] = defaultdict(str)
    for x, y, text in sorted(
        (float(x), float(y), html.unescape(text)) for x, y, text in _TEXT.findall(pilot.app.export_screenshot())
    ):
        rows[y] = rows[y].ljust(round(x / CELL)) + text.replace("\xa0", " ")
    return "\n".join(rows[y] for y in sorted(rows))


def words(pilot: Pilot[Any]) -> str:
    """What stands on the screen as one line of words."""
    return " ".join(re.sub(r"[─│╭╮╰╯]", " ", seen(pilot)).split())


def sticking_out(pilot: Pilot[Any]) -> list[str]:
    """Widgets that lie beyond the screen or the box they stand in, or whose text has more lines than room."""
    screen = pilot.app.screen
    wrong = []
    for widget in screen.query(Widget):
        if not widget.display or any(not parent.display for parent in widget.ancestors_with_self if isinstance(parent, Widget)):
            continue
        scrolls = any(p.allow_vertical_scroll for p in widget.ancestors if isinstance(p, Widget) and p is not screen)
        if widget.region.area == 0:
            wrong.append(f"{widget} has no room")
        parent = widget.parent
        if not scrolls and isinstance(parent, Widget) and not parent.region.contains_region(widget.region):
            wrong.append(f"{widget} {widget.region} is not within {parent} {parent.region}")
        if widget.allow_horizontal_scroll and widget.max_scroll_x > 0:
            wrong.append(f"{widget} is wider than its room")
        if isinstance(widget, Static):
            width, height = widget.content_size
            needed = widget.get_content_height(screen.size, screen.size, width)
            if needed > height:
                wrong.append(f"{widget} needs {needed} lines and has {height}")
    return wrong


def main() -> None:
    """Run the app on the small pack in this terminal; for the test that kills it."""
    import diagnose.triage
    from diagnose.screens.app import run_app

    diagnose.triage.knowledge_from = lambda extra=(): small_pack()
    sys.exit(run_app([], Path(sys.argv[1])))


if __name__ == "__main__":
    main()
