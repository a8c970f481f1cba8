"""Motion and supply against published values, source beside each, and against what the trade knows without a source."""

from __future__ import annotations

import math

import numpy as np
import pytest

from diagnose.toolpath.columns import EventKind
from diagnose.toolpath.queue import WHY, simulate, supply_times
from diagnose.toolpath.speeds import Limits, limits, plan
from diagnose.triage.sources import knowledge_from, machine_of
from tests.toolpath import tubes


@pytest.fixture(scope="module")
def cards():
    return {id: machine_of(card) for id, card in knowledge_from().printers.items()}


def alone(path, cap, accel, entry=0.0, leave=0.0) -> float:
    """Return s of one block between two speeds, from a plan in which long moves lead there and away."""
    columns = ([1e4, path, 1e4], [1e3, cap, 1e3], [accel] * 3, [0.0, entry**2, leave**2])
    return float(plan(Limits(*(np.array(column) for column in columns)), 16).seconds[1])


def square_corner(inner_degrees: float, accel: float, deviation: float) -> float:
    turn = math.pi - math.radians(inner_degrees)
    legs = [[0, 0, 0], [500, 0, 0], [500 + 500 * math.cos(turn), 500 * math.sin(turn), 0]]
    machine = tubes.machine(acceleration=accel, corner_deviation=deviation)
    return math.sqrt(limits(tubes.moves_through(legs, 1000.0), machine).entry[1])


# Published


@pytest.mark.parametrize(
    ("path", "cap", "accel", "entry", "leave", "seconds"),
    [
        (100, 100, 1000, 0, 0, 1.1),  # t = L / v + v / a
        (5, 1000, 1000, 0, 0, 0.1414214),  # t = 2 sqrt(L / a)
        (2, 1000, 500, 10, 20, 0.08142136),  # peak^2 = (2 a L + v0^2 + v1^2) / 2
    ],
)
def test_trapezoids_and_triangles_take_their_time(path, cap, accel, entry, leave, seconds):
    """Elementary; Biagiotti and Melchiorri 2008, section 3.2 (from memory)."""
    assert alone(path, cap, accel, entry, leave) == pytest.approx(seconds, abs=1e-7)


@pytest.mark.parametrize(
    ("inner", "speed"),
    [(30, 4.1785), (45, 5.5674), (60, 7.0711), (90, 10.9868), (120, 17.9779), (135, 24.6344), (150, 37.6482), (170, 114.410)],
)  # fmt: skip
def test_corners_are_taken_at_the_speed_of_the_circle_that_cuts_them(inner, speed):
    """v = sqrt(a d s / (1 - s)), s = sin(theta / 2), at a = 1000, d = 0.05; a community derivation of 2011."""
    assert square_corner(inner, 1000.0, 0.05) == pytest.approx(speed, rel=1e-5)


def test_a_deviation_and_the_speed_round_a_right_angle_stand_for_each_other():
    """d = v90^2 (sqrt 2 - 1) / a: 5 mm/s at 1000 mm/s2; same derivation, second hand."""
    assert square_corner(90, 1000.0, 0.01035534) == pytest.approx(5.0, rel=1e-6)


@pytest.mark.parametrize(("ends_at", "speed"), [(0.0, 56.56854), (5.0, 56.78908)])
def test_queued_pieces_that_must_end_at_rest_allow_no_more_than_their_braking_way(ends_at, speed):
    """v = sqrt(v_end^2 + 2 a N L), from v^2 = 2 a s: sixteen of 0.1 mm at 1000 mm/s2."""
    pieces, accel = np.full(17, 0.1), np.full(17, 1000.0)
    pieces[0] = 500.0
    entry = np.full(17, 1e6)
    entry[0] = 0.0
    last = np.append(pieces, 1.0), np.full(18, 1e3), np.append(accel, 1000.0), np.append(entry, ends_at**2)
    assert plan(Limits(*last), 18).speed[1] == pytest.approx(speed, rel=1e-6)


@pytest.mark.parametrize(("bits", "rate"), [(115_200, 11_520.0), (250_000, 25_000.0)])
def test_a_serial_line_carries_a_tenth_of_its_bits(bits, rate):
    """8N1: a start bit, eight of data and a stop bit make a byte."""
    moves = tubes.chain(np.full(50, 0.001), 1000.0)
    machine = tubes.machine(feed="cable", bytes_per_s=bits / 10, line_time=0.0, window_lines=50, acceleration=1e9)
    found = simulate(moves, limits(moves, machine), machine)
    assert tubes.LINE_BYTES * 49 / (found.arrive[-1] - found.arrive[0]) == pytest.approx(rate)


def test_send_and_wait_carries_its_textbook_rate():
    """Lines a second = 1 / ((line + answer) / rate + turn-round); Stallings, Tanenbaum (from memory)."""
    moves = tubes.chain(np.full(100, 0.2), 100.0)
    moves.bytes_code[:] = 30
    machine = tubes.machine(
        feed="cable", bytes_per_s=11_520.0, line_time=0.0, reply_time=0.002, reply_bytes=3, acceleration=1e6
    )
    found = simulate(moves, limits(moves, machine), machine)
    each = np.diff(found.arrive)[20:-20].mean()
    assert each == pytest.approx(4.864583e-3, rel=1e-6)
    assert (1 / each, 30 / each) == pytest.approx((205.567, 6167.0), rel=1e-5)
    assert supply_times(moves, machine)[1:] == pytest.approx(each)


def busy(ms: float, **changes):
    """Return a run of sixteen queued pieces of 0.5 mm at 100 mm/s, the supply held up for so long every five seconds."""
    moves = tubes.chain(np.full(4000, 0.5), 100.0)
    machine = tubes.machine(acceleration=1e6, checkpoint_every=5.0, checkpoint_takes=ms / 1000, **changes)
    return simulate(moves, limits(moves, machine), machine)


@pytest.mark.parametrize(
    ("what", "ms", "path"), [("read", 100, 10), ("write", 250, 25), ("write of the largest", 500, 50)]
)
def test_a_card_that_is_busy_for_as_long_as_it_may_be_empties_a_queue_of_sixteen(what, ms, path):
    """At most 100 ms for a read, 250 ms (largest cards 500) for a write: SD physical layer simplified specification 4.10,
    4.6.2.1 and 4.6.2.2. Sixteen pieces of 0.5 mm hold 0.080 s at 100 mm/s; bridging needs 10, 25 and 50 mm of queue.
    """
    found = busy(ms)
    assert len(found.stops) == len(found.saves) == 4
    assert found.stops.length_s == pytest.approx(np.full(4, ms / 1000 - 0.080), abs=0.006)
    enough = math.ceil(path / 0.5) + 2
    assert not len(busy(ms, queue_moves=enough).stops)


# Common practice, no source


def test_a_queue_of_sixteen_is_long_on_straight_lines_and_short_on_fine_curves(cards):
    boards = [card for card in cards.values() if card.planning == "board"]
    assert len(boards) == 4 and {card.queue_moves for card in boards} == {16}
    card = cards["board-memory-card"]
    reserve = {}
    for side in (20.0, 0.3):
        moves = tubes.chain(np.full(400, side), 60.0)
        found = simulate(moves, limits(moves, card), card)
        reserve[side] = found.reserve_ms[200]
    assert reserve[20.0] > 5000
    assert reserve[0.3] < 120


def test_a_small_board_needs_many_times_as_long_for_a_line_as_a_large_one(cards):
    """8 bits at 20 MHz with 16 kB of memory against 32 bits at 84 MHz with 96 kB."""
    small, large = cards["small-board-8-bit"], cards["large-board-32-bit"]
    assert 4 < small.line_time / large.line_time < 20
    moves = tubes.tube(facets=400, speed=100, seconds=20)
    demand = 100 / (40 * math.sin(math.pi / 400))
    assert 1 / supply_times(moves, small)[0] < demand < 1 / supply_times(moves, large)[0]
    slow, fast = (simulate(moves, limits(moves, card), card) for card in (small, large))
    assert slow.dips.length_mm.sum() > 1000 and not len(fast.dips) and not len(fast.stops)
    assert slow.time_s > 1.1 * fast.time_s


def test_a_finely_faceted_circle_needs_three_times_the_moves_of_a_coarse_one():
    """A ninth of the deviation, a third of the facet: sagitta r (1 - cos(pi / n)), about c^2 / 8 r."""
    radius = 20.0
    deviation = [radius * (1 - math.cos(math.pi / n)) for n in (50, 150)]
    assert deviation[0] / deviation[1] == pytest.approx(9, rel=0.01)
    seconds = [len(tubes.tube(facets=n, speed=80, seconds=30)) for n in (50, 150)]
    assert seconds[1] / seconds[0] == pytest.approx(3, rel=0.01)
    reserve = []
    for n in (50, 150):
        moves = tubes.tube(facets=n, speed=80, seconds=10)
        found = simulate(moves, limits(moves, tubes.machine()), tubes.machine())
        reserve.append(float(np.median(found.reserve_ms[found.settled])) - 1000 * 80 / 6000)
    assert reserve[0] / reserve[1] == pytest.approx(3, rel=0.02)


# Cables


def test_lines_without_motion_take_their_place_among_the_lines_under_way():
    """Four lines a move and four under way: each move waits for an answer, as with send and wait."""
    moves = tubes.chain(np.full(200, 0.05), 400.0)
    moves.lines_code[:] = 4
    cable = {"feed": "cable", "bytes_per_s": 1e6, "line_time": 0.0001, "reply_time": 0.01, "acceleration": 1e9}
    pace = {}
    for window in (1, 4, 8, 100):
        machine = tubes.machine(window_lines=window, **cable)
        pace[window] = float(np.diff(simulate(moves, limits(moves, machine), machine).arrive)[50:150].mean())
    assert pace[1] == pytest.approx(4 * (0.0101 + 10e-6), rel=1e-3)
    assert pace[4] == pytest.approx(pace[1] / 4, rel=0.05)
    assert pace[8] == pytest.approx(pace[1] / 8, rel=0.1)
    assert pace[100] == pytest.approx(0.0004, rel=0.02)


# Hosts that plan


def host(**changes):
    return tubes.machine(**{"planning": "host", "queue_moves": 500, "buffer_time": 0.25, **changes})


def test_a_host_is_late_only_by_more_than_its_buffer():
    moves = tubes.tube(seconds=20)
    for takes, stops in ((0.2, 0), (0.24, 0), (0.30, 4)):
        machine = host(checkpoint_every=5.0, checkpoint_takes=takes)
        found = simulate(moves, limits(moves, machine), machine)
        assert len(found.stops) == stops and not len(found.dips)
        if stops:
            assert found.stops.length_s == pytest.approx(np.full(4, takes - 0.25), abs=0.008)
    assert found.reserve_ms[found.settled].max() <= 250.0


def test_a_host_that_cannot_keep_up_stands_over_and_over_and_says_why():
    """From rest a move takes longer than the next one's reading, so the head stands at every other one."""
    moves = tubes.tube(seconds=5)
    machine = host(line_time=0.02)
    found = simulate(moves, limits(moves, machine), machine)
    assert len(found.stops) == pytest.approx(len(moves) / 2, rel=0.05)
    assert {WHY[code] for code in found.stops.why} == {"line-time"}
    assert len(found.stretches) == 1


def test_a_host_s_speeds_are_those_of_a_long_look_ahead():
    moves = tubes.chain(np.full(600, 0.1), 300.0)
    board, planned = tubes.machine(acceleration=1000.0), host(acceleration=1000.0)
    near, far = (simulate(moves, limits(moves, m), m) for m in (board, planned))
    assert np.sqrt(near.u.max()) == pytest.approx(math.sqrt(2 * 1000 * 1.5), rel=1e-6)
    assert np.sqrt(far.u.max()) == pytest.approx(math.sqrt(1000 * 60.0), rel=0.01)
    assert far.u == pytest.approx(far.plan.u)


def test_a_host_streams_past_a_dwell_and_waits_out_what_it_cannot_know():
    moves = tubes.tube(seconds=6)
    machine = host()
    dwells = tubes.events(*((EventKind.DWELL, place, 0.5) for place in (200, 500, 800)))
    waits = tubes.events(*((EventKind.WAIT_MOVES, place, 0.0) for place in (200, 500, 800)))
    plain, dwelt, waited = (
        simulate(moves, limits(moves, machine, events), machine, events) for events in (None, dwells, waits)
    )
    assert dwelt.waited_s - plain.waited_s == pytest.approx(3 * 0.5)
    assert waited.waited_s - plain.waited_s == pytest.approx(3 * 0.25, abs=0.01)
    assert not len(dwelt.stops) and not len(waited.stops)
