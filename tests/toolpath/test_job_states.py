"""What a job states besides motion: limits, tools, retractions of the board, numbered lines, overrides."""

from __future__ import annotations

import functools

import numpy as np
import pytest

from diagnose.toolpath.moves import interpret, with_retraction
from tests.toolpath.jobs import motion, words_of


def test_limits_of_the_job_are_kept_as_they_change() -> None:
    read = motion(
        "G21\nM201 X1500 Y1500 Z100 E5000\nM203 X300 E60\nG1 X0 Y0 Z1 F600\nG1 X1\nM205 X8 Y8 J0.02 S1 T2 B20000\n"
        "M205 Z0.4\nG1 X2\nM201 X1500\nG1 X3\n"
    )
    limits = read.limits
    assert limits.before.tolist() == [0, 1] and limits.line.tolist() == [3, 7]
    assert limits.axis_acceleration.tolist() == [[1500, 1500, 100, 5000]] * 2
    np.testing.assert_array_equal(limits.axis_speed, [[300, np.nan, np.nan, 60]] * 2)
    np.testing.assert_array_equal(limits.corner_step, [[np.nan] * 4, [8, 8, 0.4, np.nan]])
    np.testing.assert_array_equal(limits.corner_deviation, [np.nan, 0.02])
    np.testing.assert_array_equal(limits.lowest_speed[1], [1, 2])
    assert limits.shortest[1] == pytest.approx(0.02)


def test_speeds_no_printer_reaches_are_taken_as_a_minute_and_it_is_said() -> None:
    read = motion("M203 X18000 Y18000 Z600\nM566 X480\nG1 X0 Y0 Z1 F600\nG1 X1\n")
    assert read.limits.axis_speed[0, :3].tolist() == [300, 300, 10] and read.limits.corner_step[0, 0] == 8
    assert any("mm/min" in note for note in read.notes)


def test_limits_in_inches_are_millimetres_afterwards() -> None:
    assert motion("G20\nM201 X100\nG1 X0 Y0 Z1 F60\nG1 X1\n").limits.axis_acceleration[0, 0] == pytest.approx(2540)


def test_a_job_that_sets_no_limits_has_none() -> None:
    assert len(motion("G1 X0 Y0 Z0 F600\nG1 X1\n").limits) == 0


TWO_TOOLS = "M82\nT0\nG1 X0 Y0 Z0 F600\nG1 X1 E10\nT1\nG1 X2 E{first}\nT0\nG1 X3 E{second}\n"


def test_tools_that_count_filament_for_themselves_go_on_from_their_own() -> None:
    read = motion(TWO_TOOLS.format(first=0.5, second=10.25))
    assert read.moves.e.tolist() == [10, 0.5, 0.25]
    assert any("each tool counts" in note for note in read.notes)


def test_tools_that_share_one_count_go_on_from_the_last() -> None:
    read = motion(TWO_TOOLS.format(first=10.5, second=10.75))
    assert read.moves.e.tolist() == [10, 0.5, 0.25]
    assert not any("each tool counts" in note for note in read.notes)


def test_a_count_set_anew_after_a_tool_change_is_taken_as_it_is() -> None:
    assert motion("M82\nG1 X0 Y0 Z0 F600\nG1 X1 E10\nT1\nG92 E8\nG1 X2 E9\n").moves.e.tolist() == [10, 1]


def test_retractions_of_the_board_take_the_numbers_of_a_card_without_reading_again() -> None:
    text = "M83\nG1 X0 Y0 Z0 F600\nG1 X1 E1\nG10\nG1 X5\nG11\nG1 X6 E1\nM207 S2 F1800\nG10\nG1 X0\nG11\n"
    read = motion(text)
    assert read.by_board.restart.tolist() == [False, True, False, True]
    assert read.by_board.length.tolist() == [1, 1, 2, 2]
    card = with_retraction(read.moves, read.by_board, 0.8, 45.0)
    again = interpret(words_of(text), retract_length=0.8, retract_speed=45.0).moves
    assert card.e.tolist() == again.e.tolist() and card.feed.tolist() == again.feed.tolist()
    assert read.moves.e.tolist() != card.e.tolist()


def test_numbers_of_checked_lines_must_follow_on() -> None:
    """As a cable needs it (community G-code reference); numbers without checksums are a matter of taste (NISTIR 6556)."""

    def checked(number: int, body: str) -> str:
        line = f"N{number} {body}"
        return f"{line}*{functools.reduce(lambda a, b: a ^ b, line.encode())}"

    lines = [checked(1, "G28"), checked(2, "G1 X1"), checked(4, "G1 X2"), checked(5, "M110 N9"), checked(10, "G1 X3")]
    assert words_of("\n".join(lines)).trouble.first_lines == {"the line number does not follow on": [3]}
    many = "\n".join(checked(2 * k, "G1 X1") for k in range(30))
    trouble = words_of(many).trouble
    assert trouble.counts == {"the line number does not follow on": 29}
    assert trouble.first_lines["the line number does not follow on"] == list(range(2, 12))
    assert words_of("N10 G1 X1\nN20 G1 X2\nN30 G1 X3").trouble.counts == {}


def test_an_override_holds_from_its_line_on() -> None:
    found = motion("M83\nG1 X0 Y0 Z0 F600\nG1 X1 E1\nM220 S50\nM221 S110\nG1 X2 E1\nM220 S100\nG1 X3 E1\n").moves
    assert found.feed.tolist() == [10, 5, 10] and found.e.tolist() == pytest.approx([1, 1.1, 1.1])
