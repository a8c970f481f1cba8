"""Numbers in words."""

from __future__ import annotations

from typing import get_args

import pytest

from diagnose.marks.model import Ask, Clock, Place
from diagnose.triage.wording import (
    CLOCKS,
    PLACES,
    at_or_every,
    beat,
    clock_name,
    decibans,
    kinds_of_places,
    length_of,
    often,
    percent,
    times,
)  # fmt: skip


@pytest.mark.parametrize(
    ("share", "shown"),
    [(0.0, "< 0.1 %"), (0.0009, "< 0.1 %"), (0.001, "0.1 %"), (0.0949, "9.5 %"), (0.0995, "10 %"), (0.5, "50 %"),
     (0.9949, "99 %"), (0.995, "> 99 %"), (1.0, "> 99 %")],
)  # fmt: skip
def test_no_share_is_shown_as_certain(share: float, shown: str) -> None:
    assert percent(share) == shown


def test_weights_counts_and_frequencies_read_as_part_of_a_sentence() -> None:
    assert decibans(9.06) == "+  9.1"
    assert decibans(-12.3) == "- 12.3"
    assert (times(1, "fault"), times(1200, "fault"), times(2, "stop by", "stops by")) == (
        "1 fault", "1,200 faults", "2 stops by",
    )  # fmt: skip
    assert (often("8 in 10"), often("nearly-always"), often("half"), often("0.3")) == (
        "in 8 of 10 prints", "nearly always", "half the time", "in 30 of 100 prints",
    )  # fmt: skip


def test_every_clock_and_place_has_words() -> None:
    assert set(CLOCKS) == set(get_args(Clock))
    assert set(PLACES) == set(get_args(Place))
    assert (clock_name("moon"), kinds_of_places("moon")) == ("moon", "moon")


@pytest.mark.parametrize(
    ("clock", "period", "within", "shown"),
    [("time", 5.0312, None, "5.03 s"), ("time", 5.0312, 0.01, "5.031 s"), ("height", 8.0, 0.2, "8.00 mm"),
     ("path", 482.4, 4.0, "482 mm"), ("path", 14853.0, 9.0, "14,853 mm"), ("layer", 4.26, 2.0, "4.26 layers"),
     ("angle", 360.0, 0.0, "360 deg")],
)  # fmt: skip
def test_a_period_shows_as_many_digits_as_its_interval_allows_and_three_at_least(
    clock: str, period: float, within: float | None, shown: str
) -> None:
    assert length_of(clock, period, within) == shown


def test_beats_read_as_part_of_a_sentence() -> None:
    assert beat("time", 5.0) == "one 5.00 s beat"
    assert beat("height", 8.0) == "steps of 8.00 mm in height"
    assert beat("layer", 12.0) == "steps of 12.0 layers"
    assert at_or_every(Ask(at="seams")) == "at seams"
    assert at_or_every(Ask(every="filament", low=8.0, high=50.0)) == "at an even beat in filament used, 8 to 50 mm"
    assert at_or_every(Ask(every="layer")) == "at an even beat in layers"
