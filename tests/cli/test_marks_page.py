"""The page of ``marks``: every line fits, each colour has a shape, and the words follow the figures."""

from __future__ import annotations

import re
from collections.abc import Iterator

import pytest

from diagnose.cli.marks.page import page, signed, word
from diagnose.cli.toolpath.draw import Pen
from diagnose.knowledge.pack import Knowledge
from diagnose.triage import knowledge_from
from tests.triage.handmade import MARKS, marks_at, told

ANSI = re.compile(r"\x1b\[[0-9;]*m")


@pytest.fixture(scope="module")
def knowledge() -> Knowledge:
    return knowledge_from()


@pytest.fixture
def lines(knowledge: Knowledge) -> Iterator[list[str]]:
    yield list(page(told(knowledge, {}, off=(6,), warnings=["I can't place mark 7."]), Pen(80, True)))


@pytest.mark.parametrize(("width", "unicode"), [(60, True), (80, True), (80, False), (120, True), (120, False)])
def test_every_line_fits_and_plain_characters_are_enough(knowledge: Knowledge, width: int, unicode: bool) -> None:
    for marks in (MARKS, marks_at([41.0, 44.0, 45.0, 46.5, 50.0]), marks_at([45.0])):
        for line in page(told(knowledge, {}, marks=marks), Pen(width, unicode)):
            bare = ANSI.sub("", line)
            assert len(bare) <= width, bare
            assert unicode or bare.isascii()


def test_verdict_part_ties_tables_heap_and_map_in_this_order(lines: list[str]) -> None:
    text = ANSI.sub("", "\n".join(lines))
    order = ("TIED  12 of 13 marks fall on one 5.0 s beat.", "14 measured, 13 on the part", "other beats that fit: 10.0 s",
             "cannot be told apart", "I can't place mark 7", "keeps time with", "lies at", "Folded on one 5.00 s beat",
             "The surface unrolled")  # fmt: skip
    at = [text.index(words) for words in order]
    assert at == sorted(at)
    for words in ("5.00 s (4.95-5.05)", "no two beats", "none there: seams", "◆", "predicted stop"):
        assert words in text


def test_no_colour_is_only_shape(lines: list[str], knowledge: Knowledge, monkeypatch: pytest.MonkeyPatch) -> None:
    assert any(ANSI.search(line) for line in lines)
    monkeypatch.setenv("NO_COLOR", "1")
    bare = list(page(told(knowledge, {}, off=(6,), warnings=["I can't place mark 7."]), Pen(80, True)))
    assert bare == [ANSI.sub("", line) for line in lines]


def test_the_word_before_the_verdict_follows_the_figures(knowledge: Knowledge) -> None:
    t = told(knowledge, {})
    assert word(t) == "TIED"
    assert word({**t, "ties": []}) == "BEAT"
    assert word({**t, "places": [{**t["places"][0], "decibans": 90.0}]}) == "PLACES"
    assert word({**t, "placed": 3}) == "TOO FEW"
    for best, said in ((7.0, "HARDLY"), (-3.0, "NO ORDER")):
        assert word({**t, "clocks": [{**t["clocks"][0], "decibans": best}], "places": []}) == said


def test_a_bar_goes_right_for_and_left_against() -> None:
    pen = Pen(80, False)
    assert signed(40.0, 4, 8, pen) == "    |########"
    assert signed(60.0, 4, 8, pen) == "    |#######>"
    assert signed(-20.0, 4, 8, pen) == "----|"
    assert signed(-0.3, 4, 8, pen) == "   -|"
    assert signed(0.0, 4, 8, pen) == "    |"
