"""Walks through every room at three sizes: one key leads there, nothing is clipped, every key is in the help."""

from __future__ import annotations

import asyncio
from pathlib import Path

import pytest
from textual.widgets import Input

from diagnose.letters import folded
from diagnose.screens.cases import CasesScreen
from diagnose.screens.dialogs import Page
from diagnose.screens.job import Findings, JobRoom
from diagnose.screens.marks import MarksRoom
from diagnose.screens.palette import Doing, Palette, matching
from diagnose.screens.plan import PlanRoom
from diagnose.screens.printers import PrintersRoom
from diagnose.screens.rooms import DOORS, Room
from diagnose.screens.rules import RulesRoom
from diagnose.screens.triage import TriageScreen
from tests.screens.rooms import case_with_job, read, the_app, until, write_job
from tests.screens.stage import at_work, bench, opened, press, seen, sticking_out, words, write_case

pytestmark = pytest.mark.usefixtures("builtin_pack")
ROOMS: dict[str, type[Room]] = {"j": JobRoom, "m": MarksRoom, "c": PlanRoom, "r": RulesRoom, "p": PrintersRoom}
SIZES = [(80, 24), (120, 40), (200, 60)]


@pytest.fixture(scope="module")
def job(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return write_job(tmp_path_factory.mktemp("job"))


@pytest.mark.parametrize("size", SIZES)
@pytest.mark.parametrize("colour", [True, False])
def test_a_walk_through_every_room(tmp_path: Path, job: Path, size: tuple[int, int], colour: bool, monkeypatch: pytest.MonkeyPatch) -> None:
    if not colour:
        monkeypatch.setenv("NO_COLOR", "1")
    case_with_job(tmp_path, job, marked=True)

    async def story() -> None:
        async with at_work(tmp_path, size) as pilot:
            assert sticking_out(pilot) == [] and "\x1b" not in seen(pilot) and "[red]rim[/red]" in words(pilot)
            for key, room in ROOMS.items():
                await press(pilot, key)
                await read(pilot)
                assert isinstance(pilot.app.screen, room), key
                assert sticking_out(pilot) == [], key
                live = [(a.binding, a.tooltip) for a in pilot.app.screen.active_bindings.values() if a.binding.id]
                assert all(binding.description and (tooltip or binding.tooltip) for binding, tooltip in live)
                if room is MarksRoom:
                    await press(pilot, "tab")  # where marks are typed, letters are letters
                await press(pilot, "question_mark")
                assert isinstance(pilot.app.screen, Page) and "Keys that work here" in words(pilot)
                told = pilot.app.screen.build(2000).plain
                for binding, tooltip in live:
                    assert (tooltip or binding.tooltip) in told, (key, binding)
                await press(pilot, "escape", "escape")
                assert isinstance(pilot.app.screen, TriageScreen), key

    asyncio.run(story())


def test_one_key_leads_from_room_to_room_and_one_to_the_cases(tmp_path: Path, job: Path) -> None:
    case_with_job(tmp_path, job)

    async def story() -> None:
        async with at_work(tmp_path) as pilot:
            for key in ("j", "r", "p", "c", "j", "p"):
                await press(pilot, key)
                await read(pilot)
                assert isinstance(pilot.app.screen, ROOMS[key])
                assert sum(isinstance(s, Room) for s in pilot.app.screen_stack) == 1, "rooms do not pile up"
            await press(pilot, "o")
            assert isinstance(pilot.app.screen, CasesScreen)
            await press(pilot, "m")
            assert "Open a case first" in words(pilot)
            for key in ("r", "p"):
                await press(pilot, key)
                assert isinstance(pilot.app.screen, ROOMS[key])
                await press(pilot, "escape")
            assert {door.key for door in DOORS.values()} == {"o", *ROOMS}

    asyncio.run(story())


def test_a_job_is_looked_at_without_a_case_and_nothing_is_kept(tmp_path: Path, job: Path) -> None:
    async def story() -> None:
        async with opened(tmp_path / "book") as pilot:
            await press(pilot, "j")
            pilot.app.screen.query_one(Input).value = str(job)
            await press(pilot, "enter", "enter")
            await until(pilot, lambda: the_app(pilot).picture_of(the_app(pilot).loose) is not None)  # type: ignore[arg-type]
            assert "a vase.gcode" in words(pilot) and "layers" in words(pilot)
            await press(pilot, "escape")
            assert isinstance(pilot.app.screen, CasesScreen)

    asyncio.run(story())
    assert not list((tmp_path / "book").glob("*.journal"))


def test_tab_goes_round_the_bands_in_the_order_in_which_they_stand(tmp_path: Path, job: Path) -> None:
    case_with_job(tmp_path, job)

    async def story() -> None:
        async with at_work(tmp_path, (120, 40)) as pilot:
            for key, bands in (("", 4), ("j", 2), ("m", 2)):
                await press(pilot, *filter(None, [key]))
                await read(pilot)
                places = []
                for _ in range(bands):
                    focused = pilot.app.screen.focused
                    assert focused is not None
                    places.append((focused.region.x, focused.region.y))
                    await press(pilot, "tab")
                start = places.index(min(places))
                assert places[start:] + places[:start] == sorted(set(places)), key
                await press(pilot, *(["escape"] if key else []))

    asyncio.run(story())


def test_the_job_goes_on_being_read_while_questions_are_answered_and_the_question_stays(tmp_path: Path, job: Path) -> None:
    write_case(tmp_path, {"do": "answer", "question": "danger-signs", "answers": ["none"]})

    async def story() -> None:
        async with at_work(tmp_path) as pilot:
            asked = bench(pilot).query_one("QuestionPanel").question.id  # type: ignore[attr-defined]
            the_app(pilot).read_job(bench(pilot).triage, job)
            await read(pilot)
            assert bench(pilot).triage.case.job is not None and "job read" in words(pilot)
            assert bench(pilot).query_one("QuestionPanel").question.id == asked  # type: ignore[attr-defined]
            assert "The job file is read" in words(pilot)
            await press(pilot, "1", "enter")
            assert list(bench(pilot).triage.case.answers) == ["danger-signs", asked], "the answer went to the question that stood there"

    asyncio.run(story())


def test_a_finding_is_explained_with_the_lines_of_the_job(tmp_path: Path, job: Path) -> None:
    case_with_job(tmp_path, job)

    async def story() -> None:
        async with at_work(tmp_path, (100, 60)) as pilot:
            await press(pilot, "j")
            await read(pilot)
            pilot.app.screen.query_one(Findings).focus()
            await press(pilot, "home", "enter")
            text = words(pilot)
            assert "Found:" in text and "Sure:" in text and "Speaks for" in text and "rule: " in text

    asyncio.run(story())


def test_the_same_picture_comes_back_from_the_file_when_the_case_is_opened_again(tmp_path: Path, job: Path) -> None:
    case_with_job(tmp_path, job)

    async def story() -> None:
        async with at_work(tmp_path) as pilot:
            events = bench(pilot).triage.case.events
            await press(pilot, "j")
            await read(pilot)
            assert "queue nearly empty" in words(pilot) or "predicted stop" in words(pilot) or "brakes" in words(pilot)
            assert bench(pilot).triage.case.events == events, "reading for the picture alone is nothing to undo"

    asyncio.run(story())


def test_a_job_file_that_has_gone_leaves_its_findings_and_says_so(tmp_path: Path, job: Path) -> None:
    gone = tmp_path / "gone.gcode"
    gone.write_bytes(job.read_bytes())
    case_with_job(tmp_path / "book", gone)
    gone.unlink()

    async def story() -> None:
        async with at_work(tmp_path / "book") as pilot:
            await press(pilot, "j")
            await until(pilot, lambda: bool(the_app(pilot).reading and the_app(pilot).reading.problem))  # type: ignore[union-attr]
            assert "gone.gcode" in words(pilot) and pilot.app.screen.query_one(Findings).count > 3

    asyncio.run(story())


def test_everything_is_found_by_a_few_letters(tmp_path: Path, job: Path) -> None:
    case_with_job(tmp_path, job)
    write_case(tmp_path, title="a tray of [b]nuts[/b]")

    async def story() -> None:
        async with opened(tmp_path) as pilot:
            await press(pilot, "ctrl+p")
            palette = pilot.app.screen
            assert isinstance(palette, Palette)
            assert sticking_out(pilot) == []
            palette.query_one(Input).value = "vase open"
            await press(pilot)
            await press(pilot, "enter")
            await until(pilot, lambda: isinstance(pilot.app.screen, TriageScreen))
            assert "vase 3" in words(pilot)
            await press(pilot, "ctrl+p")
            pilot.app.screen.query_one(Input).value = "filament wet read"
            await press(pilot)
            await press(pilot, "enter")
            await until(pilot, lambda: isinstance(pilot.app.screen, Page))
            assert "The filament is wet" in words(pilot) and "What speaks for it" in words(pilot)
            await press(pilot, "escape", "ctrl+p")
            pilot.app.screen.query_one(Input).value = "printer cards"
            await press(pilot)
            await press(pilot, "enter")
            await until(pilot, lambda: isinstance(pilot.app.screen, PrintersRoom))
            await press(pilot, "ctrl+p")
            pilot.app.screen.query_one(Input).value = "nothing is called like this"
            await press(pilot)
            await press(pilot, "enter")
            assert isinstance(pilot.app.screen, Palette) and "0 of " in words(pilot)

    asyncio.run(story())


def test_words_are_found_in_any_order_and_beginnings_come_first() -> None:
    doings = [Doing(text, "", lambda: None) for text in ("Undo: the last thing", "Cure: the plan", "Read: Undér the plate", "Sunday")]
    assert [d.text for d in matching(doings, "und")] == ["Undo: the last thing", "Read: Undér the plate", "Sunday"]
    assert [d.text for d in matching(doings, "plan the")] == ["Cure: the plan"]
    assert matching(doings, "") == doings and matching(doings, "zebra") == [] and folded("Ünder É") == "under e"


def test_cases_are_searched_by_their_words(tmp_path: Path) -> None:
    for title in ("lamp shade 14", "tray of nuts", "lamp foot"):
        write_case(tmp_path, {"do": "answer", "question": "danger-signs", "answers": ["none"]}, title=title)

    async def story() -> None:
        async with opened(tmp_path) as pilot:
            await press(pilot, "slash", *"lamp")
            await until(pilot, lambda: "2 cases found" in words(pilot))
            assert "tray of nuts" not in words(pilot)
            await press(pilot, *" 14")
            await until(pilot, lambda: "1 case found" in words(pilot))
            await press(pilot, "down", "enter")
            await until(pilot, lambda: isinstance(pilot.app.screen, TriageScreen))
            assert "lamp shade 14" in words(pilot)
            await press(pilot, "q", "escape")
            await until(pilot, lambda: "tray of nuts" in words(pilot))

    asyncio.run(story())


def test_plain_letters_are_all_that_is_drawn_where_the_terminal_has_no_others(tmp_path: Path, job: Path) -> None:
    case_with_job(tmp_path, job, marked=True)

    async def story() -> None:
        from diagnose.screens.app import DiagnoseApp
        from tests.screens.stage import settle

        app = DiagnoseApp([], tmp_path, ascii_only=True)
        async with app.run_test(size=(100, 30)) as pilot:
            await settle(pilot)
            await press(pilot, "enter")
            for key in ("", "j", "m"):
                await press(pilot, *filter(None, [key]))
                await read(pilot)
                text = seen(pilot).replace("\xa0", " ")
                assert text.isascii(), [c for c in text if not c.isascii()]
                if key:
                    assert "^" in text or "o" in text
                    await press(pilot, "escape")

    asyncio.run(story())
