"""Limits and look-ahead against closed forms, published corner speeds, and a loop that re-plans the whole queue."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import quad

from diagnose.errors import BadInput
from diagnose.toolpath.columns import EventKind
from diagnose.toolpath.speeds import Limits, held_by_queue, limits, plan
from tests.toolpath import tubes, twin


def bare(length, cap, accel, entry) -> Limits:
    return Limits(*(np.broadcast_to(np.asarray(v, float), len(length)).copy() for v in (length, cap, accel, entry)))


def corner(inner_degrees: float, **changes) -> float:
    """Return mm/s at a corner between two long legs in the plane, straight on at 180 degrees."""
    turn = math.pi - math.radians(inner_degrees)
    legs = [[0, 0, 0], [100, 0, 0], [100 + 100 * math.cos(turn), 100 * math.sin(turn), 0]]
    machine = tubes.machine(**{"acceleration": 1000.0, "corner_deviation": 0.05, **changes})
    return math.sqrt(limits(tubes.moves_through(legs, 500.0), machine).entry[1])


# Trapezoids


@pytest.mark.parametrize(
    ("path", "cap", "accel", "seconds"), [(100, 100, 1000, 1.1), (5, 1000, 1000, 0.1414213562373095)]
)
def test_a_single_move_takes_its_closed_form_time(path, cap, accel, seconds):
    assert plan(bare([path], cap, accel, 0), 16).seconds[0] == pytest.approx(seconds, abs=1e-9)


def test_a_move_between_two_speeds_takes_its_closed_form_time():
    got = plan(bare([1000, 2, 1000], 1000, 500, [0, 10**2, 20**2]), 16)
    assert got.speed[1:3] == pytest.approx([10, 20], abs=1e-12)
    peak = math.sqrt((2 * 500 * 2 + 10**2 + 20**2) / 2)
    assert peak == pytest.approx(35.35534, abs=1e-5)
    assert got.seconds[1] == pytest.approx((2 * peak - 10 - 20) / 500, abs=1e-12)
    assert got.seconds[1] == pytest.approx(0.08142136, abs=1e-8)


@pytest.mark.parametrize("cap", [25.0, 31.0, 1000.0])
def test_time_equals_the_integral_of_the_slowness_along_the_path(cap):
    got = plan(bare([1000, 2, 1000], cap, 500, [0, 10**2, 20**2]), 16).seconds[1]

    def slowness(x: float) -> float:
        return 1 / min(cap, math.sqrt(10**2 + 1000 * x), math.sqrt(20**2 + 1000 * (2 - x)))

    kinks = [x for x in ((cap**2 - 100) / 1000, 2 - (cap**2 - 400) / 1000, 1.15) if 0 < x < 2]
    assert got == pytest.approx(quad(slowness, 0, 2, points=kinks, epsabs=1e-12)[0], abs=1e-9)


# Look-ahead


def test_the_end_of_the_queue_caps_the_speed_at_its_published_value():
    moves = tubes.chain(np.full(400, 0.1), 200.0)
    machine = tubes.machine(acceleration=1000.0)
    speed = plan(limits(moves, machine), 16).speed
    # A block enters the queue as the one before is done, so the last whole queue is 16 blocks ahead of a block's start.
    assert np.max(speed) <= math.sqrt(2 * 1000 * 16 * 0.1) + 1e-9
    assert math.sqrt(2 * 1000 * 16 * 0.1) == pytest.approx(56.56854, abs=1e-5)
    assert np.max(speed) == pytest.approx(math.sqrt(2 * 1000 * 15 * float(np.float32(0.1))), abs=1e-9)


@pytest.mark.parametrize("queue", [2, 3, 16, 64])
@pytest.mark.parametrize(("path", "accel"), [(0.05, 500.0), (0.4, 3000.0), (2.0, 20000.0)])
def test_on_a_chain_of_short_moves_the_head_never_outruns_its_queue(queue, path, accel):
    bounds = limits(tubes.chain(np.full(300, path), 900.0), tubes.machine(acceleration=accel))
    got = plan(bounds, queue)
    peak = np.sqrt((got.u[1:] + got.u[:-1]) / 2 + accel * path)
    assert np.max(np.minimum(peak, 900.0)) <= math.sqrt(2 * accel * queue * path) + 1e-9


def test_a_hundred_a_second_needs_five_millimetres_of_queue():
    machine = tubes.machine(acceleration=1000.0)
    for queue, reached in ((51, True), (50, False)):
        speed = plan(limits(tubes.chain(np.full(400, 0.1), 100.0), machine), queue).speed
        assert (np.max(speed) > 100 - 1e-9) == reached


@st.composite
def chains(draw):
    n = draw(st.integers(1, 50))
    some = st.sampled_from
    length = draw(st.lists(some([0.01, 0.1, 0.84, 3.0, 40.0]), min_size=n, max_size=n))
    cap = draw(st.lists(some([4.0, 33.0, 150.0, 600.0]), min_size=n, max_size=n))
    accel = draw(st.lists(some([200.0, 3000.0, 12000.0]), min_size=n, max_size=n))
    share = draw(st.lists(some([0.0, 0.1, 0.7, 1.0]), min_size=n, max_size=n))
    entry = [0.0] + [share[i] * min(cap[i - 1], cap[i]) ** 2 for i in range(1, n)]
    return bare(length, cap, accel, entry), draw(st.integers(1, 60))


@settings(max_examples=300, derandomize=True, deadline=None)
@given(chains())
def test_the_sliding_window_equals_a_loop_that_plans_the_whole_queue_for_every_move(case):
    bounds, queue = case
    columns = (bounds.length, bounds.cap, bounds.accel, bounds.entry)
    blocks = [
        twin.Block(i, path, cap, accel, math.sqrt(entry), 0.0, 1)
        for i, (path, cap, accel, entry) in enumerate(zip(*map(np.ndarray.tolist, columns), strict=True))
    ]
    speed = twin.full_supply(blocks, queue)
    got = plan(bounds, queue)
    assert got.speed == pytest.approx(np.array(speed), rel=1e-9, abs=1e-9)
    assert got.seconds == pytest.approx(
        np.array([twin.travel_time(b, speed[b.number], speed[b.number + 1]) for b in blocks]), rel=1e-9
    )


def test_a_long_job_keeps_its_digits():
    """Sums of 2 a L grow without end; the last moves of a long tube must still be planned exactly."""
    bounds = limits(tubes.tube(speed=150.0, seconds=900), tubes.machine())
    got = plan(bounds, 16)
    assert got.speed[2000:-2000] == pytest.approx(np.full(len(got.u) - 4000, 150.0), abs=1e-9)
    to_the_end = np.cumsum(2.0 * bounds.accel[::-1].astype(float) * bounds.length[::-1])[:4]
    assert got.u[-2:-6:-1] == pytest.approx(to_the_end, rel=1e-9)
    assert got.u[-1] == 0.0


# Corners


@pytest.mark.parametrize(
    ("degrees", "speed"),
    [
        (30, 4.1785),
        (45, 5.5674),
        (60, 7.0711),
        (90, 10.9868),
        (120, 17.9779),
        (135, 24.6344),
        (150, 37.6482),
        (170, 114.410),
    ],
)
def test_a_corner_by_radius_has_its_published_speed(degrees, speed):
    assert corner(degrees) == pytest.approx(speed, rel=1e-5)


def test_a_corner_deviation_of_a_hundredth_is_five_a_second_at_a_right_angle():
    assert corner(90, corner_deviation=0.01035534) == pytest.approx(5.0, rel=1e-6)


@pytest.mark.parametrize("rule", ["radius", "step"])
def test_straight_on_only_the_slower_of_both_speeds_counts(rule):
    moves = tubes.chain([50, 50, 50], 1.0)
    moves.feed[:] = [80, 120, 60]
    entry = limits(moves, tubes.machine(corner_rule=rule)).entry
    assert np.sqrt(entry) == pytest.approx([0, 80, 60])


@pytest.mark.parametrize("rule", ["radius", "step"])
def test_a_reversal_stops_or_turns_within_a_step(rule):
    back = tubes.moves_through([[0, 0, 0], [50, 0, 0], [0, 0, 0]], 100.0)
    entry = limits(back, tubes.machine(corner_rule=rule)).entry
    assert math.sqrt(entry[1]) == pytest.approx(0.0 if rule == "radius" else 10.0 / 2)


def test_a_corner_by_step_lets_no_axis_change_its_speed_by_more_than_its_step():
    steps = {"corner_rule": "step", "corner_step": (8.0, 8.0, 0.4, 5.0)}
    assert corner(90, **steps) == pytest.approx(8.0)
    assert corner(135, **steps) == pytest.approx(8.0 / math.sin(math.radians(45)))
    assert corner(179.9, **steps) == pytest.approx(500.0)


def test_the_extruder_counts_in_a_corner_by_step():
    start_to_extrude = tubes.moves_through([[0, 0, 0], [50, 0, 0], [100, 0, 0]], 100.0, filament=[0.0, 5.0])
    machine = tubes.machine(corner_rule="step", corner_step=(8.0, 8.0, 0.4, 5.0))
    assert math.sqrt(limits(start_to_extrude, machine).entry[1]) == pytest.approx(5.0 / 0.1)


def test_between_head_and_filament_alone_the_radius_rule_stops():
    points = [[0, 0, 0], [50, 0, 0], [50, 0, 0], [50, 0, 0], [100, 0, 0]]
    moves = tubes.moves_through(points, 40.0, filament=[1.5, -1.0, -0.5, 0.0])
    found = limits(moves, tubes.machine())
    assert found.length == pytest.approx([50, 1.0, 0.5, 50])
    assert np.sqrt(found.entry) == pytest.approx([0, 0, 40, 0])


# Caps


def test_the_slowest_axis_caps_speed_and_acceleration_along_the_move():
    moves = tubes.moves_through([[0, 0, 0], [30, 40, 0]], 1000.0, filament_per_mm=0.0)
    found = limits(moves, tubes.machine(axis_speed=(300, 200, 10, 50), axis_acceleration=(1500, 1000, 100, 5000)))
    assert found.cap[0] == pytest.approx(200 / 0.8)
    assert found.accel[0] == pytest.approx(1000 / 0.8)


def test_the_extruder_caps_a_move_that_asks_too_much_filament():
    moves = tubes.moves_through([[0, 0, 0], [100, 0, 0]], 200.0, filament=[50.0])
    found = limits(moves, tubes.machine(axis_speed=(300, 300, 10, 40), axis_acceleration=(9e9, 9e9, 100, 600)))
    assert found.cap[0] == pytest.approx(80.0)
    assert found.accel[0] == pytest.approx(1200.0)


def test_a_job_s_own_acceleration_wins_over_the_card_and_travel_has_its_own():
    moves = tubes.moves_through([[0, 0, 0], [50, 0, 0], [100, 0, 0], [150, 0, 0]], 50.0, filament=[1.0, 0.0, 1.0])
    moves.accel[2] = 700.0
    found = limits(moves, tubes.machine(acceleration=1000.0, travel_acceleration=2000.0))
    assert found.accel == pytest.approx([1000, 2000, 700])


def test_an_axis_never_stated_and_a_move_of_no_length_take_no_time():
    moves = tubes.moves_through([[0, 0, 0], [50, 0, 0], [50, 0, 0], [100, 0, 0]], 50.0)
    moves.start[2] = math.nan
    moves.z[:2] = math.nan
    moves.e[1] = 0.0
    found = limits(moves, tubes.machine())
    got = plan(found, 16)
    assert found.length == pytest.approx([50, 0, 50])
    assert got.seconds[1] == 0.0
    assert got.speed == pytest.approx([0, 50, 50, 0])
    assert got.seconds.sum() == pytest.approx(100 / 50 + 50 / 3000)


@pytest.mark.parametrize("kind", [EventKind.DWELL, EventKind.PAUSE, EventKind.WAIT_MOVES, EventKind.HEAT_WAIT])
def test_a_wait_by_command_is_begun_and_ended_at_rest(kind):
    moves = tubes.chain(np.full(20, 1.0), 50.0)
    entry = limits(moves, tubes.machine(), tubes.events((kind, 7, 0.5))).entry
    assert np.flatnonzero(entry == 0).tolist() == [0, 7]
    fan = limits(moves, tubes.machine(), tubes.events((EventKind.FAN, 7, 0.5))).entry
    assert np.flatnonzero(fan == 0).tolist() == [0]


# What the queue's length does


def test_moves_held_back_by_the_queue_are_told_from_those_that_are_not():
    moves = tubes.chain(np.r_[np.full(200, 0.1), np.full(20, 5.0)], 200.0)
    bounds = limits(moves, tubes.machine(acceleration=1000.0))
    held = held_by_queue(bounds, plan(bounds, 16))
    assert held[50:190].all()
    assert not held[205:].any()
    assert not held_by_queue(bounds, plan(bounds, 1000)).any()


@pytest.mark.parametrize(
    "changes",
    [{"acceleration": 0.0}, {"axis_speed": (1, 1, 0, 1)}, {"queue_moves": 4, "queue_seen": 5}, {"line_time": -0.001}],
)
def test_a_machine_that_makes_no_sense_is_refused(changes):
    with pytest.raises(BadInput):
        limits(tubes.chain([1.0], 10.0), tubes.machine(**changes))
