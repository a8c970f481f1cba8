"""Pictures of characters: dots against a plain twin, and the letters of terminals that have no others."""

from __future__ import annotations

import unicodedata

import numpy as np
import pytest
from textual.content import Content

from diagnose.letters import USED, has_unicode, in_ascii
from diagnose.screens import look, plot
from diagnose.triage.unrolled import SIGNS
from diagnose.triage.views import share_before

DOT = {(0, 0): 1, (1, 0): 2, (2, 0): 3, (0, 1): 4, (1, 1): 5, (2, 1): 6, (3, 0): 7, (3, 1): 8}
"""(down, across) to the number of a dot (Unicode Standard, chapter 21.1); dot n is bit n - 1."""


def test_bars_of_dots_are_those_of_the_plain_twin() -> None:
    rng = np.random.default_rng(3)
    shares = np.concatenate([rng.uniform(size=21), [0.0, 1.0, np.nan]])
    for cells in (1, 4, 9):
        drawn = plot.braille_bars(shares, cells)
        assert len(drawn) == len(shares) // 4 and {len(line) for line in drawn} == {cells}
        for k, share in enumerate(shares):
            lit = 0 if np.isnan(share) else max(round(share * cells * 2), 1 if share > 0 else 0)
            for across in range(cells * 2):
                character = drawn[k // 4][across // 2]
                bits = 0 if character == " " else ord(character) - 0x2800
                bit = 1 << (DOT[k % 4, across % 2] - 1)
                assert bool(bits & bit) == (across < lit), (k, across)
                assert character == " " or "BRAILLE" in unicodedata.name(character)


def test_a_row_of_cells_reads_as_it_stands_and_changes_style_as_seldom_as_it_can() -> None:
    row = plot.row_of([("a", ""), ("b", "bold"), ("c", "bold"), ("d", "")])
    assert row.plain == "abcd" and len(row.spans) == 1


def test_every_shape_has_a_letter_of_its_own_width() -> None:
    for text in (USED, "".join(s for pair in SIGNS.values() for s in pair), "Grüße 12 °C", "─│╭╮╰╯┌┐└┘├┤┬┴┼▏█▒▓", "日本", "e\u0301"):
        plain = in_ascii(text)
        assert plain.isascii() and len(plain) == Content(text).cell_length, text
    drawn = [in_ascii(SIGNS[sign][0]) for sign in SIGNS if sign]
    assert len(set(drawn)) == len(drawn), "no two signs look alike in plain letters either"


@pytest.mark.parametrize(
    ("environment", "encoding", "shows"),
    [({"LANG": "en_US.UTF-8"}, "utf-8", True), ({"LC_ALL": "C"}, "utf-8", False), ({"LANG": "x"}, "ascii", False),
     ({"LANG": "x"}, "latin-1", False), ({"LANG": "x", "TERM": "linux"}, "utf-8", False), ({}, None, False)],
)  # fmt: skip
def test_what_a_terminal_shows_is_told_from_its_settings(
    monkeypatch: pytest.MonkeyPatch, environment: dict[str, str], encoding: str | None, shows: bool
) -> None:
    for name in ("LC_ALL", "LC_CTYPE", "LANG", "TERM"):
        monkeypatch.delenv(name, raising=False)
    for name, value in environment.items():
        monkeypatch.setenv(name, value)
    assert has_unicode(encoding) == shows


def test_a_bar_shows_what_moved_it() -> None:
    assert look.moved_bar(0.5, 0.5, 20).plain.rstrip() == "█" * 10
    assert look.moved_bar(0.5, 0.1, 20).plain.rstrip() == "██" + "▓" * 8
    assert look.moved_bar(0.1, 0.5, 20).plain.rstrip() == "██" + "░" * 8
    assert look.moved_bar(0.001, 0.5, 20).plain.rstrip().startswith("▏"), "something is never nothing"
    assert all(len(look.moved_bar(a, b, 20).plain) == 20 for a in (0.0, 0.001, 0.3, 1.0) for b in (0.0, 0.2, 1.0))


def test_a_share_before_is_that_of_the_odds_before() -> None:
    # 0.5 is odds of 1; ten decibans ago they were 0.1, a share of 1/11.
    assert share_before(0.5, 10.0) == pytest.approx(1 / 11) and share_before(1 / 11, -10.0) == pytest.approx(0.5)
    assert share_before(0.3, 0.0) == pytest.approx(0.3) and 0.0 <= share_before(0.0, 5.0) < 1e-6 and share_before(1.0, 5.0) > 0.999


def test_lines_too_long_for_their_width_are_folded_and_others_left() -> None:
    text = Content("a short one\n" + "word " * 10 + "\n\nend")
    laid = look.fitted(text, 20)
    assert max(len(line) for line in laid.plain.split("\n")) <= 20 and laid.plain.split() == text.plain.split()
    assert look.fitted(text, 60) is text
