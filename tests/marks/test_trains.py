"""Names of what turns with a period."""

from __future__ import annotations

import pytest

from diagnose.marks.trains import part_behind

TRAINS = {"z_lead_mm": 8.0, "belt_pitch_mm": 2.0, "pulley_teeth": 20.0, "feeder_turn_mm": 22.9}


@pytest.mark.parametrize(
    ("clock", "period", "part"),
    [
        ("height", 8.0, "one turn of the lead screw"), ("height", 4.02, "half a turn of the lead screw"), ("height", 5.0, ""),
        ("filament", 22.7, "one turn of the feeder gear"), ("x", 40.0, "one turn of the pulley of the x belt"),
        ("y", 2.0, "one step of the teeth of the y belt"), ("time", 8.0, ""), ("layer", 8.0, ""), ("filament", 8.0, ""),
    ],
)  # fmt: skip
def test_a_period_names_the_part_that_turns_with_it(clock: str, period: float, part: str) -> None:
    assert part_behind(clock, period, period * 0.99, period * 1.01, TRAINS) == part  # type: ignore[arg-type]


def test_an_interval_that_spans_anything_names_nothing_by_its_width() -> None:
    assert part_behind("height", 3.0, 1.0, 9.0, TRAINS) == ""
    assert part_behind("height", 8.1, 1.0, 9.0, TRAINS) == "one turn of the lead screw"


def test_without_a_card_nothing_is_named() -> None:
    assert part_behind("height", 8.0, 7.9, 8.1, {}) == ""
