"""The first screen: new cases, old ones, and rules that cannot be read."""

from __future__ import annotations

import asyncio
import subprocess
import sys
from pathlib import Path

import pytest
from textual import events
from textual.widgets import Input

from diagnose.errors import BadInput
from diagnose.screens.app import DiagnoseApp, run_app
from diagnose.screens.cases import CasesScreen
from diagnose.screens.dialogs import LONGEST_TITLE, AskTitle
from tests.screens.stage import bench, journal, opened, press, said, seen, settle, steady, words, write_case


def test_a_new_case_starts_with_its_title(tmp_path: Path) -> None:
    async def story() -> None:
        async with opened(tmp_path / "book") as pilot:
            assert "New case" in seen(pilot)
            await press(pilot, "n")
            await press(pilot, *"lid", "space", *"3", "enter")
            assert "lid 3" in seen(pilot)
            assert "What is wrong with the plate?" in seen(pilot)

    asyncio.run(story())
    assert journal(tmp_path / "book")[0]["title"] == "lid 3"


def test_nothing_is_written_when_the_title_is_left(tmp_path: Path) -> None:
    async def story() -> None:
        async with opened(tmp_path / "book") as pilot:
            await press(pilot, "n", "x", "escape")
            assert isinstance(pilot.app.screen, CasesScreen)

    asyncio.run(story())
    assert not (tmp_path / "book").exists()


def test_open_cases_are_listed_and_the_last_changed_one_opens_with_enter(tmp_path: Path) -> None:
    write_case(tmp_path, {**said("fault", "holes"), "at": "2021-01-01T00:00:00+00:00"}, title="newer")
    write_case(tmp_path, said("fault", "dots"), title="older")

    async def story() -> None:
        async with opened(tmp_path) as pilot:
            text = seen(pilot)
            assert text.index("newer") < text.index("older")
            assert "1 answer" in text and "2021-01-01" in text
            await press(pilot, "enter")
            assert bench(pilot).triage.case.answers == {"fault": ("holes",)}

    asyncio.run(story())


def test_a_damaged_case_says_what_is_wrong_and_the_app_goes_on(tmp_path: Path) -> None:
    (tmp_path / "bad.journal").write_text("this is no event\n")

    async def story() -> None:
        async with opened(tmp_path) as pilot:
            assert "damaged" in seen(pilot)
            await press(pilot, "enter")
            assert "This line is not an event of a case" in words(pilot)
            assert "Restore the file from a copy" in words(pilot)
            await press(pilot, "escape")
            assert isinstance(pilot.app.screen, CasesScreen)

    asyncio.run(story())


def test_a_folder_that_cannot_be_made_is_said_plainly(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("in the way")

    async def story() -> None:
        async with opened(tmp_path / "file" / "book") as pilot:
            await press(pilot, "n", "enter")
            assert "The casebook folder cannot be made" in words(pilot)

    asyncio.run(story())


def test_a_case_chosen_while_the_rules_are_read_opens_afterwards(tmp_path: Path) -> None:
    write_case(tmp_path, said("fault", "dots"))

    async def story() -> None:
        app = DiagnoseApp([], tmp_path)
        async with app.run_test(size=(80, 24)) as pilot:
            app.on_cases_screen_resume_asked(CasesScreen.ResumeAsked("case-0"))
            await settle(pilot)
            assert bench(pilot).triage.case.answers == {"fault": ("dots",)}

    asyncio.run(story())


def test_broken_rules_are_said_with_their_place_and_can_be_read_again(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def broken(extra: object = ()) -> None:
        raise BadInput("there is no cause 'x'", "did you mean 'y'?", "causes.yaml:3")

    good = __import__("diagnose.triage").triage.knowledge_from
    monkeypatch.setattr("diagnose.triage.knowledge_from", broken)

    async def story() -> None:
        async with opened(tmp_path) as pilot:
            assert "causes.yaml:3: there is no cause 'x'" in words(pilot)
            assert "Did you mean 'y'?" in words(pilot)
            monkeypatch.setattr("diagnose.triage.knowledge_from", good)
            await press(pilot, "r")
            assert "The rules are not read yet." in words(pilot), "there is nothing to open a room of rules on"
            await press(pilot, "f5")
            await settle(pilot)
            assert "3 causes and 5 questions are known" in words(pilot)

    asyncio.run(story())


def test_a_paste_of_ten_thousand_characters_becomes_a_title_of_the_longest_length(tmp_path: Path) -> None:
    async def story() -> None:
        async with opened(tmp_path) as pilot:
            await press(pilot, "n")
            assert isinstance(pilot.app.screen, AskTitle)
            line = pilot.app.screen.query_one(Input)
            line.post_message(events.Paste("ab\x1b[31m\ncd " + "x" * 10_000))
            await steady(pilot)
            assert line.value.startswith("ab[31m cd xxx") and len(line.value) == LONGEST_TITLE
            await press(pilot, "enter")
            assert "ab[31m cd" in seen(pilot)

    asyncio.run(story())
    assert len(journal(tmp_path)[0]["title"]) == LONGEST_TITLE


def test_a_long_list_of_cases_scrolls(tmp_path: Path) -> None:
    for number in range(40):
        write_case(tmp_path, title=f"part {number}")

    async def story() -> None:
        async with opened(tmp_path) as pilot:
            await press(pilot, "end")
            assert "part 0 " in seen(pilot)

    asyncio.run(story())


def test_quitting_ends_with_status_0(tmp_path: Path) -> None:
    async def story() -> None:
        async with opened(tmp_path) as pilot:
            await press(pilot, "q")
            assert pilot.app.return_code == 0

    asyncio.run(story())


def test_the_first_screen_waits_for_no_heavy_import() -> None:
    heavy = "numpy", "numba", "scipy", "pydantic", "diagnose.triage"
    code = f"import sys; import diagnose.screens.app; print([m for m in {heavy} if m in sys.modules])"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"


def test_without_a_terminal_the_other_face_is_named() -> None:
    code = "from pathlib import Path; from diagnose.screens.app import run_app; run_app([], Path('nowhere'))"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, stdin=subprocess.DEVNULL)
    assert "BadInput" in done.stderr and "needs a terminal" in done.stderr
    assert run_app.__doc__ and "BadInput" in run_app.__doc__
