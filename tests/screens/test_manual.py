"""What the rules say of a cause, as a page, from the ledger; and rule texts that would act on a screen."""

from __future__ import annotations

import asyncio
from pathlib import Path
from typing import Any

import pytest

from diagnose.knowledge.pack import Knowledge
from diagnose.reasoning.network import compile_network
from diagnose.triage.manual import cause_page
from tests.cli.test_hostile_rules import MARKUP, hostile_pack
from tests.screens.stage import at_work, bench, press, said, seen, small_pack, write_case


def test_the_ledger_leads_on_to_the_page_of_the_manual(tmp_path: Path) -> None:
    write_case(tmp_path, said("defect", "blobs"))

    async def story() -> None:
        async with at_work(tmp_path, (100, 60)) as pilot:
            cause = bench(pilot).cause
            await press(pilot, "l")
            assert "All the rules say" in seen(pilot)
            await press(pilot, "r")
            shown = seen(pilot)
            k = small_pack()
            page = cause_page(k, compile_network(k), k.causes[cause])
            assert k.causes[cause].name in shown
            for section in page[:3]:
                assert section.title in shown
            await press(pilot, "escape")
            assert "All the rules say" in seen(pilot)

    asyncio.run(story())


@pytest.fixture
def hostile(builtin_pack: None, monkeypatch: pytest.MonkeyPatch) -> Knowledge:
    knowledge = hostile_pack()
    monkeypatch.setattr("diagnose.triage.knowledge_from", lambda extra=(): knowledge)
    return knowledge


PAGES = ["", "l", "l r", "t", "c", "s", "w", "a", "d", "f1", "m"]


@pytest.mark.parametrize("size", [(80, 24), (160, 50)])
def test_rule_texts_of_markup_are_shown_as_they_are_on_every_page(
    hostile: Knowledge, tmp_path: Path, size: tuple[int, int]
) -> None:
    write_case(tmp_path, said("defect", "strings"))
    shown: dict[str, str] = {}

    async def story() -> None:
        async with at_work(tmp_path, size) as pilot:
            for keys in PAGES:
                await press(pilot, *keys.split())
                shown[keys] = seen(pilot)
                await _back(pilot)
            app: Any = pilot.app
            assert app.is_running

    asyncio.run(story())
    for keys in ("", "l", "l r", "t", "s", "w"):
        assert MARKUP[:9] in shown[keys].replace("\n", " "), keys


async def _back(pilot: Any) -> None:
    while pilot.app.screen is not bench(pilot):
        await press(pilot, "escape")


def test_solved_cases_like_this_one_stand_beside_the_ranking(tmp_path: Path) -> None:
    k = small_pack()
    cause = next(c for c in k.causes.values() if c.remedies)
    plain = [q for q in k.questions.values() if not q.ask_if and q.kind == "one" and q.role in (None, "defect")]
    answers = [said(q.id, q.answers[0].id) for q in plain]
    solved = write_case(tmp_path, *answers, {"do": "tried", "remedy": cause.remedies[0], "result": "cured", "closes": True, "causes": [cause.id]}, title="The one before")  # fmt: skip
    (tmp_path / f"{solved}.journal").rename(tmp_path / "aaa.journal")
    write_case(tmp_path, *answers, title="The one now")

    async def story() -> None:
        async with at_work(tmp_path, (130, 40)) as pilot:
            assert "The one now" in seen(pilot)
            assert "k: 1 solved like it" in seen(pilot)
            await press(pilot, "k")
            shown = seen(pilot)
            assert "The one before" in shown and cause.name in shown and "alike:" in shown

    asyncio.run(story())
