"""The ranking and the ledger: what no rule explains has its place, and no number claims certainty."""

from __future__ import annotations

import asyncio
from pathlib import Path

import pytest

from diagnose.screens.panels import NOT_IN_RULES, Row, SuspectList, ledger_line, suspect_row
from diagnose.triage import LedgerLine, Triage
from tests.screens.stage import at_work, bench, press, said, seen, words, write_case


@pytest.mark.parametrize(("share", "place"), [(0.9, 0), (0.3, 1), (0.001, 3)])
def test_what_no_rule_explains_stands_where_its_share_puts_it(
    tmp_path: Path, share: float, place: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(Triage, "unexplained", share)
    write_case(tmp_path, said("fault", "dots"), said("spacing", "even"))

    async def story() -> None:
        async with at_work(tmp_path) as pilot:
            lines = [li for li in seen(pilot).splitlines() if "%" in li]
            assert [NOT_IN_RULES in li for li in lines].index(True) == place
            listed, names = bench(pilot).query_one(SuspectList), [s.id for s in bench(pilot).triage.ranking()]
            assert bench(pilot).cause == names[0]
            await press(pilot, "right", "right", "right")
            assert bench(pilot).cause == names[2], "the cursor passes over the row without a ledger"
            await press(pilot, "left", "left", "left")
            assert bench(pilot).cause == names[0]
            listed.focus()
            await press(pilot, "home", "down")
            assert bench(pilot).cause == names[1]

    asyncio.run(story())


@pytest.mark.parametrize(("share", "written"), [(1.0, "> 99 %"), (0.714, "71 %"), (0.0994, "9.9 %"), (0.0, "< 0.1 %")])
@pytest.mark.parametrize("width", [40, 60, 100])
def test_a_share_is_never_certain_and_the_row_keeps_its_width(share: float, written: str, width: int) -> None:
    row = suspect_row(Row("a [b]name[/b]", share, share, -12.34), width, True)
    assert f" {written} " in row.plain and "- 12.3 dB" in row.plain and "[b]name[/b]" in row.plain
    assert max(line.cell_length for line in row.split("\n")) == width


@pytest.mark.parametrize("whole", [True, False])
@pytest.mark.parametrize("width", [40, 80])
def test_a_rate_is_a_starting_point_and_no_evidence(whole: bool, width: int) -> None:
    line = LedgerLine("rate", "", "occasional", "an occasional cause", -17.0, "decisive against", "how common it is", "a.yaml:1")
    text = ledger_line(line, "", width, whole=whole).plain
    assert "starting point: occasional" in text and "- 17.0" in text and "against" not in text


def test_an_answer_no_rule_speaks_of_has_no_word_of_strength() -> None:
    silent = LedgerLine("question", "q", "a", "Yes", 0.3, "barely worth mentioning", "the others expect it less", "")
    text = ledger_line(silent, "", 80).plain
    assert "the others expect it less" in text and "barely" not in text
    told = LedgerLine("question", "q", "a", "Yes", 7.0, "substantial", "it shows so", "a.yaml:1")
    assert "substantial for: it shows so" in ledger_line(told, "", 80).plain


def test_the_ledger_on_the_screen_says_where_it_started(tmp_path: Path) -> None:
    write_case(tmp_path, said("fault", "dots"))

    async def story() -> None:
        async with at_work(tmp_path, (80, 40)) as pilot:
            await press(pilot, "l")
            assert "starting point: everyday" in words(pilot)

    asyncio.run(story())
