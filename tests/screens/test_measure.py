"""Measuring marks in the app: typed or from a file, weighed on a thread, the surface beside them."""

from __future__ import annotations

import asyncio
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from diagnose.errors import BadInput
from diagnose.screens.marks import MarksRoom, MarksText, written
from diagnose.triage import Triage
from tests.screens.stage import (
    at_work,
    bench,
    journal,
    press,
    said,
    settle,
    small_pack,
    sticking_out,
    words,
    write_case,
)
from tests.triage.handmade import MARKS, marks_at, told

ATTACHED = {"do": "job", "job": {"path": "part.gcode", "printer": None, "findings": []}}


def weighing(monkeypatch: pytest.MonkeyPatch, how: Callable[..., Any] | None = None) -> None:
    """Let the weighing say what a report made by hand says."""

    def weigh(self: Triage, marks: Any, job: Any = None, progress: Any = None, cancel: Any = None) -> Any:
        if how is not None:
            return how(cancel)
        return told(small_pack(), {}, marks=marks) if self.case.job else None

    monkeypatch.setattr(Triage, "weigh", weigh)


async def typed(pilot: Any, *lines: str) -> None:
    """Type lines and say that these are all."""
    pilot.app.screen.query_one(MarksText).focus()
    for line in lines:
        pilot.app.screen.query_one(MarksText).insert(line)
        await press(pilot, "enter")
    await press(pilot, "enter")
    await settle(pilot)


FIVE = ("41 @ 10", "43.5 @ 80", "45 @ 190", "50 @ 20", "54.5 @ 300")


def test_marks_typed_are_weighed_shown_and_kept(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    weighing(monkeypatch)
    write_case(tmp_path, said("fault", "dots"), ATTACHED)

    async def story() -> None:
        async with at_work(tmp_path, (100, 30)) as pilot:
            await press(pilot, "m")
            assert "12.4 @ 35" in words(pilot) and "Angle 0 is on the right" in words(pilot)
            await typed(pilot, *FIVE)
            text = words(pilot)
            assert "4 of 5 marks fall on one 5.0 s beat." in text and "● mark on the beat" in text
            assert sticking_out(pilot) == []
            await press(pilot, "escape")
            assert "marks, saved" in words(pilot)
            (event,) = [e for e in journal(tmp_path) if e["do"] == "marks"]
            assert event["marks"]["columns"]["height"] == [41.0, 43.5, 45.0, 50.0, 54.5]
            await press(pilot, "a")
            assert "5 marks, 5 on the part" in words(pilot)
            await press(pilot, "end", "enter")
            assert isinstance(pilot.app.screen, MarksRoom)
            assert pilot.app.screen.query_one(MarksText).text.splitlines() == list(FIVE)

    asyncio.run(story())


def test_a_slip_is_told_and_nothing_is_taken(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    weighing(monkeypatch)
    write_case(tmp_path, said("fault", "dots"), ATTACHED)

    async def story() -> None:
        async with at_work(tmp_path) as pilot:
            await press(pilot, "m")
            await typed(pilot, "12.4 @ 35", "12.6 at noon")
            assert "12.6 at noon" in words(pilot)
            assert bench(pilot).triage.case.marks is None
            pilot.app.screen.query_one(MarksText).text = ""
            await typed(pilot, "nowhere.csv")
            assert "nowhere.csv" in words(pilot)
            assert bench(pilot).triage.case.marks is None

    asyncio.run(story())


def test_without_a_job_the_marks_are_kept_and_wait(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    weighing(monkeypatch)
    write_case(tmp_path, said("fault", "dots"))

    async def story() -> None:
        async with at_work(tmp_path) as pilot:
            await press(pilot, "m")
            await typed(pilot, *FIVE)
            assert "say something once the job file is attached" in words(pilot)
            await press(pilot, "escape")
            assert "marks wait for the job" in words(pilot)
            await press(pilot, "m", "f8")
            assert "The marks are left out." in words(pilot)
            assert bench(pilot).triage.case.marks is None
            await press(pilot, "escape", "b")
            assert bench(pilot).triage.case.marks is not None, "undo brings them back"

    asyncio.run(story())


def test_how_the_part_was_held_is_chosen_with_keys(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    weighing(monkeypatch)
    write_case(tmp_path, said("fault", "dots"), ATTACHED)

    async def story() -> None:
        async with at_work(tmp_path) as pilot:
            await press(pilot, "m", "f3", "f3", "f4")
            assert "Angle 0 is on the left; angles count clockwise" in words(pilot)
            await typed(pilot, "41 @ 10")
            angle = bench(pilot).triage.marks.angle[0]  # type: ignore[union-attr]
            assert angle % 360 == 170.0, "10 degrees clockwise from the left, counted counter-clockwise from the right"
            assert pilot.app.screen.query_one(MarksText).text == "41 @ 170"
            assert "Angle 0 is on the right; angles count counter-clockwise" in words(pilot)
            await press(pilot, "f3", "f3", "f3", "f3")
            assert "I don't know where angle 0 is" in words(pilot)
            await press(pilot, "ctrl+s")
            await settle(pilot)
            assert not bench(pilot).triage.marks.zero_known  # type: ignore[union-attr]
            assert "I don't know where angle 0 is" in words(pilot), "weighing them again must not claim to know"

    asyncio.run(story())


def test_a_weighing_can_be_stopped_and_a_failing_one_is_told(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def slow(cancel: Callable[[], bool]) -> None:
        while not cancel():
            time.sleep(0.01)

    def gone(cancel: Callable[[], bool]) -> None:
        raise BadInput("the file has gone", "attach it again", "part.gcode")

    write_case(tmp_path, said("fault", "dots"), ATTACHED)

    async def story() -> None:
        async with at_work(tmp_path) as pilot:
            weighing(monkeypatch, slow)
            await press(pilot, "m")
            pilot.app.screen.query_one(MarksText).text = "41 @ 10"
            await press(pilot, "ctrl+s")
            await press(pilot, "escape")
            assert "Stopped. The marks were not taken." in words(pilot)
            weighing(monkeypatch, gone)
            await press(pilot, "ctrl+s")
            await settle(pilot)
            text = words(pilot)
            assert "The marks are kept" in text and "the file has gone" in text
            assert bench(pilot).triage.case.marks is not None and bench(pilot).triage.weighed is None

    asyncio.run(story())


@pytest.mark.parametrize("size", [(40, 10), (60, 16), (80, 24), (160, 50)])
def test_nothing_sticks_out_at_any_size(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, size: tuple[int, int]) -> None:
    weighing(monkeypatch)
    write_case(tmp_path, said("fault", "dots"), ATTACHED)

    async def story() -> None:
        async with at_work(tmp_path, size) as pilot:
            await press(pilot, "m")
            await typed(pilot, *FIVE)
            assert sticking_out(pilot) == []

    asyncio.run(story())


def test_marks_are_written_as_they_would_be_typed() -> None:
    assert written(marks_at([12.4, 13.0], [35.0, -20.0])) == "12.4 @ 35\n13 @ 340"
    assert written(marks_at([12.4])) == "12.4"
    assert len(written(MARKS).splitlines()) == 14
