"""The plan in the app: its steps with their cautions, what came of them, a cure, undo, and what remains."""

from __future__ import annotations

import asyncio
from pathlib import Path

from diagnose.cases.book import Casebook
from diagnose.screens.plan import PlanRoom
from diagnose.screens.triage import TriageScreen
from tests.screens.stage import at_work, bench, press, said, sticking_out, words, write_case

ANSWERED = said("fault", "dots"), said("spacing", "even")


def test_the_steps_stand_in_order_with_cost_and_caution(tmp_path: Path) -> None:
    write_case(tmp_path, *ANSWERED)

    async def story() -> None:
        for size in ((80, 24), (120, 40), (50, 20)):
            async with at_work(tmp_path, size) as pilot:
                await press(pilot, "c")
                assert isinstance(pilot.app.screen, PlanRoom)
                assert not sticking_out(pilot)
                text = words(pilot)
                assert "Expected to cost" in text and "1 Try: Fit a new wheel" in text
                if size[0] >= 80:
                    assert "CAUTION: Unplug first." in text and "It gives up: The old wheel." in text
                    assert "Costs 10 min of your time, about 4 for parts." in text
                await press(pilot, "escape")
                assert isinstance(pilot.app.screen, TriageScreen)

    asyncio.run(story())


def test_a_failed_remedy_moves_the_ranking_and_undo_brings_it_back(tmp_path: Path) -> None:
    case = write_case(tmp_path, *ANSWERED)

    async def story() -> None:
        async with at_work(tmp_path) as pilot:
            before = [(s.id, s.probability) for s in bench(pilot).triage.ranking()]
            rest = bench(pilot).triage.unexplained
            await press(pilot, "c", "enter")
            assert "CAUTION: Unplug first." in words(pilot) and "No change." in words(pilot)
            await press(pilot, "escape")
            assert isinstance(pilot.app.screen, PlanRoom) and bench(pilot).triage.case.tried == {}
            await press(pilot, "enter", "down", "down", "enter")
            assert "First now: " in words(pilot) and "Fit a new wheel" not in words(pilot)
            assert bench(pilot).triage.unexplained > rest
            await press(pilot, "escape", "t", "end", "pagedown")
            assert "Fit a new wheel tried: no change" in words(pilot)
            await press(pilot, "escape", "c", "b")
            assert "Fit a new wheel" in words(pilot)
            await press(pilot, "escape")
            assert [(s.id, s.probability) for s in bench(pilot).triage.ranking()] == before

    asyncio.run(story())
    assert Casebook(tmp_path).open(case).case().tried == {}


def test_a_cure_closes_the_case_and_what_remains_goes_on(tmp_path: Path) -> None:
    write_case(tmp_path, *ANSWERED)

    async def story() -> None:
        async with at_work(tmp_path) as pilot:
            await press(pilot, "c", "enter", "enter")
            assert "Cured by: Fit a new wheel" in words(pilot) and "The case is closed" in words(pilot)
            await press(pilot, "escape")
            assert "The case is closed. Cured by: Fit a new wheel" in words(pilot) and "cured, saved" in words(pilot)
            await press(pilot, "c", "b")
            assert bench(pilot).triage.case.cured is None and "Expected to cost" in words(pilot)
            await press(pilot, "enter", "enter", "enter")
            rest = bench(pilot).triage
            assert isinstance(pilot.app.screen, TriageScreen) and rest.case.title.startswith("What remains")
            assert rest.case.answers == {} and rest.case.tried == {"new-wheel": "no-change"}
            assert "1 remedy tried" in words(pilot)
            await press(pilot, "q")
            assert "cured" in words(pilot)

    asyncio.run(story())
    closed, rest = sorted(Casebook(tmp_path).cases(), key=lambda case: bool(case.follows))
    assert rest.follows == closed.id and closed.cured is not None and closed.cured.remedy == "new-wheel"


def test_the_fourth_answer_closes_and_goes_on_at_once(tmp_path: Path) -> None:
    write_case(tmp_path, *ANSWERED)

    async def story() -> None:
        async with at_work(tmp_path) as pilot:
            await press(pilot, "c", "enter", "end", "enter")
            assert isinstance(pilot.app.screen, TriageScreen)
            assert bench(pilot).triage.case.follows

    asyncio.run(story())


def test_a_result_is_taken_back_from_the_answers(tmp_path: Path) -> None:
    write_case(tmp_path, *ANSWERED, {"do": "tried", "remedy": "new-wheel", "result": "better"})

    async def story() -> None:
        async with at_work(tmp_path) as pilot:
            await press(pilot, "a", "end")
            assert "Tried: Fit a new wheel" in words(pilot)
            await press(pilot, "enter")  # it is no question
            assert bench(pilot).triage.case.tried == {"new-wheel": "better"}
            await press(pilot, "x")
            assert bench(pilot).triage.case.tried == {}

    asyncio.run(story())
