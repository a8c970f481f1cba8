"""Limits of card and job, move by move, against a plain twin."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from diagnose.toolpath.advice import join
from diagnose.toolpath.columns import EventKind, JobLimits
from diagnose.toolpath.queue import WHY, simulate
from diagnose.toolpath.speeds import limits
from tests.toolpath import tubes
from tests.toolpath.parts import machine as parts_machine
from tests.toolpath.parts import read
from tests.toolpath.twin_limits import plain_limits

NAN = math.nan


def says(*rows: tuple[int, dict]) -> JobLimits:
    """Return the limits of a job from (move, what it says from there on, all of it)."""
    table = {
        "axis_speed": 4,
        "axis_acceleration": 4,
        "corner_step": 4,
        "corner_deviation": 1,
        "lowest_speed": 2,
        "shortest": 1,
    }
    columns = {
        name: np.array([said.get(name, [NAN] * width if width > 1 else NAN) for _, said in rows], float)
        for name, width in table.items()
    }
    before = np.array([move for move, _ in rows], np.int64)
    return JobLimits(before, np.zeros(len(rows), np.int32), **columns)


@st.composite
def jobs(draw):
    n = draw(st.integers(1, 30))
    some = st.sampled_from
    step = st.tuples(some([0.0, 0.0, 0.31, -2.0, 11.0]), some([0.0, 0.17, -0.5, 7.0]), some([0.0, 0.0, 0.2, -3.0]))
    steps = np.array(draw(st.lists(step, min_size=n, max_size=n)))
    filament = draw(st.lists(some([0.0, 0.03, 0.4, -1.2]), min_size=n, max_size=n))
    feed = draw(st.lists(some([0.0, 3.0, 47.0, 310.0]), min_size=n, max_size=n))
    accel = draw(st.lists(some([NAN, NAN, 0.0, 700.0, 9000.0]), min_size=n, max_size=n))
    points = np.vstack(([[0, 0, 0]], np.cumsum(steps, axis=0)))
    moves = tubes.moves_through(points, feed, accel=accel, filament=filament)
    if draw(st.booleans()):
        moves.start[draw(st.integers(0, 2))] = NAN
    machine = tubes.machine(
        axis_speed=(300.0, 280.0, 9.0, 55.0),
        axis_acceleration=(2100.0, 1900.0, 90.0, 4000.0),
        travel_acceleration=1300.0,
        corner_rule=draw(some(["radius", "step"])),
        least_speed=draw(some([0.0, 5.0])),
        least_travel_speed=draw(some([0.0, 60.0])),
        job_sets_limits=draw(some([True, True, False])),
    )
    number = some([NAN, 0.0, -1.0, 0.7, 90.0, 2500.0])
    four, two = st.lists(number, min_size=4, max_size=4), st.lists(number, min_size=2, max_size=2)
    row = st.fixed_dictionaries(
        {}, optional={
            "axis_speed": four, "axis_acceleration": four, "corner_step": four, "corner_deviation": number,
            "lowest_speed": two, "shortest": number,
        },
    )  # fmt: skip
    places = sorted(draw(st.lists(st.integers(0, n), max_size=4)))
    job = says(*((place, draw(row)) for place in places)) if places else None
    waits = sorted(set(draw(st.lists(st.integers(0, n - 1), max_size=2))))
    return moves, machine, waits, job


@settings(max_examples=300, derandomize=True, deadline=None)
@given(jobs())
def test_limits_are_those_of_a_plain_loop_over_the_moves(case):
    moves, machine, waits, job = case
    found = limits(moves, machine, tubes.events(*((EventKind.WAIT_MOVES, w, 0.0) for w in waits)), job)
    length, cap, accel, entry = np.array(plain_limits(moves, machine, waits, job)).T
    # The columns keep 24 bits of each; rounding moves a number by no more than half of the last.
    for column, exact in ((found.length, length), (found.cap, cap), (found.accel, accel)):
        assert column == pytest.approx(exact, rel=2**-24 * 1.001)
    # A reversal is 0 in one and a rounding of the angle in the other.
    assert np.sqrt(found.entry) == pytest.approx(entry, rel=1e-7, abs=1e-4)


def test_a_job_that_sets_limits_is_obeyed_from_there_on_unless_the_card_forbids():
    moves = tubes.chain([100.0] * 4, 200.0)
    job = says((2, {"axis_speed": [50, NAN, NAN, NAN], "axis_acceleration": [800, NAN, NAN, NAN]}))
    obeys = limits(moves, tubes.machine(), None, job)
    assert obeys.cap == pytest.approx([200, 200, 50, 50])
    assert obeys.accel == pytest.approx([3000, 3000, 800, 800])
    assert math.sqrt(obeys.entry[2]) == pytest.approx(50)
    moves.accel[:] = 500
    forbids = limits(moves, tubes.machine(job_sets_limits=False), None, job)
    assert forbids.cap == pytest.approx([200] * 4)
    assert forbids.accel == pytest.approx([3000] * 4)


def test_a_job_may_raise_what_the_card_has():
    moves = tubes.chain([100.0], 900.0)
    job = says((0, {"axis_speed": [700, NAN, NAN, NAN]}))
    assert limits(moves, tubes.machine(axis_speed=(300.0,) * 4), None, job).cap[0] == pytest.approx(700)


def test_no_move_is_asked_for_less_than_the_least_speed_but_axes_still_cap_it():
    moves = tubes.moves_through([[0, 0, 0], [10, 0, 0], [20, 0, 0], [20, 0, 5]], 2.0, filament=[0.3, 0.0, 0.0])
    machine = tubes.machine(least_speed=8.0, least_travel_speed=20.0, axis_speed=(300, 300, 10, 50))
    assert limits(moves, machine).cap == pytest.approx([8, 20, 10])


def test_facets_are_not_joined_across_a_change_of_limits():
    moves = tubes.chain(np.ones(6), 50.0)
    job = says((3, {"axis_speed": [40, NAN, NAN, NAN]}))
    joined, _, kept = join(moves, None, 0.1, job)
    assert joined.line.tolist() == [3, 6]
    assert kept.before.tolist() == [1]


# Stretching


def low(**changes):
    """A board that saves, and stretches moves to 20 ms while fewer than eight are queued."""
    return tubes.machine(checkpoint_every=5.0, checkpoint_takes=0.1, least_move=0.02, stretch_below=8, **changes)


def test_a_board_that_stretches_short_moves_creeps_while_its_queue_fills_again():
    moves = tubes.tube(seconds=21)
    machine = tubes.machine(checkpoint_every=5.0, checkpoint_takes=0.1)
    plain, stretched = (simulate(moves, limits(moves, m), m) for m in (machine, low()))
    assert len(plain.dips) == len(stretched.dips) == 4
    assert np.all(stretched.dips.length_s > 2 * plain.dips.length_s)
    # The moves that came while fewer than eight were there last 20 ms each: 0.84 mm at 42 mm/s.
    side = 40 * math.sin(math.pi / 150)
    after = slice(int(stretched.saves.blocked[0]) + 1, int(stretched.saves.blocked[0]) + 7)
    assert np.sqrt(stretched.u[after]) == pytest.approx(np.full(6, side / 0.02), rel=1e-4)


def test_a_full_queue_is_never_stretched_nor_one_that_fills_on_purpose():
    moves = tubes.tube(seconds=10)
    machine = tubes.machine(least_move=0.02, stretch_below=8)
    found = simulate(moves, limits(moves, machine), machine)
    assert found.u == pytest.approx(found.plan.u)


def test_the_job_may_say_how_long_a_stretched_move_lasts():
    moves, machine = tubes.tube(seconds=6), low()
    for shortest in (0.02, 0.05):
        found = simulate(moves, limits(moves, machine, None, says((0, {"shortest": shortest}))), machine)
        assert math.sqrt(found.u[found.saves.blocked[0] + 3]) == pytest.approx(0.8377 / shortest, rel=1e-4)


def test_moves_that_arrive_too_slowly_are_stretched_in_place_of_stuttering():
    """The supply takes 7 ms a move, the moves 5.6: the head creeps now and then, and the queue fills meanwhile."""
    moves = tubes.tube(seconds=10)
    slow = {"line_time": 0.007, "acceleration": 20_000.0}
    plain, stretched = (
        simulate(moves, limits(moves, machine), machine)
        for machine in (tubes.machine(**slow), tubes.machine(**slow, least_move=0.02, stretch_below=8))
    )
    assert len(plain.stretches) == 1 and not len(stretched.stretches)
    assert len(plain.dips) > 5 * len(stretched.dips) > 0
    # Never from rest to rest again: the queue never falls below a quarter.
    assert np.min((stretched.held - np.arange(len(moves)))[50:-20]) >= 4


# From the words of a job to its run

SQUARE = "G28\nG90\nM83\nG1 Z0.2 F600\n" + "".join(
    f"G1 X{x} Y{y} E2 F9000\n" for _ in range(5) for x, y in ((90, 10), (90, 90), (10, 90), (10, 10))
)


def test_limits_and_accelerations_in_the_job_file_change_how_long_it_takes(tmp_path):
    takes = {}
    for name, words in {"plain": "", "limits": "M203 X50 Y50\n", "acceleration": "M204 P300\n"}.items():
        for obeys in (True, False):
            made = read(tmp_path, words + SQUARE, parts_machine(job_sets_limits=obeys))
            takes[name, obeys] = made.run.time_s
    assert takes["limits", True] > 2 * takes["plain", True]
    assert takes["acceleration", True] > 1.5 * takes["plain", True]
    # Forbidden, a line takes its reading and no more.
    for name in ("plain", "limits", "acceleration"):
        assert takes[name, False] == pytest.approx(takes["plain", True], abs=0.01)


def test_a_change_of_tool_holds_the_head_for_the_card_s_time(tmp_path):
    lines = SQUARE.splitlines(keepends=True)
    text = "".join(["T0\n", *lines[:10], "T1\n", *lines[10:15], "T1\n", *lines[15:]])
    waited = {seconds: read(tmp_path, text, parts_machine(tool_change_time=seconds)).run for seconds in (0.0, 8.0)}
    # The tool in use at the start is no change, nor is one asked for again.
    assert waited[8.0].waited_s - waited[0.0].waited_s == pytest.approx(8.0, abs=0.1)
    assert not len(waited[8.0].stops)


def test_a_creep_after_a_save_is_blamed_on_the_save_and_one_from_slow_lines_on_the_lines():
    moves = tubes.tube(seconds=21)
    for machine, why in (
        (low(), "checkpoint"),
        (tubes.machine(line_time=0.007, least_move=0.02, stretch_below=8), "line-time"),
    ):
        found = simulate(moves, limits(moves, machine), machine)
        assert len(found.dips) and {WHY[code] for code in found.dips.why} == {why}
