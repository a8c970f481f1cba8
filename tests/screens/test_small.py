"""Windows with little room: the question and its answers come first, and what is out of sight is counted."""

from __future__ import annotations

import asyncio
import re
from pathlib import Path
from typing import Any

import pytest
from textual.pilot import Pilot

from diagnose.screens.panels import SuspectList
from diagnose.screens.question import QuestionPanel
from tests.screens.stage import at_work, bench, press, said, seen, settle, sticking_out, words, write_case

HALF_WAY = (said("fault", "dots"), said("spacing", "even"))


def answers_in_sight(pilot: Pilot[Any]) -> int:
    return len(re.findall(r"^[› ] {1,2}\d{1,2}  ", seen(pilot), re.M))


@pytest.mark.parametrize(
    ("size", "least"), [((80, 24), 12), ((80, 20), 9), ((70, 20), 9), ((60, 16), 6), ((80, 14), 4), ((40, 10), 4)]
)
def test_the_question_and_its_answers_come_first(tmp_path: Path, size: tuple[int, int], least: int) -> None:
    async def story() -> None:
        async with at_work(tmp_path, size) as pilot:
            assert "What is wrong with the plate?" in words(pilot)
            assert answers_in_sight(pilot) >= least
            assert sticking_out(pilot) == []

    asyncio.run(story())


def test_why_gives_way_before_the_suspects_and_comes_back(tmp_path: Path) -> None:
    write_case(tmp_path, *HALF_WAY)

    async def shows(size: tuple[int, int]) -> tuple[bool, bool]:
        async with at_work(tmp_path, size) as pilot:
            assert answers_in_sight(pilot) == 3
            return bench(pilot).query_one("#suspects").display, bench(pilot).query_one("#ledger").display

    assert asyncio.run(shows((80, 24))) == (True, True)
    assert asyncio.run(shows((80, 12))) == (True, False)

    async def story() -> None:
        async with at_work(tmp_path, (80, 12)) as pilot:
            await pilot.resize_terminal(80, 24)
            await pilot.pause(0.1)
            await settle(pilot)
            assert bench(pilot).query_one("#ledger").display

    asyncio.run(story())


def test_two_suspects_stay_in_sight_beside_a_question_of_many_answers(tmp_path: Path) -> None:
    async def story() -> None:
        async with at_work(tmp_path, (80, 16)) as pilot:
            listed = bench(pilot).query_one(SuspectList)
            assert listed.region.height == 2 and "The wheel is worn" in seen(pilot)

    asyncio.run(story())


@pytest.mark.usefixtures("builtin_pack")
def test_answers_out_of_sight_are_counted_in_words(tmp_path: Path) -> None:
    async def story() -> None:
        async with at_work(tmp_path) as pilot:
            await press(pilot, "0")
            panel = bench(pilot).query_one(QuestionPanel)
            assert panel.question is not None
            rows = len(panel.question.answers) + 1
            shown = answers_in_sight(pilot)
            assert 12 <= shown < rows
            assert f" {rows - shown} more below" in words(pilot)
            await press(pilot, "end")
            assert f" {rows - answers_in_sight(pilot)} more above" in words(pilot) and "more below" not in words(pilot)
            await press(pilot, *["up"] * (shown + 1))
            assert re.search(r"\d+ more above, \d+ more below", words(pilot))

    asyncio.run(story())


def test_answers_that_are_all_in_sight_are_not_counted(tmp_path: Path) -> None:
    async def story() -> None:
        async with at_work(tmp_path, (80, 40)) as pilot:
            assert answers_in_sight(pilot) == 13 and "more below" not in words(pilot)
            await pilot.resize_terminal(80, 20)
            await pilot.pause(0.1)
            await settle(pilot)
            assert "more below" in words(pilot)
            await pilot.resize_terminal(80, 40)
            await pilot.pause(0.1)
            await settle(pilot)
            assert answers_in_sight(pilot) == 13 and "more below" not in words(pilot)

    asyncio.run(story())


@pytest.mark.parametrize("size", [(39, 24), (80, 9), (5, 5)])
def test_a_window_too_small_says_so_and_answers_nothing(tmp_path: Path, size: tuple[int, int]) -> None:
    async def story() -> None:
        async with at_work(tmp_path) as pilot:
            await pilot.resize_terminal(*size)
            await pilot.pause(0.1)
            await settle(pilot)
            assert "What is wrong" not in words(pilot) and "Win" in words(pilot)
            if size[0] > 20:
                assert "Window too small: make it 40 x 10." in words(pilot)
            await press(pilot, "2", "enter")
            assert not bench(pilot).triage.case.answers
            await pilot.resize_terminal(80, 24)
            await pilot.pause(0.1)
            await settle(pilot)
            await press(pilot, "down", "enter")
            assert bench(pilot).triage.case.answers == {"fault": ("lines",)}

    asyncio.run(story())
