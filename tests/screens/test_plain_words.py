"""What the app says plainly: what follows, why a key does nothing, warnings that are whole, danger on the page of tests."""

from __future__ import annotations

import asyncio
from pathlib import Path

import pytest

from diagnose.screens.cases import CasesScreen
from diagnose.screens.dialogs import Alarm, Page
from diagnose.screens.look import plain
from diagnose.screens.pages import weightiest_first
from diagnose.screens.question import QuestionPanel
from diagnose.screens.triage import GivenPage
from diagnose.triage import Given
from tests.screens.stage import at_work, bench, opened, press, said, seen, words, write_case

PROVED = (
    said("fault", "dots"), said("spacing", "even"), said("places", "rim"), said("spiral-told", "yes"),
    said("after-swap", "clean"),
)  # fmt: skip


def test_a_proved_leader_is_followed_by_the_way_to_its_cure(tmp_path: Path) -> None:
    write_case(tmp_path, *PROVED)

    async def story() -> None:
        async with at_work(tmp_path) as pilot:
            assert "Nothing more is worth asking. The cure: c" in words(pilot)
            assert bench(pilot).query_one(QuestionPanel).border_title == "Question"
            await press(pilot, "5")
            assert "No question is asked now." in words(pilot)
            await press(pilot, "t")
            assert "To cure it" in words(pilot)

    asyncio.run(story())


def test_without_a_leader_no_cure_is_promised(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("diagnose.triage.Triage.next_steps", lambda self: [])
    write_case(tmp_path, said("fault", "lines"))

    async def story() -> None:
        async with at_work(tmp_path) as pilot:
            assert "Nothing more is worth asking." in words(pilot) and "The cure: c" not in words(pilot)
            assert "No suspect stands out" in words(pilot)

    asyncio.run(story())


@pytest.mark.parametrize("width", [60, 80, 100])
def test_a_long_warning_is_shown_by_a_part_that_is_whole(
    tmp_path: Path, width: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    doubt = (
        "Even the first suspect explains this badly: it may be [b]something[/b] that is not in the rules, "
        "or more than one cause at once."
    )
    monkeypatch.setattr("diagnose.triage.Triage.doubts", lambda self: [doubt])
    write_case(tmp_path, said("fault", "dots"))

    async def story() -> None:
        async with at_work(tmp_path, (width, 24)) as pilot:
            line = next(li for li in seen(pilot).splitlines() if "d: all of it" in li)
            assert "…" not in line
            if width >= 80:
                assert line.split("  ")[0].strip() == "? Even the first suspect explains this badly"
            await press(pilot, "d")
            page = pilot.app.screen
            assert isinstance(page, Page)
            assert plain(doubt) == " ".join(page.build(400).plain.split())

    asyncio.run(story())


def test_escape_does_not_leave_the_app_from_the_list_of_cases(tmp_path: Path) -> None:
    async def story() -> None:
        async with opened(tmp_path) as pilot:
            await press(pilot, "escape", "escape")
            assert isinstance(pilot.app.screen, CasesScreen) and pilot.app.is_running
            await press(pilot, "question_mark")
            text = words(pilot)
            assert "Read again (not now)" in text and "New case" in text and "Open" in text
            await press(pilot, "escape", "q")
            assert pilot.app.return_code == 0

    asyncio.run(story())


def test_help_names_the_keys_of_bands_without_the_focus_too(tmp_path: Path) -> None:
    write_case(tmp_path, said("fault", "dots"), said("spacing", "even"))

    async def story() -> None:
        async with at_work(tmp_path, (120, 60)) as pilot:
            await press(pilot, "question_mark")
            text = words(pilot)
            assert "Take back (not now)" in text and "Up one line of the ledger." in text

    asyncio.run(story())


def test_a_key_that_does_nothing_now_says_why(tmp_path: Path) -> None:
    async def story() -> None:
        async with at_work(tmp_path) as pilot:
            await press(pilot, "b")
            assert "There is nothing to undo." in words(pilot) and "q Back" not in words(pilot)
            await press(pilot, "a")
            assert "Nothing was answered yet." in words(pilot)
            await press(pilot, "d")
            assert "There is no doubt to tell of." in words(pilot)
            await press(pilot, "2")
            assert "q Back" in words(pilot), "the keys are back once one of them did something"
            await press(pilot, "t", "7")
            assert "There is no test of that number; the numbers go to 1." in words(pilot)
            await press(pilot, "escape", "a", "x", "x")
            assert isinstance(pilot.app.screen, GivenPage)
            assert "Nothing was answered yet." in words(pilot)

    asyncio.run(story())


def test_a_finding_is_changed_by_nobody(tmp_path: Path) -> None:
    found = {"id": "job-spiral", "answer": "yes", "confidence": 0.9, "because": "it climbs"}
    write_case(tmp_path, {"do": "job", "job": {"path": "x", "findings": [found]}})

    async def story() -> None:
        async with at_work(tmp_path) as pilot:
            await press(pilot, "a", "enter")
            assert "A finding comes from the job file" in words(pilot)

    asyncio.run(story())


@pytest.mark.usefixtures("danger_pack")
def test_while_a_danger_stands_the_page_of_tests_says_what_it_leaves_out(tmp_path: Path) -> None:
    write_case(tmp_path, said("smell", "burning"), said("fault", "dots"))

    async def story() -> None:
        async with opened(tmp_path) as pilot:
            await press(pilot, "enter")
            alarm = pilot.app.screen
            assert isinstance(alarm, Alarm)
            while not alarm.heard:
                await pilot.pause(0.01)
            await press(pilot, "y", "t")
            assert isinstance(pilot.app.screen, Page)
            text = words(pilot)
            assert "tests that run the machine are left out" in text and "Print with the other wheel" not in text
            assert text.index("are left out") < text.index("To confirm it")
            await press(pilot, "1")
            assert "There is no test to record." in words(pilot)

    asyncio.run(story())


def test_without_a_danger_the_page_of_tests_leaves_nothing_out(tmp_path: Path) -> None:
    write_case(tmp_path, said("fault", "dots"))

    async def story() -> None:
        async with at_work(tmp_path) as pilot:
            await press(pilot, "t")
            assert "left out" not in words(pilot) and "Print with the other wheel" in words(pilot)

    asyncio.run(story())


def test_findings_that_count_come_first_and_stops_before_the_others() -> None:
    def found(id: str) -> Given:
        return Given(id, "finding", id, ("yes",), "yes", True, "")

    weights = {"job-spiral": 9.0, "chord-error": 2.0, "starves-on-link": 1.0, "least-reserve": 4.0, "fan-changes": 0.01}
    ids = ["chord-error", "fan-changes", "job-spiral", "least-reserve", "random-stall-risk", "starves-on-link"]
    ordered = [g.id for g in weightiest_first([found(id) for id in ids], weights)]
    assert ordered == [
        "least-reserve", "starves-on-link", "job-spiral", "chord-error", "fan-changes", "random-stall-risk"
    ]  # fmt: skip
