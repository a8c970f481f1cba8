"""One case at work: answering, undoing, changing, and what is shown of it."""

from __future__ import annotations

import asyncio
from pathlib import Path
from typing import Any

import pytest
from textual.pilot import Pilot

from diagnose.screens.cases import CasesScreen
from diagnose.screens.dialogs import Choose, Page
from diagnose.screens.panels import LedgerPanel, SuspectList
from diagnose.screens.question import QuestionPanel
from diagnose.screens.triage import GivenPage
from tests.screens.stage import at_work, bench, journal, press, said, seen, steady, words, write_case


def asked(pilot: Pilot[Any]) -> str:
    question = bench(pilot).query_one(QuestionPanel).question
    assert question is not None
    return question.id


def answers(pilot: Pilot[Any]) -> dict[str, Any]:
    return dict(bench(pilot).triage.case.answers)


def test_the_first_question_shows_how_to_look_what_it_tells_apart_and_pictures(tmp_path: Path) -> None:
    async def story() -> None:
        async with at_work(tmp_path) as pilot:
            text = words(pilot)
            assert "What is wrong with the plate?" in text
            assert "Hold it under a lamp." in text
            assert "Tells apart: Dust from the room" in text and "/ The belt is loose" in text
            assert "1 o o o Dots" in text

    asyncio.run(story())


def test_a_digit_that_can_mean_one_answer_only_answers_at_once(tmp_path: Path) -> None:
    async def story() -> None:
        async with at_work(tmp_path) as pilot:
            await press(pilot, "2")
            assert answers(pilot) == {"fault": ("lines",)}

    asyncio.run(story())
    assert journal(tmp_path)[-1]["answers"] == ["lines"]


def test_a_digit_that_may_begin_a_longer_number_waits(tmp_path: Path) -> None:
    async def story() -> None:
        async with at_work(tmp_path) as pilot:
            for key, answer in (("enter", "dots"), ("2", "cracks"), ("0", "stains")):
                await press(pilot, "1")
                assert answers(pilot) == {}
                assert "Typed 1: enter takes it" in words(pilot)
                await press(pilot, key)
                assert answers(pilot) == {"fault": (answer,)}
                await press(pilot, "b")

    asyncio.run(story())


def test_a_number_without_an_answer_changes_nothing(tmp_path: Path) -> None:
    async def story() -> None:
        async with at_work(tmp_path) as pilot:
            await press(pilot, "1", "5")
            assert answers(pilot) == {}
            assert "There is no answer 15; the numbers go to 12." in words(pilot)
            await press(pilot, "1", "escape", "2")
            assert answers(pilot) == {"fault": ("lines",)}

    asyncio.run(story())


def test_every_answer_of_a_long_list_is_reached_with_the_arrows(tmp_path: Path) -> None:
    async def story() -> None:
        async with at_work(tmp_path) as pilot:
            await press(pilot, *["down"] * 11)
            assert "Cracks, [bold]not markup[/bold] and [nor] this" in seen(pilot)
            await press(pilot, "enter")
            assert answers(pilot) == {"fault": ("cracks",)}

    asyncio.run(story())


def test_unknown_is_kept_and_changes_no_share(tmp_path: Path) -> None:
    async def story() -> None:
        async with at_work(tmp_path) as pilot:
            before = [(s.id, s.probability) for s in bench(pilot).triage.ranking()]
            await press(pilot, "0")
            assert answers(pilot) == {"fault": None}
            assert [(s.id, s.probability) for s in bench(pilot).triage.ranking()] == before
            assert asked(pilot) != "fault"

    asyncio.run(story())


def test_undo_goes_back_step_by_step_to_the_start(tmp_path: Path) -> None:
    async def story() -> None:
        async with at_work(tmp_path) as pilot:
            await press(pilot, "1", "enter", "1")
            assert list(answers(pilot)) == ["fault", "spacing"]
            await press(pilot, "b")
            assert list(answers(pilot)) == ["fault"] and asked(pilot) == "spacing"
            await press(pilot, "b", "b")
            assert answers(pilot) == {} and asked(pilot) == "fault"

    asyncio.run(story())


def test_the_ranking_moves_with_each_answer_and_says_by_how_much(tmp_path: Path) -> None:
    async def story() -> None:
        async with at_work(tmp_path) as pilot:
            await press(pilot, "1", "enter", "1")
            triage = bench(pilot).triage
            first = triage.ranking()[0]
            assert first.id == "worn-wheel"
            line = next(li for li in seen(pilot).splitlines() if "The wheel is worn" in li and "%" in li)
            assert f"{100 * first.probability:.0f} %" in line
            assert f"+{first.change:5.1f} dB" in line

    asyncio.run(story())


def test_several_answers_are_ticked_and_handed_in_together(tmp_path: Path) -> None:
    write_case(tmp_path, said("fault", "holes"), {"do": "answer", "question": "spiral-told", "answers": None})

    async def story() -> None:
        async with at_work(tmp_path) as pilot:
            assert asked(pilot) == "places"
            await press(pilot, "1", "3", "down", "space", "up", "space")
            assert "[ ] In the middle" in seen(pilot) or "[x] In the middle" in seen(pilot)
            ticked = bench(pilot).query_one(QuestionPanel).answers.ticked
            await press(pilot, "enter")
            assert set(answers(pilot)["places"]) == ticked and ticked

    asyncio.run(story())


def test_handing_in_no_tick_says_that_none_of_them_holds(tmp_path: Path) -> None:
    write_case(tmp_path, said("fault", "holes"), {"do": "answer", "question": "spiral-told", "answers": None})

    async def story() -> None:
        async with at_work(tmp_path) as pilot:
            assert "none ticked means none." in words(pilot)
            await press(pilot, "enter")
            assert answers(pilot)["places"] == ()
            assert "none of these" in bench(pilot).triage.given()[-1].say

    asyncio.run(story())


def test_an_earlier_answer_is_changed_and_what_hung_on_it_set_aside(tmp_path: Path) -> None:
    write_case(tmp_path, said("fault", "dots"), said("spacing", "even"))

    async def story() -> None:
        async with at_work(tmp_path) as pilot:
            await press(pilot, "a")
            assert isinstance(pilot.app.screen, GivenPage)
            await press(pilot, "enter")
            assert asked(pilot) == "fault" and "(said before)" in seen(pilot)
            await press(pilot, "3")
            assert answers(pilot)["fault"] == ("holes",)
            await press(pilot, "a")
            assert "set aside" in words(pilot)

    asyncio.run(story())


def test_an_earlier_answer_is_taken_back_from_the_list(tmp_path: Path) -> None:
    write_case(tmp_path, said("fault", "dots"), said("spacing", "even"))

    async def story() -> None:
        async with at_work(tmp_path) as pilot:
            await press(pilot, "a", "down", "x", "escape")
            assert answers(pilot) == {"fault": ("dots",)}

    asyncio.run(story())


def test_on_a_wide_screen_the_answers_stand_beside_and_are_changed_there(tmp_path: Path) -> None:
    write_case(tmp_path, said("fault", "dots"), said("spacing", "even"))

    async def story() -> None:
        async with at_work(tmp_path, (120, 40)) as pilot:
            await press(pilot, "a", "down", "x")
            assert answers(pilot) == {"fault": ("dots",)}
            await press(pilot, "enter")
            assert asked(pilot) == "fault"
            await press(pilot, "2")
            assert answers(pilot) == {"fault": ("lines",)}

    asyncio.run(story())


def test_the_ledger_follows_the_cursor_among_the_suspects(tmp_path: Path) -> None:
    write_case(tmp_path, said("fault", "dots"), said("spacing", "even"))

    async def story() -> None:
        async with at_work(tmp_path) as pilot:
            assert 'Why "The wheel is worn"' in seen(pilot)
            await press(pilot, "right")
            assert 'Why "Dust from the room falls on the plate"' in seen(pilot)
            assert "against" in str(bench(pilot).query_one(LedgerPanel).query("Static").first().render())
            await press(pilot, "1")
            assert 'Why "Dust from the room falls on the plate"' in seen(pilot), "the choice stays"
            bench(pilot).query_one(SuspectList).focus()
            await press(pilot, "home")
            assert bench(pilot).chosen_cause is None

    asyncio.run(story())


def test_the_whole_ledger_adds_up_and_names_the_rules(tmp_path: Path) -> None:
    write_case(tmp_path, said("fault", "dots"), said("spacing", "even"))

    async def story() -> None:
        async with at_work(tmp_path, (100, 50)) as pilot:
            total = sum(line.decibans for line in bench(pilot).triage.ledger("worn-wheel"))
            await press(pilot, "l")
            assert isinstance(pilot.app.screen, Page)
            assert f"+{total:5.1f} dB together" in seen(pilot)
            assert "rules.yaml:" in seen(pilot)
            assert "How are the dots spaced? At even steps" in words(pilot)

    asyncio.run(story())


def test_why_says_bits_minutes_and_what_is_told_apart(tmp_path: Path) -> None:
    async def story() -> None:
        async with at_work(tmp_path) as pilot:
            await press(pilot, "w")
            step = bench(pilot).triage.next_question()
            assert step is not None
            assert f"{step.bits:.2f} bits" in words(pilot) and "half a minute" in words(pilot)
            assert step.tells_apart[0] in words(pilot)

    asyncio.run(story())


def test_another_question_is_chosen_and_escape_goes_back_to_the_proposed_one(tmp_path: Path) -> None:
    async def story() -> None:
        async with at_work(tmp_path) as pilot:
            await press(pilot, "s")
            assert isinstance(pilot.app.screen, Choose)
            await press(pilot, "down", "enter")
            chosen = asked(pilot)
            assert chosen != "fault"
            await press(pilot, "escape")
            assert asked(pilot) == "fault"
            await press(pilot, "s", "down", "enter", "1", "enter")
            assert chosen in answers(pilot)

    asyncio.run(story())


def test_tests_and_remedies_show_their_cautions_and_a_result_is_recorded(tmp_path: Path) -> None:
    write_case(tmp_path, said("fault", "dots"), said("spacing", "even"))

    async def story() -> None:
        async with at_work(tmp_path, (80, 40)) as pilot:
            before = bench(pilot).triage.ranking()[0].probability
            await press(pilot, "t")
            text = words(pilot)
            assert "CAUTION: Unplug before you reach for the wheel." in text
            assert "CAUTION: Unplug first." in text
            assert "It gives up: The old wheel." in text
            assert "5 min of your time, 20 min of the machine, 3 g of filament" in text
            await press(pilot, "1")
            assert asked(pilot) == "after-swap"
            await press(pilot, "1")
            assert answers(pilot)["after-swap"] == ("clean",)
            assert bench(pilot).triage.ranking()[0].probability > before
            await press(pilot, "t")
            assert "result recorded" in words(pilot)

    asyncio.run(story())


def test_enough_is_said_and_the_user_may_go_on(tmp_path: Path) -> None:
    write_case(tmp_path, said("fault", "dots"), said("spacing", "even"), said("after-swap", "clean"))

    async def story() -> None:
        async with at_work(tmp_path) as pilot:
            assert bench(pilot).triage.enough and bench(pilot).steps
            assert "clear enough: c shows what to try" in words(pilot)
            await press(pilot, "1")
            assert len(answers(pilot)) == 4

    asyncio.run(story())


def test_when_nothing_is_left_to_ask_the_screen_says_what_can_be_done(tmp_path: Path) -> None:
    write_case(
        tmp_path, said("fault", "dots"), said("spacing", "even"), said("places", "rim"), said("spiral-told", "yes")
    )

    async def story() -> None:
        async with at_work(tmp_path) as pilot:
            assert "Nothing more is worth asking." in words(pilot)
            await press(pilot, "3", "0", "enter", "b")
            assert asked(pilot)

    asyncio.run(story())


def test_answers_that_do_not_go_together_are_named(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    doubts = ["These answers do not go together (4.2 bits). Look again at [b]x[/b].", "And another doubt."]
    monkeypatch.setattr("diagnose.triage.Triage.doubts", lambda self: doubts)
    write_case(tmp_path, said("fault", "dots"))

    async def story() -> None:
        async with at_work(tmp_path) as pilot:
            assert "do not go together (4.2 bits)" in words(pilot) and "d: all of it" in words(pilot)
            await press(pilot, "d")
            assert "Look again at [b]x[/b]." in words(pilot)
            assert "And another doubt." in words(pilot)

    asyncio.run(story())


def test_a_case_that_cannot_be_saved_says_so_and_counts_nothing(tmp_path: Path) -> None:
    write_case(tmp_path, said("fault", "dots"))

    async def story() -> None:
        async with at_work(tmp_path) as pilot:
            (path,) = tmp_path.glob("*.journal")
            path.unlink()
            path.mkdir()
            await press(pilot, "1")
            assert "The case cannot be saved" in words(pilot) and "What helps:" in words(pilot)
            await press(pilot, "escape")
            assert answers(pilot) == {"fault": ("dots",)}

    asyncio.run(story())


def test_every_answer_is_there_for_a_second_app_before_the_first_one_closes(tmp_path: Path) -> None:
    async def story() -> None:
        async with at_work(tmp_path) as pilot:
            await press(pilot, "1", "enter", "1")
            async with at_work(tmp_path) as other:
                assert answers(other) == {"fault": ("dots",), "spacing": ("even",)}

    asyncio.run(story())


def test_back_leads_to_the_cases_with_the_case_in_the_list(tmp_path: Path) -> None:
    async def story() -> None:
        async with at_work(tmp_path) as pilot:
            await press(pilot, "2", "q")
            await pilot.app.workers.wait_for_complete()
            await steady(pilot)
            assert isinstance(pilot.app.screen, CasesScreen)
            assert "1 answer" in words(pilot)

    asyncio.run(story())
