"""Attaching a job file: the path, the card, a reading that shows how far it is, and stopping it."""

from __future__ import annotations

import asyncio
import re
import threading
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from textual.pilot import Pilot
from textual.widgets import Input, Static

from diagnose.coupons.spiral import tube, write
from diagnose.errors import Cancelled
from diagnose.knowledge.builtin import rules_folder
from diagnose.screens.dialogs import Choice
from diagnose.screens.job import Findings, JobRoom
from diagnose.screens.paths import completed, unquoted
from diagnose.screens.triage import TriageScreen
from diagnose.triage import Triage
from diagnose.triage.marks import packed
from tests.screens.stage import at_work, bench, journal, press, said, steady, words, write_case
from tests.triage.handmade import marks_at

pytestmark = pytest.mark.usefixtures("builtin_pack")


@pytest.fixture
def job(tmp_path: Path) -> Path:
    path = tmp_path / "a tube.gcode"
    path.write_text(write(tube(radius=10, height=3, facets=60, speed=80)))
    return path


async def wait_for(pilot: Pilot[Any], true: Callable[[], bool], seconds: float = 50) -> None:
    end = time.monotonic() + seconds
    while not true():
        assert time.monotonic() < end, words(pilot)
        await pilot.pause(0.02)
    await steady(pilot)


def seen_of(pilot: Pilot[Any]) -> str:
    """All findings and notes of the room, in sight or not, as one text."""
    listed = pilot.app.screen.query_one(Findings)
    return " ".join(" ".join(listed.row(i, 200).plain.split()) for i in range(listed.count))


async def type_path(pilot: Pilot[Any], path: Path | str) -> None:
    await press(pilot, "j")
    if isinstance(pilot.app.screen, JobRoom):  # it tells what failed before
        await press(pilot, "a")
    pilot.app.screen.query_one(Input).value = str(path)
    await press(pilot, "enter")


def test_a_job_is_read_on_a_card_and_its_findings_are_shown_and_kept(tmp_path: Path, job: Path) -> None:
    book = tmp_path / "book"
    write_case(book, said("defect", "blobs"))

    async def story() -> None:
        async with at_work(book) as pilot:
            await type_path(pilot, job)
            assert pilot.app.screen.query_one(Choice).has_focus
            await press(pilot, "enter")
            await wait_for(pilot, lambda: bench(pilot).triage.case.job is not None)
            assert isinstance(pilot.app.screen, JobRoom)
            text = words(pilot)
            assert "a tube.gcode" in text and "layers" in text and "Found in the job file" in text
            triage = bench(pilot).triage
            assert triage.case.printer == next(iter(triage.knowledge.printers))
            assert any(g.source == "finding" for g in triage.given())
            await press(pilot, "escape")
            assert "job read" in words(pilot)

    asyncio.run(story())
    assert [e["do"] for e in journal(book)][-2:] == ["printer", "job"]


def test_marks_that_waited_are_weighed_when_the_job_comes(tmp_path: Path, job: Path) -> None:
    book = tmp_path / "book"
    marks = marks_at([0.5, 1.0, 1.5, 2.0, 2.5, 40.0], [10.0, 100.0, 190.0, 280.0, 10.0, 50.0])
    write_case(book, said("defect", "blobs"), {"do": "marks", "marks": {"columns": packed(marks), "source": "typed"}})

    async def story() -> None:
        async with at_work(book) as pilot:
            assert "marks wait for the job" in words(pilot)
            await type_path(pilot, job)
            await press(pilot, "enter")
            await wait_for(pilot, lambda: bench(pilot).triage.case.job is not None)
            await press(pilot, "tab", "end")
            assert "Your marks, held against it" in seen_of(pilot)
            await press(pilot, "escape")
            assert "job read, marks," in words(pilot)
            weighed = bench(pilot).triage.weighed
            assert weighed is not None and weighed.placed == 5
            assert "mark 6" in " ".join(bench(pilot).triage.doubts())

    asyncio.run(story())
    assert "weighed" in journal(book)[-1] and journal(book)[-1]["do"] == "job"


def test_the_path_of_a_job_with_no_card_is_read_too(tmp_path: Path, job: Path) -> None:
    async def story() -> None:
        async with at_work(tmp_path / "book") as pilot:
            await type_path(pilot, job)
            await press(pilot, "end", "enter")
            await wait_for(pilot, lambda: bench(pilot).triage.case.job is not None)
            assert bench(pilot).triage.case.printer is None
            assert "no printer card was given" in seen_of(pilot).lower() and "as asked for" in words(pilot)

    asyncio.run(story())


def test_a_path_that_leads_nowhere_is_said_plainly(tmp_path: Path) -> None:
    wrong = {
        "": "Type the path of the file",
        f"{tmp_path}/nowhere.gcode": "There is no such file",
        f"{tmp_path}": "That is a folder",
        "x" * 4000: "There is no such file",
        "~nobody-of-that-name/x": "There is no such file",
        "a\0b": "There is no such file",
    }

    async def story() -> None:
        async with at_work(tmp_path / "book") as pilot:
            await press(pilot, "j")
            line = pilot.app.screen.query_one(Input)
            for path, said_of_it in wrong.items():
                line.value = path
                await press(pilot, "enter")
                assert said_of_it in words(pilot)
                assert line.has_focus

    asyncio.run(story())


def test_a_file_that_is_no_job_is_said_with_a_hint_and_changes_no_findings(tmp_path: Path) -> None:
    path = tmp_path / "list.gcode"

    async def story() -> None:
        async with at_work(tmp_path / "book") as pilot:
            for content in (b"", b"\x00\xff\x00\xfe" * 500, b"a shopping list: [b]bread[/b]\n" * 9):
                path.write_bytes(content)
                await type_path(pilot, path)
                await press(pilot, "enter")
                screen = pilot.app.screen
                assert isinstance(screen, JobRoom)
                await wait_for(pilot, lambda: bool(screen.reader.reading and screen.reader.reading.problem))  # noqa: B023
                told = str(screen.query_one("#job-said", Static).render())
                assert "list.gcode" in told and told[-1] in ".?" and "Traceback" not in words(pilot)
                await press(pilot, "escape")
                assert isinstance(pilot.app.screen, TriageScreen)
                assert bench(pilot).triage.case.job is None

    asyncio.run(story())


def test_a_reading_shows_its_progress_goes_on_behind_the_question_and_is_stopped(
    tmp_path: Path, job: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    stopped = threading.Event()

    def slow(self: Triage, path: Path, progress: Callable[[float, str], None], cancel: Callable[[], bool]) -> None:
        progress(0.25, "moves")
        end = time.monotonic() + 20
        while time.monotonic() < end:
            if cancel():
                stopped.set()
                raise Cancelled
            time.sleep(0.005)

    monkeypatch.setattr(Triage, "read_job", slow)

    async def story() -> None:
        async with at_work(tmp_path / "book") as pilot:
            await type_path(pilot, job)
            await press(pilot, "enter")
            await wait_for(pilot, lambda: "25 % moves" in words(pilot), 10)
            assert "████ " in words(pilot)
            await press(pilot, "escape")
            assert isinstance(pilot.app.screen, TriageScreen) and "reading the job 25 %" in words(pilot)
            await press(pilot, "1")
            assert len(bench(pilot).triage.case.answers) == 1, "answers are taken while the job is read"
            await press(pilot, "j", "x")
            await wait_for(pilot, stopped.is_set, 10)
            await steady(pilot)
            assert "Stopped. The job file was not attached." in words(pilot)
            assert bench(pilot).triage.case.job is None
            await press(pilot, "escape")
            assert isinstance(pilot.app.screen, TriageScreen)

    asyncio.run(story())


def test_a_reader_that_fails_leaves_the_case_as_it_was(tmp_path: Path, job: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def fails(*_: Any) -> None:
        raise MemoryError("too large")

    monkeypatch.setattr(Triage, "read_job", fails)

    async def story() -> None:
        async with at_work(tmp_path / "book") as pilot:
            await type_path(pilot, job)
            await press(pilot, "enter")
            await wait_for(pilot, lambda: "too large" in words(pilot), 10)
            assert "The case is as it was." in words(pilot)

    asyncio.run(story())


def test_tab_completes_a_path(tmp_path: Path, job: Path) -> None:
    (tmp_path / "folder").mkdir()
    assert completed(f"{tmp_path}/a t") == str(job)
    assert completed(f"{tmp_path}/fol") == f"{tmp_path}/folder/"
    assert completed(f"{tmp_path}/nothing like it") is None
    assert completed("") is None

    async def story() -> None:
        async with at_work(tmp_path / "book") as pilot:
            await press(pilot, "j")
            line = pilot.app.screen.query_one(Input)
            line.value = f"{tmp_path}/a t"
            await press(pilot, "tab")
            assert line.value == str(job) and line.has_focus
            await press(pilot, "tab")
            assert pilot.app.screen.query_one(Choice).has_focus

    asyncio.run(story())


def test_a_job_attached_is_left_out_again_from_the_answers(tmp_path: Path, job: Path) -> None:
    write_case(tmp_path / "book", {"do": "job", "job": {"path": str(job), "findings": [
        {"id": "job-spiral", "answer": "yes", "confidence": 0.9, "because": "it climbs"}]}})  # fmt: skip

    async def story() -> None:
        async with at_work(tmp_path / "book", (120, 40)) as pilot:
            assert [g.source for g in bench(pilot).triage.given()] == ["finding"]
            await press(pilot, "a", "x")
            assert bench(pilot).triage.case.job is None

    asyncio.run(story())


@pytest.mark.parametrize(("typed", "path"), [("'a b'", "a b"), ('"a b" ', "a b"), ("a'", "a'"), ("'a\"", "'a\""), ("'", "'")])
def test_only_matching_quotes_are_taken_off_a_path(typed: str, path: str) -> None:
    assert unquoted(typed) == path


def test_the_job_is_read_on_a_card_file_of_ones_own(tmp_path: Path, job: Path) -> None:
    (card,) = (rules_folder() / "printers").glob("*.yaml")
    text = card.read_text()
    begin = [m.start() for m in re.finditer(r"^  - id: ", text, re.M)]
    own = tmp_path / "my card.yaml"
    own.write_text(text[: begin[1]])

    async def story() -> None:
        async with at_work(tmp_path / "book") as pilot:
            await type_path(pilot, f"'{job}'")
            await press(pilot, "end", "up")
            assert "A card file of my own" in words(pilot)
            await press(pilot, "enter")
            line = pilot.app.screen.query_one("#own-card", Input)
            assert line.has_focus
            for wrong, told in (("", "Type the path of the card file"), (f"{tmp_path}/no.yaml", "no such printer card")):
                line.value = wrong
                await press(pilot, "enter")
                assert told in words(pilot)
                assert bench(pilot).triage.case.printer is None
            line.value = f'"{own}"'
            await press(pilot, "enter")
            await wait_for(pilot, lambda: bench(pilot).triage.case.job is not None)
            assert bench(pilot).triage.case.printer == str(own)
            await press(pilot, "a")
            assert pilot.app.screen.query_one("#own-card", Input).value == str(own)

    asyncio.run(story())
