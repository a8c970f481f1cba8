"""Numbers in words."""

from __future__ import annotations

import pytest

from diagnose.triage.wording import decibans, often, percent, times


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
        "in 8 of 10 prints", "nearly always", "half the time", "in 0.3 of all prints",
    )  # fmt: skip
