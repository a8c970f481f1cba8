"""Words to moves: modal state, arcs, extruder modes, and what the card or the cable must carry."""

from __future__ import annotations

import math
import re

import numpy as np
import pytest
from hypothesis import given, settings

from diagnose.toolpath.columns import EventKind, Moves
from diagnose.toolpath.moves import ASSUMED_FLOW, interpret
from tests.toolpath import plain_reader
from tests.toolpath.jobs import job_files, motion, words_of


def moves(text: str) -> Moves:
    return motion(text).moves


def ends(text: str) -> list[tuple[float, float, float]]:
    found = moves(text)
    return list(zip(found.x.tolist(), found.y.tolist(), found.z.tolist(), strict=True))


def path(found: Moves, begin: int = 0) -> float:
    """Return the length of the moves from `begin` on, mm."""
    steps = (np.diff(axis, prepend=first) for axis, first in zip((found.x, found.y, found.z), found.start, strict=True))
    return float(np.sqrt(sum(step**2 for step in steps))[begin:].sum())


def arc(text: str, chord_error: float = 1e-6) -> Moves:
    return interpret(words_of(text), chord_error_mm=chord_error).moves


# Arcs: the published check values.


def test_an_arc_given_by_its_centre_turns_round_it() -> None:
    """G-02: NISTIR 6556, 3.5.3.2: from X7 Y7, `G17 G2 X10 Y16 I3 J4 Z9`: centre (10, 11), r 5; 143.1301 degrees."""
    found = arc("G1 X7 Y7 Z9\nG17 G2 X10 Y16 I3 J4 Z9")
    assert np.hypot(found.x - 10, found.y - 11) == pytest.approx(np.full(len(found), 5.0))
    assert path(found) == pytest.approx(5 * math.radians(143.1301), rel=1e-6)
    assert (found.x[-1], found.y[-1]) == (10.0, 16.0)


@pytest.mark.parametrize(("y", "fault"), [(16.0019, False), (16.0021, True)])
def test_an_arc_may_miss_its_circle_by_two_thousandths(y: float, fault: bool) -> None:
    """G-03: NISTIR 6556, 3.5.3.2: an end more than 0.002 mm off its circle is an error; here counted, and drawn."""
    read = motion(f"G1 X7 Y7 Z9\nG2 X10 Y{y} I3 J4")
    assert ("an arc whose end is not on its circle" in read.trouble.counts) == fault
    assert read.moves.y[-1] == y


@pytest.mark.parametrize("words", ["I5 J0", "X0 Y0 I5 J0", "I5 P1"])
@pytest.mark.parametrize("turn", ["G2", "G3"])
def test_an_arc_that_ends_where_it_begins_is_a_full_circle(words: str, turn: str) -> None:
    """G-04: NISTIR 6556, 3.5.3: r 5, length 31.41593."""
    found = arc(f"G1 X0 Y0 Z0\n{turn} {words}")
    assert path(found) == pytest.approx(31.41593, abs=1e-5)
    assert math.copysign(1, found.y[0]) == (1 if turn == "G2" else -1)


def test_a_full_circle_by_radius_is_no_circle_and_counted() -> None:
    """G-04: the radius form cannot say where the centre of a full circle lies."""
    read = motion("G1 X0 Y0 Z0\nG2 X0 Y0 R5")
    assert read.trouble.counts == {"an arc that no circle of its radius can make": 1}
    assert len(read.moves) == 0


@pytest.mark.parametrize(("radius", "centre", "sweep"), [(10, -8.66025, 60.0), (-10, 8.66025, 300.0)])
def test_a_negative_radius_takes_the_long_way_round(radius: int, centre: float, sweep: float) -> None:
    """G-05: NISTIR 6556, 3.5.3.1: `G2 X10 Y0 R10` from 0, 0 has its centre at (5, -8.66025) and turns 60 degrees."""
    found = arc(f"G1 X0 Y0 Z0\nG2 X10 Y0 R{radius}")
    assert np.hypot(found.x - 5, found.y - centre) == pytest.approx(np.full(len(found), 10.0), abs=1e-4)
    assert path(found) == pytest.approx(10 * math.radians(sweep), rel=1e-6)


def test_a_radius_too_small_to_reach_makes_a_straight_line_and_is_counted() -> None:
    read = motion("G1 X0 Y0 Z0\nG2 X10 Y0 R3")
    assert read.trouble.counts == {"an arc that no circle of its radius can make": 1}
    assert (len(read.moves), read.moves.arc[0]) == (1, False)


def test_a_helix_rises_evenly_and_pushes_evenly() -> None:
    found = arc("M83\nG1 X0 Y0 Z0\nG3 Z.8 I.044 J-1.216 P1 E2 F30000", 0.001)
    assert found.x[-1] == 0.0 and found.z[-1] == 0.8
    assert np.diff(found.z, prepend=0) == pytest.approx(np.full(len(found), 0.8 / len(found)))
    assert found.e == pytest.approx(np.full(len(found), 2 / len(found)))
    assert path(found) == pytest.approx(math.hypot(2 * math.pi * math.hypot(0.044, 1.216), 0.8), rel=2e-3)


def test_more_turns_are_added_by_their_word() -> None:
    assert path(arc("G1 X0 Y0 Z0\nG3 I5 P3")) == pytest.approx(3 * 31.41593, abs=1e-4)


@pytest.mark.parametrize(("plane", "words", "axis"), [("G17", "I5", 2), ("G18", "K5", 1), ("G19", "J5", 0)])
def test_arcs_turn_in_the_chosen_plane(plane: str, words: str, axis: int) -> None:
    found = arc(f"G1 X0 Y0 Z0\n{plane} G3 {words}")
    assert path(found) == pytest.approx(31.41593, abs=1e-4)
    still = (found.x, found.y, found.z)[axis]
    assert np.all(still == 0)


@pytest.mark.parametrize("error", [0.1, 0.01, 0.005])
def test_chords_stray_from_the_arc_no_more_than_asked(error: float) -> None:
    """M-04: sagitta s = r (1 - cos(pi / n)); s <= 0.01 at r 10 takes 71 chords."""
    found = arc("G1 X10 Y0 Z0\nG3 I-10 J0", error)
    sagitta = 10 * (1 - math.cos(math.pi / len(found)))
    assert sagitta <= error < 10 * (1 - math.cos(math.pi / (len(found) - 1)))
    if error == 0.01:
        assert len(found) == 71


def test_arcs_of_no_radius_are_straight() -> None:
    found = moves("G1 X0 Y0 Z0\nG2 X5 I0 J0 E1")
    assert (len(found), found.arc[0]) == (1, False)


# Positions.


def test_new_coordinates_move_nothing() -> None:
    """G-06: NISTIR 6556, 3.5.18: at X4, `G92 X7` makes the offset -3, then `G92 X9` -5."""
    found = moves("G1 X0 Y0 Z0\nG1 X4\nG92 X7\nG1 X8\nG92 X9\nG1 X10")
    assert found.x.tolist() == [4.0, 5.0, 6.0]


def test_new_coordinates_work_while_axes_are_relative() -> None:
    assert moves("G1 X0 Y0 Z0\nG91\nG1 X4\nG92 X7\nG90\nG1 X8").x.tolist() == [4.0, 5.0]


@pytest.mark.parametrize("words", ["G92 X Y Z E", "G92 XYZE", "G92", "G92 X0 Y0 Z0 E0"])
def test_bare_letters_of_g92_mean_zero(words: str) -> None:
    assert ends(f"G1 X1 Y2 Z3 E4\nG1 X5\n{words}\nG1 X1 Y1 Z1 E1")[-1] == (6.0, 3.0, 4.0)


def test_inches_scale_axes_arcs_filament_and_feed() -> None:
    """G-08: NISTIR 6556, 3.5.7: 1 in = 25.4 mm; `G20 F60` = 25.4 mm/s."""
    found = moves("G20\nM83\nG1 X0 Y0 Z0\nG1 X1 E0.1 F60\nG21\nG1 X30 F60")
    assert found.x.tolist() == [25.4, 30.0]
    assert found.feed.tolist() == pytest.approx([25.4, 1.0])
    assert found.e[0] == pytest.approx(2.54)
    assert path(arc("G20\nG1 X0 Y0 Z0\nG2 I1")) == pytest.approx(2 * math.pi * 25.4, rel=1e-6)


def test_the_feed_of_a_line_holds_for_its_own_motion() -> None:
    """NISTIR 6556, table 8: `G1 X10 F600` moves at 600, not at the old feed."""
    assert moves("G1 X0 Y0 Z0 F60\nG1 X10 F600").feed.tolist() == [10.0]


def test_a_line_of_axis_words_repeats_the_last_motion() -> None:
    assert moves("G1 X0 Y0 Z0\nX5\nY3").x.tolist() == [5.0, 5.0]


def test_relative_axes_add_up() -> None:
    found = moves("G91\nG1 X1 E0.1\nG1 X1 Y2 E0.1\nG1 Z-1")
    assert (found.x[-1], found.y[-1], found.z[-1]) == (2.0, 2.0, -1.0)
    assert found.start.tolist() == [0.0, 0.0, 0.0]


def test_an_axis_first_told_later_stood_there_all_along() -> None:
    found = moves("G28\nG1 Z5\nG1 X10 Y20\nG1 X20")
    assert found.start.tolist() == [10.0, 20.0, 5.0]
    assert ends("G28\nG1 Z5\nG1 X10 Y20\nG1 X20") == [(20.0, 20.0, 5.0)]


def test_an_axis_never_told_has_no_start() -> None:
    found = moves("M83\nG1 X0 Y0\nG1 X5 E1")
    assert math.isnan(found.start[2]) and found.z.tolist() == [0.0]


def test_numbers_no_machine_can_reach_are_counted_and_left_out() -> None:
    read = motion("M83\nG1 X0 Y0 Z0\nG1 X1e30 Y5 E999999999999999999999\n")
    assert read.trouble.first_lines == {"a number no machine can reach": [3]}
    assert (read.moves.x[0], read.moves.y[0], read.moves.e[0]) == (0.0, 5.0, 0.0)


@pytest.mark.parametrize("words", ["F1e999", "F0", "F-600"])
def test_feeds_that_mean_nothing_leave_the_feed_as_it_was(words: str) -> None:
    read = motion(f"G1 X0 Y0 Z0 F600\nG1 {words}\nG1 X5\nG1 X6 F999999999")
    assert read.moves.feed.tolist() == pytest.approx([10.0, 999999999 / 60])
    assert list(read.trouble.first_lines.values()) == [[2]]


# Filament.


def test_positions_and_lengths_of_filament_push_alike() -> None:
    positions = moves("M82\nG1 X0 Y0 Z0\nG1 X1 E0.5\nG1 X2 E1\nG92 E0\nG1 X3 E0.5\nG1 E-1\n")
    lengths = moves("M83\nG1 X0 Y0 Z0\nG1 X1 E0.5\nG1 X2 E0.5\nG1 X3 E0.5\nG1 E-1.5\n")
    assert positions.e.tolist() == lengths.e.tolist() == [0.5, 0.5, 0.5, -1.5]


def test_relative_axes_take_the_extruder_along() -> None:
    assert moves("M82\nG1 X0 Y0 Z0 E10\nG91\nG1 E-2 X1\nG1 E-2\nG90").e.tolist() == [10.0, -2.0, -2.0]


@pytest.mark.parametrize(
    ("amounts", "mode"),
    [([0.1 * k for k in range(1, 30)], "positions"), ([0.018] * 30, "lengths"), ([0.1, 0.3, 0.2] * 10, "lengths")],
)
def test_an_extruder_mode_never_stated_is_inferred_and_said(amounts: list[float], mode: str) -> None:
    text = "G1 X0 Y0 Z0\n" + "".join(f"G1 X{k + 1} E{e:.4f}\n" for k, e in enumerate(amounts))
    read = motion(text)
    assert any(f"taken as {mode}" in note for note in read.notes)
    total = amounts[-1] if mode == "positions" else sum(amounts)
    assert read.moves.e.sum() == pytest.approx(total)


def test_a_mode_stated_late_does_not_reach_back() -> None:
    """M83 for the start block, M82 after it; before M83 nothing is stated, and one rise says positions."""
    read = motion("G1 X0 Y0 Z0\nM83\nG1 X1 E5\nG1 X2 E5\nM82\nG92 E0\nG1 X3 E1\nG1 X4 E2\n")
    assert read.moves.e.tolist() == [5.0, 5.0, 1.0, 1.0] and not read.notes[:-1]


def test_an_extruder_on_the_letter_a_is_an_extruder() -> None:
    assert moves("M83\nG1 X0 Y0 Z0\nG1 X1 A0.5").e.tolist() == [0.5]


def test_an_extruder_switched_on_and_off_pushes_a_stated_assumption() -> None:
    read = motion("G1 X0 Y0 Z0\nM101\nG1 X10\nM103\nG1 X20\nM101\nG1 X30")
    assert read.moves.e.tolist() == pytest.approx([10 * ASSUMED_FLOW, 0.0, 10 * ASSUMED_FLOW])
    assert "flow" in read.assumed and read.counts.extruding == 2


def test_switches_beside_stated_filament_change_nothing() -> None:
    assert moves("M83\nG1 X0 Y0 Z0\nM101\nG1 X10 E1\nM103\nG1 X20 E1").e.tolist() == [1.0, 1.0]


def test_firmware_retraction_pulls_back_once_and_pushes_again() -> None:
    words = words_of("M83\nG1 X0 Y0 Z0\nG10\nG10\nG1 X5\nG11\nG10 P0 S195 R160\nG10 P0 X2")
    read = interpret(words, retract_length=2.5, retract_speed=40.0)
    assert read.moves.e.tolist() == [-2.5, 0.0, 2.5]
    assert read.moves.feed.tolist() == [40.0, 25.0, 40.0]
    assert (read.counts.retracts, read.counts.restarts) == (2, 1)
    assert read.events.value[read.events.kind == EventKind.NOZZLE_TEMP].tolist() == [195.0]


def test_a_retraction_the_job_states_is_used_unless_the_card_states_one() -> None:
    text = "M83\nM207 S3 F1800\nG1 X0 Y0 Z0\nG10\n"
    assert (motion(text).moves.e[0], motion(text).moves.feed[0]) == (-3.0, 30.0)
    assert interpret(words_of(text), retract_length=0.5).moves.e[0] == -0.5
    assert "retract" in motion("G1 X0 Y0 Z0\nG10\n").assumed and not motion(text).assumed


def test_overrides_change_speed_and_flow_until_taken_back() -> None:
    text = "M83\nG1 X0 Y0 Z0 F600\nM220 S50\nM221 S90\nG1 X1 E1\nM220 S100\nM221 S100\nG1 X2 E1\n"
    read = motion(text)
    assert read.moves.feed.tolist() == [5.0, 10.0]
    assert read.moves.e.tolist() == [0.9, 1.0]
    assert [EventKind(k).name for k in read.events.kind] == ["SPEED_OVERRIDE", "FLOW_OVERRIDE"] * 2


def test_acceleration_goes_to_the_moves_it_is_meant_for() -> None:
    text = "M83\nG1 X0 Y0 Z0\nG1 X1 E1\nM204 S800\nG1 X2 E1\nM204 P500 T1500 R900\nG1 X3 E1\nG1 X4\nG1 E-1\n"
    assert moves(text).accel.tolist() == pytest.approx([math.nan, 800, 500, 1500, 900], nan_ok=True)


# Events, counts, bytes.


def test_events_stand_before_the_move_that_follows_them() -> None:
    read = motion(
        "M104 S200\nM190 S60\nM109 S210\nG28\nG1 X0 Y0 Z0\nG1 X1\nG4 P500\nM106 S127.5\nT1\nG1 X2\nM413 S0\n"
        "M600\nM400\nG4 S2\nSTART_PRINT\nM107\n"
    )
    told = [
        (EventKind(kind).name, int(before), value)
        for kind, before, value in zip(read.events.kind, read.events.before, read.events.value, strict=True)
    ]
    nothing = pytest.approx(math.nan, nan_ok=True)
    assert told == [
        ("NOZZLE_TEMP", 0, 200.0), ("HEAT_WAIT", 0, 60.0), ("BED_TEMP", 0, 60.0), ("HEAT_WAIT", 0, 210.0),
        ("NOZZLE_TEMP", 0, 210.0), ("UNKNOWN_MOTION", 0, nothing), ("DWELL", 1, 0.5), ("FAN", 1, 0.5), ("TOOL", 1, 1.0),
        ("RESUME_SAVING", 2, 0.0), ("PAUSE", 2, nothing), ("WAIT_MOVES", 2, nothing), ("DWELL", 2, 2.0),
        ("UNKNOWN_MOTION", 2, nothing), ("FAN", 2, 0.0),
    ]  # fmt: skip


def test_pseudo_tools_are_no_tools() -> None:
    read = motion("T1000\nT255\nT0\nG1 X0 Y0 Z0\nM135 T2\nG1 X1")
    assert read.trouble.counts == {"a tool number no machine has": 2}
    assert read.moves.tool.tolist() == [2]


def test_unknown_commands_are_counted_by_name_with_their_lines() -> None:
    read = motion("M9999\nG1 X0 Y0 Z0\nM9999 S1\nG1 X5")
    assert read.trouble.first_lines == {"unknown command M9999": [1, 3]}


def test_moves_in_conditional_blocks_are_carried_out_once_and_said() -> None:
    read = motion("G1 X0 Y0 Z0\n{if a}\nG1 X5\n{endif}\nG1 X6")
    assert len(read.moves) == 2 and any("conditional" in note for note in read.notes)


def test_an_arc_counts_once_and_costs_its_bytes_once() -> None:
    read = motion("M83\nG1 X0 Y0 Z0\nG2 I5 E1\n")
    assert (read.counts.arcs, read.counts.motion, read.counts.extruding) == (1, 2, 1)
    assert read.moves.bytes_all[0] == len("M83\nG1 X0 Y0 Z0\nG2 I5 E1\n")
    assert np.all(read.moves.bytes_all[1:] == 0) and np.all(read.moves.lines_code[1:] == 0)


def test_a_cable_carries_code_alone_and_a_card_everything() -> None:
    text = "; header\n\n  G1 X0 Y0 Z0 F600 ; go\nM105\n(note)\nG1 X5 (half way) Y1\t; on\nG1 X6\r\n"
    found = moves(text)
    assert found.bytes_all.tolist() == [len(text) - len("G1 X6\r\n"), len("G1 X6\r\n")]
    sent = ["G1 X0 Y0 Z0 F600\n", "M105\n", "G1 X5  Y1\n"]
    assert found.bytes_code.tolist() == [sum(map(len, sent)), len("G1 X6\n")]
    assert found.lines_code.tolist() == [3, 1]


@pytest.mark.parametrize(
    "line", ["G1 X5 (a) Y1 (b) (c) Z2 (d) (e)", "(a) G1 X5 Y1(b)", "G1 X5 (open", "G1(a)X5", "(a)(b)G1 X5;c (d)"]
)
def test_comments_in_parentheses_are_not_sent(line: str) -> None:
    sent = re.sub(r"\([^)]*(\)|$)", "", line.partition(";")[0]).strip() + "\n"
    assert words_of(line).bytes_code.tolist() == [len(sent)]


@settings(max_examples=150, derandomize=True, deadline=None)
@given(job_files())
def test_moves_agree_with_the_plain_reader(text: str) -> None:
    read = interpret(words_of(text), chord_error_mm=0.05, retract_length=1.5, retract_speed=30.0)
    plain = plain_reader.steps(text, 0.05, 1.5, 30.0)
    assert read.moves.line.tolist() == [step.line for step in plain]
    for name in ("x", "y", "z", "e", "feed"):
        column = getattr(read.moves, name)
        expected = np.array([getattr(step, name) for step in plain], column.dtype)
        assert column.tolist() == pytest.approx(expected.tolist(), abs=1e-9, rel=1e-12)


@settings(max_examples=60, derandomize=True, deadline=None)
@given(job_files())
def test_no_byte_is_lost_or_counted_twice(text: str) -> None:
    found = moves(text)
    data = text.encode()
    if len(found):
        before = data.split(b"\n")[: int(found.line[-1])]
        assert found.bytes_all.sum() == min(sum(len(line) + 1 for line in before), len(data))
