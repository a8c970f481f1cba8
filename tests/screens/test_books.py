"""The rooms of rules and of printer cards: read, search, try; use, change, make from a job."""

from __future__ import annotations

import asyncio
from pathlib import Path

import pytest
from textual.widgets import Input

from diagnose.screens.dialogs import Page
from diagnose.screens.printer_form import AskLine, CardForm
from diagnose.screens.printers import CardList, PrintersRoom
from diagnose.screens.rules import EntryList, RulesRoom
from tests.screens.rooms import case_with_job, until, write_job
from tests.screens.stage import at_work, bench, press, sticking_out, words

pytestmark = pytest.mark.usefixtures("builtin_pack")

TRIED = """\
causes:
  - id: sticky-bearing
    name: A bearing sticks [b]now[/b] and then
    family: mechanics
    about: Invented for a try.
    rate: everyday
    defects: {blobs: mostly}
    misleads: Nothing, it is invented.
"""


@pytest.fixture(autouse=True)
def own_folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    own = tmp_path / "own"
    monkeypatch.setattr("diagnose.triage.cardfile.own_pack", lambda: own)
    return own


async def fill(pilot: object, text: str) -> None:
    from textual.pilot import Pilot

    assert isinstance(pilot, Pilot)
    pilot.app.screen.query_one(Input).value = text
    await press(pilot, "enter")


def test_rules_are_searched_read_and_narrowed_to_the_case(tmp_path: Path) -> None:
    case_with_job(tmp_path / "book", write_job(tmp_path))

    async def story() -> None:
        async with at_work(tmp_path / "book", (120, 40)) as pilot:
            await press(pilot, "r")
            room = pilot.app.screen
            assert isinstance(room, RulesRoom)
            await press(pilot, "slash", *"wet fil")
            listed = room.query_one(EntryList)
            assert listed.entries[0].name == "The filament is wet" and "What speaks for it" in words(pilot), "beside the list"
            await press(pilot, "down", "enter")
            assert isinstance(pilot.app.screen, Page) and "rules/causes/" in pilot.app.screen.build(200).plain
            await press(pilot, "escape", "escape" if isinstance(room.focused, Input) else "home", "slash")
            room.query_one("#search-line", Input).value = ""
            await press(pilot, "down", "u")
            touched = {(entry.kind, entry.id) for entry in listed.entries}
            assert ("questions", "defect") in touched and len(touched) < 80 and "that your case touches" in words(pilot)
            await press(pilot, "u")
            assert len(listed.entries) == 200

    asyncio.run(story())


def test_other_rules_are_tried_on_the_case_and_nothing_is_kept(tmp_path: Path) -> None:
    case_with_job(tmp_path / "book", write_job(tmp_path))
    pack = tmp_path / "trial"
    pack.mkdir()
    (pack / "causes.yaml").write_text(TRIED)
    (tmp_path / "bad.yaml").write_text(TRIED.replace("rate: everyday", "rate: often"))

    async def story() -> None:
        async with at_work(tmp_path / "book") as pilot:
            before = [s.id for s in bench(pilot).triage.ranking()]
            await press(pilot, "r", "t")
            line = pilot.app.screen.query_one("#try-line", Input)
            line.value = str(tmp_path / "bad.yaml")
            await press(pilot, "enter")
            await until(pilot, lambda: isinstance(pilot.app.screen, Page))
            assert "bad.yaml:6" in words(pilot) and "everyday" in words(pilot)
            await press(pilot, "escape", "t")
            line.value = f"'{pack}'"
            await press(pilot, "enter")
            await until(pilot, lambda: isinstance(pilot.app.screen, Page))
            page = pilot.app.screen
            assert isinstance(page, Page)
            text = " ".join(page.build(300).plain.split())
            assert "Ranked with and without" in text and "Nothing was kept" in text
            assert "vase 3" in text and "not there > " in text and "A bearing sticks [b]now[/b] and then" in text
            await press(pilot, "escape", "escape")
            assert [s.id for s in bench(pilot).triage.ranking()] == before

    asyncio.run(story())


def test_a_card_is_used_for_the_case(tmp_path: Path) -> None:
    case_with_job(tmp_path / "book", write_job(tmp_path))

    async def story() -> None:
        async with at_work(tmp_path / "book") as pilot:
            await press(pilot, "p", "end", "u")
            triage = bench(pilot).triage
            assert triage.case.printer == list(triage.knowledge.printers)[-1]
            assert "Attach the job file again" in words(pilot) and "this case" in words(pilot)
            await press(pilot, "enter")
            assert isinstance(pilot.app.screen, Page) and "Moves the motion queue holds" in pilot.app.screen.build(300).plain

    asyncio.run(story())


def test_a_changed_copy_is_checked_saved_and_then_changed_in_place(tmp_path: Path, own_folder: Path) -> None:
    case_with_job(tmp_path / "book", write_job(tmp_path))

    async def story() -> None:
        async with at_work(tmp_path / "book") as pilot:
            await press(pilot, "p", "e")
            form = pilot.app.screen
            assert isinstance(form, CardForm) and sticking_out(pilot) == []
            assert "goes into a copy" in words(pilot) or "into a copy of it" in words(pilot)
            await press(pilot, "down", "enter")
            for wrong, told in (("lots", "is no number"), ("9999999", "Write a number"), ("", "Type a value")):
                await fill(pilot, wrong)
                assert isinstance(pilot.app.screen, AskLine) and told in words(pilot), wrong
            await fill(pilot, "24")
            assert form.changes == {"motion.queue_moves": 24}
            await press(pilot, "q")
            assert "not saved" in words(pilot) and pilot.app.screen is form
            await press(pilot, "ctrl+s")
            for wrong, told in (("Not An Id", "is no id"), ("board-cable", "already")):
                await fill(pilot, wrong)
                assert told in words(pilot)
            await fill(pilot, "bench-left")
            file = own_folder / "printers" / "bench-left.yaml"
            assert isinstance(pilot.app.screen, PrintersRoom) and file.is_file()
            assert "queue_moves: {value: 24, from: measured}" in file.read_text() and "your own" in words(pilot)
            file.write_text("# mine\n" + file.read_text())
            listed = pilot.app.screen.query_one(CardList)
            listed.highlighted = [c.id for c in listed.cards].index("bench-left")
            await press(pilot, "e", "down", "enter")
            await fill(pilot, "20")
            await press(pilot, "ctrl+s")
            assert isinstance(pilot.app.screen, PrintersRoom)
            text = file.read_text()
            assert "queue_moves: {value: 20, from: measured}" in text and text.startswith("# mine") and "# Moves the motion queue holds" in text
            await press(pilot, "e", "down", "enter")
            await fill(pilot, "18")
            file.write_text(text + "# somebody else was here\n")
            await press(pilot, "ctrl+s")
            assert "changed meanwhile" in words(pilot) and "value: 20" in file.read_text()

    asyncio.run(story())


def test_a_card_is_made_from_what_a_job_says(tmp_path: Path, own_folder: Path) -> None:
    job = tmp_path / "set.gcode"
    job.write_text("M203 X180 Y180 Z9 E40\nM201 X900 Y900 Z80 E2000\n" + write_job(tmp_path).read_text())
    case_with_job(tmp_path / "book", job)

    async def story() -> None:
        async with at_work(tmp_path / "book") as pilot:
            await press(pilot, "p", "n")
            await fill(pilot, str(tmp_path / "nowhere"))
            assert "There is no such file" in words(pilot)
            await fill(pilot, str(job))
            await until(pilot, lambda: isinstance(pilot.app.screen, CardForm))
            assert "taken from set.gcode" in words(pilot)
            form = pilot.app.screen
            assert isinstance(form, CardForm) and form.made.values["motion.axis_speed_mm_s.x"] == 180
            await press(pilot, "ctrl+s")
            await fill(pilot, "from-job")
            text = (own_folder / "printers" / "from-job.yaml").read_text()
            assert "x: {value: 180, from: job}" in text

    asyncio.run(story())


def test_a_folder_that_cannot_be_written_is_said_and_the_changes_stay(tmp_path: Path, own_folder: Path) -> None:
    own_folder.write_text("a file stands where the folder would be")
    case_with_job(tmp_path / "book", write_job(tmp_path))

    async def story() -> None:
        async with at_work(tmp_path / "book") as pilot:
            await press(pilot, "p", "e", "down", "enter")
            await fill(pilot, "24")
            await press(pilot, "ctrl+s")
            await fill(pilot, "bench-left")
            assert isinstance(pilot.app.screen, Page) and "did not work" in words(pilot)
            await press(pilot, "escape")
            form = pilot.app.screen
            assert isinstance(form, CardForm) and form.changes == {"motion.queue_moves": 24}

    asyncio.run(story())
