"""An answer that means danger stops the interview."""

from __future__ import annotations

import asyncio
from pathlib import Path
from typing import Any

import pytest
from textual.pilot import Pilot

from diagnose.screens.dialogs import Alarm
from diagnose.screens.question import QuestionPanel
from diagnose.screens.triage import TriageScreen
from tests.screens.stage import at_work, bench, opened, press, said, seen, words, write_case


async def read_alarm(pilot: Pilot[Any]) -> Alarm:
    """Wait until the alarm listens."""
    alarm = pilot.app.screen
    assert isinstance(alarm, Alarm)
    while not alarm.heard:
        await pilot.pause(0.01)
    return alarm


def asked(pilot: Pilot[Any]) -> str:
    question = bench(pilot).query_one(QuestionPanel).question
    assert question is not None
    return question.id


def answers(pilot: Pilot[Any]) -> dict[str, Any]:
    return dict(bench(pilot).triage.case.answers)


@pytest.mark.usefixtures("danger_pack")
def test_a_dangerous_answer_stops_the_interview_until_it_is_acknowledged(tmp_path: Path) -> None:
    write_case(tmp_path, said("fault", "lines"))

    async def story() -> None:
        async with at_work(tmp_path) as pilot:
            assert asked(pilot) == "smell"
            await press(pilot, "2")
            assert isinstance(pilot.app.screen, Alarm)
            assert "Make safe first" in seen(pilot)
            assert "Switch it off at the wall and stay with it until it is cold." in words(pilot)
            await press(pilot, "y", "b")
            assert isinstance(pilot.app.screen, Alarm), "keys typed ahead are not heard"
            await read_alarm(pilot)
            await press(pilot, "escape", "enter", "1", "q")
            assert isinstance(pilot.app.screen, Alarm), "only the two keys it names let it go"
            await press(pilot, "y")
            assert isinstance(pilot.app.screen, TriageScreen)
            assert "Make safe first" in seen(pilot), "the warning stays in sight"
            assert answers(pilot)["smell"] == ("burning",)
            await press(pilot, "0")
            assert isinstance(pilot.app.screen, TriageScreen), "what was acknowledged is not asked again"

    asyncio.run(story())


@pytest.mark.usefixtures("danger_pack")
def test_a_mistyped_danger_is_taken_back(tmp_path: Path) -> None:
    write_case(tmp_path, said("fault", "lines"))

    async def story() -> None:
        async with at_work(tmp_path) as pilot:
            await press(pilot, "2")
            await read_alarm(pilot)
            await press(pilot, "b")
            assert isinstance(pilot.app.screen, TriageScreen)
            assert answers(pilot) == {"fault": ("lines",)}

    asyncio.run(story())


@pytest.mark.usefixtures("danger_pack")
def test_a_case_with_a_danger_in_it_warns_again_when_it_is_opened(tmp_path: Path) -> None:
    write_case(tmp_path, said("smell", "burning"), said("fault", "lines"))

    async def story() -> None:
        async with opened(tmp_path) as pilot:
            await press(pilot, "enter")
            await read_alarm(pilot)
            await press(pilot, "b")
            assert answers(pilot) == {"fault": ("lines",)}, "the answer that raised the alarm, not the last one"

    asyncio.run(story())
