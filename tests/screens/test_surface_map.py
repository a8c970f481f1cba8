"""Moving on the unrolled surface: cursor, window, what is read out, marks put and taken with the cursor."""

from __future__ import annotations

import asyncio
import math
from pathlib import Path

import pytest

from diagnose.marks.reading import counted
from diagnose.screens.job import JobRoom
from diagnose.screens.marks import MarksRoom, MarksText
from diagnose.screens.surface import SurfaceMap
from diagnose.triage.unrolled import Layer, Sheet, Window, draw, sides
from tests.screens.rooms import case_with_job, read, write_job
from tests.screens.stage import at_work, bench, press, settle, words

pytestmark = pytest.mark.usefixtures("builtin_pack")
WHOLE = Window(0.0, 40.0)


def test_zooming_keeps_the_spot_in_its_place_and_never_leaves_the_part() -> None:
    window = WHOLE
    for _ in range(4):
        before = window.cell(10.0, 100.0, 40, 80)
        window = window.zoomed(2.0, 10.0, 100.0, WHOLE)
        after = window.cell(10.0, 100.0, 40, 80)
        assert before is not None and after is not None and abs(before[0] - after[0]) <= 2 and abs(before[1] - after[1]) <= 2
        assert WHOLE.low <= window.low < window.high <= WHOLE.high
    assert window.high - window.low == pytest.approx(2.5) and window.span == pytest.approx(22.5)
    for _ in range(9):
        window = window.zoomed(0.5, 10.0, 100.0, WHOLE)
    assert window == WHOLE, "from far off it is the whole part again, beginning where it did"
    deep = WHOLE
    for _ in range(30):
        deep = deep.zoomed(2.0, 10.0, 100.0, WHOLE)
    assert deep.high - deep.low >= 1.0 - 1e-9 and deep.span >= 10.0 - 1e-9


def test_a_cell_and_the_spot_in_its_middle_belong_together_over_the_seam_of_the_angles() -> None:
    window = Window(5.0, 9.0, 350.0, 20.0)
    for row in range(8):
        for column in range(10):
            assert window.cell(*window.spot(row, column, 8, 10), 8, 10) == (row, column)
    assert window.cell(7.0, 20.0, 8, 10) is None and window.cell(4.9, 355.0, 8, 10) is None
    assert sides(60, Window(0.0, 1.0, 80.0, 30.0)).split() == ["80°", "85°", "back", "95°", "100°", "105°"]
    assert sides(60, Window(0.0, 1.0, 80.0, 30.0)).index("back") == 20


def test_what_lies_above_covers_what_lies_below_and_is_read_out_first() -> None:
    below = Layer("stop", [5.0], [90.0], lambda i: "a stop")
    above = Layer("kept", [5.0, 5.0], [90.0, math.nan], lambda i: f"mark {i}")
    sheet = Sheet(Window(0.0, 10.0), [below, above])
    drawn = draw(sheet, sheet.whole, 36, 10)
    assert drawn.rows[4][9] == "met" and drawn.margin[4] == "kept"
    assert sheet.at(sheet.whole, 4, 9, 10, 36) == ["mark 0", "mark 1", "a stop"], "a mark known by height alone lies anywhere round"
    assert sheet.at(sheet.whole, 4, 20, 10, 36) == ["mark 1"]


@pytest.mark.parametrize(("zero", "turn", "angle", "told"), [("right", "ccw", 30, 30), ("back", "ccw", 100, 10), ("left", "cw", 170, 10), ("front", "cw", 280, 350)])
def test_an_angle_is_written_as_the_part_was_held(zero: str, turn: str, angle: float, told: float) -> None:
    from diagnose.triage import Triage

    assert counted(angle, zero, turn) == pytest.approx(told)
    back = Triage.typed_marks([f"5 @ {told}"], zero, turn).angle[0]
    assert back % 360 == pytest.approx(angle), "what is written reads back as the same spot"


def test_the_cursor_moves_zooms_and_goes_from_stop_to_stop(tmp_path: Path) -> None:
    case_with_job(tmp_path / "book", write_job(tmp_path))

    async def story() -> None:
        async with at_work(tmp_path / "book", (100, 40)) as pilot:
            await press(pilot, "j")
            await read(pilot)
            room = pilot.app.screen
            assert isinstance(room, JobRoom)
            drawn = room.query_one(SurfaceMap)
            assert drawn.has_focus and drawn.sheet is not None and drawn.cursor is not None
            rows, columns = drawn.grid()
            height, angle = drawn.cursor
            await press(pilot, "up", "right")
            assert drawn.cursor[0] - height == pytest.approx((drawn.window.high - drawn.window.low) / rows, rel=0.6)
            assert (drawn.cursor[1] - angle) % 360 == pytest.approx(360 / columns, rel=0.6)
            await press(pilot, "plus", "plus")
            assert drawn.window.span == pytest.approx(90.0)
            for _ in range(columns + 5):  # further than the window is wide: it moves along
                drawn.action_move(0, 1)
            await press(pilot)
            assert drawn.window.cell(*drawn.cursor, rows, columns) is not None
            await press(pilot, "0")
            assert drawn.window == drawn.sheet.whole
            stops = next(layer for layer in drawn.sheet.layers if layer.sign == "stop")
            if len(stops.height):
                await press(pilot, "n")
                assert drawn.cursor == (pytest.approx(stops.height[0]), pytest.approx(stops.angle[0]))
                assert "stands still for" in words(pilot) and "line " in words(pilot)
            else:
                await press(pilot, "n")
                assert "No stop is predicted" in words(pilot)
            await press(pilot, "end", "home", "pageup", "pagedown", "minus", "minus")
            assert drawn.window == drawn.sheet.whole
            assert f"{drawn.cursor[0]:.1f} mm up" in words(pilot), "where the cursor is, is always told"

    asyncio.run(story())


def test_marks_are_put_and_taken_with_the_cursor_and_then_told_where_they_lie(tmp_path: Path) -> None:
    case_with_job(tmp_path / "book", write_job(tmp_path))

    async def story() -> None:
        async with at_work(tmp_path / "book", (100, 40)) as pilot:
            await press(pilot, "m")
            await read(pilot)
            room = pilot.app.screen
            assert isinstance(room, MarksRoom)
            lines, drawn = room.query_one(MarksText), room.query_one(SurfaceMap)
            await press(pilot, "tab", "enter")
            assert drawn.cursor is not None
            height, angle = drawn.cursor
            assert lines.text == f"{height:.1f} @ {angle:.0f}" and "● mark" in words(pilot)
            await press(pilot, *["up"] * 6, *["right"] * 9, "enter", *["right"] * 9, "enter")
            assert len(lines.text.splitlines()) == 3
            await press(pilot, "x")
            assert len(lines.text.splitlines()) == 2, "the one next to the cursor goes"
            await press(pilot, *["right"] * 20, "x")
            assert "No mark lies next to the cursor" in words(pilot) and len(lines.text.splitlines()) == 2
            await press(pilot, *["left"] * 3, "enter", "down", "down", "enter", "ctrl+s")
            await settle(pilot)
            assert bench(pilot).triage.weighed is not None
            await press(pilot, "f6")
            assert "Where each lies" in words(pilot) or "Where each mark lies" in words(pilot)
            assert words(pilot).count("mm up") >= 4 and "line " in words(pilot)

    asyncio.run(story())
