"""The coupled queue against its acceptance figures and against the event-by-event twin."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from diagnose.errors import BadInput, Cancelled
from diagnose.toolpath.columns import EventKind
from diagnose.toolpath.queue import WHY, Stalls, simulate, starves, supply_times
from diagnose.toolpath.speeds import limits
from tests.toolpath import tubes, twin

TIGHT = 1e-9
COMMANDS = (EventKind.DWELL, EventKind.WAIT_MOVES, EventKind.HEAT_WAIT, EventKind.TOOL, EventKind.RESUME_SAVING)


def run(moves, machine, events=None, **more):
    return simulate(moves, limits(moves, machine, events), machine, events, **more)


def column(record: dict, n: int) -> np.ndarray:
    return np.array([record[i] for i in range(n)])


def same_as_twin(moves, machine, events=None, commands=None, stalls=None):
    """Run both; times and speeds must agree to 1e-9 of themselves, stops, dips and saves be the same."""
    bounds = limits(moves, machine, events)
    fast = simulate(moves, bounds, machine, events, stalls=stalls)
    drawn = () if stalls is None else zip(stalls.t_s.tolist(), stalls.length_s.tolist(), strict=True)
    slow = twin.simulate(moves, bounds, machine, commands, stalls=drawn, with_reserve=True)
    n = len(moves)
    assert fast.arrive == pytest.approx(column(slow.arrive, n), rel=TIGHT)
    assert fast.start == pytest.approx(column(slow.start, n), rel=TIGHT)
    assert fast.depart == pytest.approx(column(slow.depart, n), rel=TIGHT)
    assert np.sqrt(fast.u[:-1]) == pytest.approx(column(slow.entry, n), rel=TIGHT, abs=TIGHT)
    assert fast.reserve_ms == pytest.approx(1000 * column(slow.reserve, n), abs=1e-4)
    real = [stop for stop in slow.stops if stop[2] > 1e-6]
    assert list(fast.stops.move) == [move for move, _, _ in real]
    assert fast.stops.t_s == pytest.approx(np.array([t for _, t, _ in real]), abs=TIGHT)
    assert fast.stops.length_s == pytest.approx(np.array([s for _, _, s in real]), abs=TIGHT)
    assert fast.saves.t_s == pytest.approx(np.array([t for t, _, _ in slow.saves]), abs=TIGHT)
    assert list(fast.saves.blocked) == [block for _, block, _ in slow.saves]
    assert fast.saves.reserve_ms == pytest.approx(np.array([1000 * s for _, _, s in slow.saves]), abs=1e-4)
    planned = twin.full_supply(twin.blocks_of(moves, bounds, machine), machine.queue_seen)
    assert fast.plan.speed == pytest.approx(np.array(planned), abs=1e-6)
    found = twin.dips(list(column(slow.entry, n)), planned, {move for move, _, _ in real})
    assert list(fast.dips.move) == [move for move, _ in found]
    assert fast.dips.speed == pytest.approx(np.array([v for _, v in found]), abs=1e-6)
    return fast


def test_a_tube_of_fine_facets_stops_at_every_checkpoint_and_nowhere_else():
    machine = tubes.machine(checkpoint_every=5.0, checkpoint_takes=0.16)
    found = same_as_twin(tubes.tube(seconds=41), machine)
    assert len(found.stops) == len(found.saves) == 8
    assert list(found.stops.move) == list(found.saves.blocked)
    assert {WHY[why] for why in found.stops.why} == {"checkpoint"}
    assert 1000 * found.stops.length_s == pytest.approx(np.full(8, 46.8), abs=0.4)
    assert not len(found.dips)


def test_a_shorter_save_makes_dips_at_checkpoints_and_no_stop():
    machine = tubes.machine(checkpoint_every=5.0, checkpoint_takes=0.1)
    found = same_as_twin(tubes.tube(seconds=41), machine)
    assert not len(found.stops)
    assert len(found.dips) == len(found.saves) == 8
    assert np.all(found.dips.t_s - found.saves.t_s < 0.12) and np.all(found.dips.t_s > found.saves.t_s)
    assert {WHY[why] for why in found.dips.why} == {"checkpoint"}
    assert np.all(found.dips.speed < 0.95 * found.dips.planned)
    assert np.all((found.dips.length_s > 0.02) & (found.dips.length_s < 0.2))
    assert np.all((found.dips.length_mm > 2) & (found.dips.length_mm < 20))


def test_a_coarse_slow_tube_neither_stops_nor_dips_at_checkpoints():
    machine = tubes.machine(checkpoint_every=5.0, checkpoint_takes=0.16)
    found = same_as_twin(tubes.tube(facets=24, speed=40, seconds=31), machine)
    assert len(found.saves) >= 5
    assert not len(found.stops) and not len(found.dips)


@pytest.mark.parametrize(("facets", "speed"), [(150, 150), (150, 60), (24, 40), (400, 100)])
def test_a_tube_without_checkpoints_neither_stops_nor_dips(facets, speed):
    found = run(tubes.tube(facets, speed, seconds=20), tubes.machine())
    assert not len(found.saves) and not len(found.stops) and not len(found.dips)
    assert found.u == pytest.approx(found.plan.u, rel=1e-12, abs=1e-9)


@st.composite
def jobs(draw):
    """A short crooked job, a machine that may starve it anywhere, and commands in between.

    The times are odd on purpose: in a tie the two programs may rightly differ by a rounding.
    """
    n = draw(st.integers(2, 40))
    length = draw(st.lists(st.sampled_from([0.02, 0.1, 0.3, 0.84, 2.0, 7.0]), min_size=n, max_size=n))
    turn = draw(st.lists(st.sampled_from([0.0, 0.04, -0.1, 0.5, 1.6, 3.1]), min_size=n, max_size=n))
    feed = draw(st.lists(st.sampled_from([5.0391, 40.371, 151.33, 399.17]), min_size=n, max_size=n))
    accel = draw(st.lists(st.sampled_from([math.nan, math.nan, 500.0, 6000.0]), min_size=n, max_size=n))
    size = draw(st.lists(st.integers(10, 80), min_size=n, max_size=n))
    heading = np.cumsum(turn)
    steps = np.array(length)[:, None] * np.column_stack((np.cos(heading), np.sin(heading), np.zeros(n)))
    moves = tubes.moves_through(np.vstack(([[0, 0, 0]], np.cumsum(steps, axis=0))), feed, line_bytes=size, accel=accel)
    queue = draw(st.integers(1, 20))
    every = draw(st.sampled_from([0.0, 0.0517311, 0.3143, 1.2971]))
    machine = tubes.machine(
        queue_moves=queue,
        queue_seen=max(1, queue - draw(st.integers(0, 1))),
        feed=draw(st.sampled_from(["card", "cable"])),
        bytes_per_s=draw(st.sampled_from([1003.0, 5030.0, 90_100.0])),
        line_time=draw(st.sampled_from([0.0003, 0.0041, 0.0307])),
        reply_time=draw(st.sampled_from([0.0, 0.0022, 0.011])),
        reply_bytes=3,
        window_lines=draw(st.sampled_from([1, 1, 3, 50])),
        corner_rule=draw(st.sampled_from(["radius", "step"])),
        checkpoint_every=every,
        checkpoint_takes=every * draw(st.sampled_from([0.017, 0.31, 0.93])),
        planning=draw(st.sampled_from(["board", "board", "host"])),
        buffer_time=draw(st.sampled_from([0.0, 0.0137, 0.25113])),
        least_move=draw(st.sampled_from([0.0, 0.0071, 0.0503])),
        stretch_below=draw(st.integers(0, queue - 1)),
        least_speed=draw(st.sampled_from([0.0, 20.17])),
        tool_change_time=draw(st.sampled_from([0.0, 0.2931])),
    )
    moves.lines_code[:] = draw(st.lists(st.sampled_from([1, 1, 0, 3]), min_size=n, max_size=n))
    moves.lines_code[0] = max(1, moves.lines_code[0])  # pieces of an arc come after the line of the arc
    moves.bytes_code[moves.lines_code == 0] = 0
    commands: dict[int, list] = {}
    entries, tool = [], 0.0
    for place in sorted(draw(st.lists(st.integers(0, n - 1), max_size=4))):
        kind = draw(st.sampled_from(COMMANDS))
        value = draw(st.sampled_from([0.0, 1.0]))
        entries.append((kind, place, value))
        doing = commands.setdefault(place, [])
        if kind == EventKind.RESUME_SAVING:
            doing.append(("saving", value > 0))
        elif kind != EventKind.TOOL:
            doing.append(("dwell", value) if kind == EventKind.DWELL else ("wait", 0.0))
        elif value != tool and machine.tool_change_time:
            doing.append(("dwell", machine.tool_change_time))
        tool = value if kind == EventKind.TOOL else tool
    gaps = draw(st.lists(st.sampled_from([0.0113, 0.0719, 0.407]), max_size=5))
    lengths = draw(st.lists(st.sampled_from([0.0009, 0.0173, 0.211]), min_size=len(gaps), max_size=len(gaps)))
    return moves, machine, tubes.events(*entries), commands, Stalls(np.cumsum(gaps), np.array(lengths))


@settings(max_examples=300, derandomize=True, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(jobs())
def test_any_job_on_any_machine_runs_as_in_the_event_by_event_twin(job):
    moves, machine, events, commands, stalls = job
    same_as_twin(moves, machine, events, commands, stalls)
    found = run(moves, machine, events)
    slow = np.any(found.u < 0.95**2 * found.plan.u)
    bounds = limits(moves, machine, events)
    assert starves(moves, bounds, machine, events, found.plan) == bool(len(found.stops) or slow)


# Supply


def cable(**changes):
    return tubes.machine(
        **{"feed": "cable", "bytes_per_s": 11520.0, "line_time": 0.0, "reply_time": 0.002, "reply_bytes": 3, **changes}
    )


def test_send_and_wait_carries_its_textbook_number_of_lines():
    moves = tubes.moves_through(np.arange(90).reshape(30, 3) * [0.2, 0, 0], 100.0, line_bytes=30)
    each = supply_times(moves, cable())
    assert each == pytest.approx(np.full(29, 4.864583e-3), abs=1e-9)
    assert 1 / each[0] == pytest.approx(205.567, abs=1e-3)
    assert 30 / each[0] == pytest.approx(6167.0, abs=0.1)


def test_send_and_wait_holds_short_pieces_to_its_textbook_speed():
    moves = tubes.chain(np.full(2000, 0.2), 100.0)
    moves.bytes_code[:] = 30
    found = run(moves, cable(acceleration=200_000.0))
    middle = slice(500, 1500)
    speed = 0.2 * 1000 / (found.depart[middle][-1] - found.depart[middle][0]) * 999 / 1000
    assert speed == pytest.approx(41.1135, abs=1e-3)
    assert {WHY[why] for why in found.stops.why} == {"link-rate"}
    assert len(found.stretches) == 1
    assert found.stretches.last[0] == 1999


def test_several_lines_under_way_are_paced_by_the_slowest_part():
    moves = tubes.chain(np.full(400, 0.05), 400.0)
    moves.bytes_code[:] = 30
    for window, pace in ((1, 4.864583e-3), (2, 30 / 11520), (100, 30 / 11520)):
        machine = cable(acceleration=1e6, window_lines=window)
        assert supply_times(moves, machine) == pytest.approx(np.full(400, pace), abs=1e-8)
        steps = np.diff(run(moves, machine).arrive)[100:]
        assert steps == pytest.approx(np.full(len(steps), pace), abs=1e-8)


@pytest.mark.parametrize(
    ("why", "changes"),
    [
        ("link-rate", {"bytes_per_s": 1500.0, "line_time": 0.0002}),
        ("line-time", {"line_time": 0.03}),
        ("round-trip", {"feed": "cable", "reply_time": 0.03}),
    ],
)
def test_a_starved_queue_says_what_it_waits_for(why, changes):
    found = same_as_twin(tubes.tube(seconds=4), tubes.machine(acceleration=20_000.0, **changes))
    assert len(found.stops) > 100
    assert {WHY[code] for code in found.stops.why} == {why}
    assert len(found.stretches) == 1
    assert found.stretches.stops[0] == len(found.stops)
    assert WHY[found.stretches.why[0]] == why


def test_a_starved_queue_may_stutter_without_ever_standing():
    """From rest to rest a move takes longer than its supply: the head is slowed over and over, and never waits."""
    found = same_as_twin(tubes.tube(seconds=4), tubes.machine(bytes_per_s=1500.0))
    assert not len(found.stops)
    assert found.time_s > 3 * float(found.plan.seconds.sum())
    assert len(found.stretches) == len(found.dips) == 1
    assert found.stretches.length_s[0] > 0.9 * found.time_s - 0.5
    assert WHY[found.stretches.why[0]] == WHY[found.dips.why[0]] == "link-rate"


def test_a_single_late_line_is_no_sustained_starvation():
    moves = tubes.tube(seconds=8)
    moves.bytes_all[700] = 30_000  # a long comment
    found = same_as_twin(moves, tubes.machine())
    assert list(found.stops.move) == [700]
    assert WHY[found.stops.why[0]] == "link-rate"
    assert not len(found.stretches) and not len(found.dips)


def test_lines_without_motion_take_their_time_too():
    moves = tubes.tube(seconds=1)
    moves.lines_code[40] = 9
    extra = supply_times(moves, tubes.machine()) - supply_times(tubes.tube(seconds=1), tubes.machine())
    assert extra[40] == pytest.approx(8 * 0.0005)
    assert np.count_nonzero(extra) == 1


def test_saves_that_each_fit_still_starve_when_they_come_too_often():
    """Move supply takes p of every t; saves take W of every T: too much when W / T > 1 - p / t (engine note)."""
    t = 0.838 / 150
    for share, too_much in ((0.3, False), (0.95, True)):
        machine = tubes.machine(
            bytes_per_s=1e9, line_time=0.4 * t, checkpoint_every=0.05, checkpoint_takes=0.05 * share
        )
        found = run(tubes.tube(seconds=20), machine)
        assert bool(len(found.stretches)) == too_much
        assert {WHY[why] for why in found.stretches.why} <= {"checkpoint"}


def test_a_stretch_that_starves_on_the_link_is_not_blamed_on_the_saves_within_it():
    machine = tubes.machine(bytes_per_s=3000.0, checkpoint_every=2.0, checkpoint_takes=0.1)
    found = run(tubes.tube(seconds=10), machine)
    assert len(found.saves) > 5
    assert [WHY[why] for why in found.stretches.why] == ["link-rate"]


# Commands


def test_waits_by_command_are_no_stops_and_no_dips():
    moves = tubes.tube(seconds=12)
    waits = tubes.events((EventKind.DWELL, 700, 2.0), (EventKind.WAIT_MOVES, 1400, 0.0), (EventKind.PAUSE, 2000, 9.0))
    found = run(moves, tubes.machine(), waits)
    assert not len(found.stops) and not len(found.dips)
    assert np.flatnonzero(found.u == 0).tolist() == [0, 700, 1400, 2000, len(moves)]
    fill = 16 * supply_times(moves, tubes.machine())[0]
    assert np.flatnonzero(found.gap).tolist() == [0, 700, 1400, 2000]
    assert found.gap[[0, 700, 1400]] == pytest.approx([fill, 2 + fill, fill])
    assert found.waited_s == pytest.approx(2 + 4 * fill)


def test_a_job_that_switches_saving_off_is_not_stopped_by_it():
    machine = tubes.machine(checkpoint_every=5.0, checkpoint_takes=0.16)
    moves = tubes.tube(seconds=31)
    off = run(moves, machine, tubes.events((EventKind.RESUME_SAVING, 0, 0.0)))
    assert not len(off.saves) and not len(off.stops)
    half = run(moves, machine, tubes.events((EventKind.RESUME_SAVING, 0, 0.0), (EventKind.RESUME_SAVING, 2800, 1.0)))
    assert len(half.saves) == len(half.stops) == 3
    assert np.all(half.stops.move > 2800)


# Reserve


def test_the_reserve_is_about_n_moves_and_the_braking():
    moves = tubes.tube(seconds=20)
    found = run(moves, tubes.machine())
    side, speed, accel = float(np.median(np.hypot(np.diff(moves.x), np.diff(moves.y)))), 150.0, 3000.0
    assert found.least is not None
    least, move = found.least
    assert least == pytest.approx(1000 * (16 * side / speed + speed / (2 * accel)), rel=1e-3)
    assert found.settled[move]
    assert np.count_nonzero(~found.settled) == 16
    assert found.reserve_ms[-1] < least / 4


def test_the_least_reserve_looks_past_the_queue_s_refilling_after_a_save():
    calm = run(tubes.tube(seconds=20), tubes.machine())
    saved = run(tubes.tube(seconds=20), tubes.machine(checkpoint_every=5.0, checkpoint_takes=0.16))
    assert calm.least is not None and saved.least is not None
    assert saved.least[0] == pytest.approx(calm.least[0], rel=0.02)
    assert np.min(saved.reserve_ms[:-20]) < 40
    assert saved.saves.reserve_ms == pytest.approx(np.full(len(saved.saves), calm.least[0]), abs=6)


def test_a_job_shorter_than_its_queue_has_no_least_reserve():
    assert run(tubes.chain([1.0] * 9, 50.0), tubes.machine()).least is None


def test_a_stall_empties_the_queue_when_it_outlasts_the_moves_and_the_braking():
    """W > N L / v + v / (2 a), the rule of thumb, over a grid of settings where nothing else slows the head."""
    right = 0
    grid = [
        (facets, speed, accel, queue, share)
        for facets in (60, 150, 240)
        for speed in (40.0, 90.0, 150.0)
        for accel in (1500.0, 3000.0, 8000.0)
        for queue in (8, 16, 32)
        for share in (0.7, 0.9, 1.1, 1.4)
        if speed**2 < 0.7 * 2 * accel * queue * 40 * math.sin(math.pi / facets)
    ]
    for facets, speed, accel, queue, share in grid:
        side = 40 * math.sin(math.pi / facets)
        threshold = queue * side / speed + speed / (2 * accel)
        machine = tubes.machine(
            acceleration=accel,
            queue_moves=queue,
            checkpoint_every=5.0,
            checkpoint_takes=share * threshold,
            corner_deviation=1.0,
        )
        found = run(tubes.tube(facets, speed, seconds=13), machine)
        assert len(found.saves) == 2
        right += (len(found.stops) > 0) == (share > 1)
    assert len(grid) > 150
    assert right >= 0.98 * len(grid)


# Random stalls


def test_random_stalls_are_a_risk_and_never_a_stop():
    fine_tube = tubes.tube(facets=150, speed=150, seconds=10)
    stalls = {"hiccups_per_min": 3.0, "hiccup_takes": 0.16}
    fine, coarse = run(fine_tube, tubes.machine(**stalls)), run(tubes.tube(24, 40, seconds=10), tubes.machine(**stalls))
    assert not len(fine.stops) and not len(coarse.stops)
    # All but the last sixteen moves, which are queued already when the first of them starts.
    assert fine.risk.share_of_path == pytest.approx(1 - 16 / len(fine_tube))
    # Lengths are exponential: some stalls are shorter than the reserve of the fine tube, few longer than the coarse one's.
    mean, reserve = 160.0, fine.reserve_ms[500]
    assert fine.risk.expected_stops == pytest.approx(3.0 * fine.time_s / 60 * math.exp(-reserve / mean), rel=0.04)
    assert coarse.risk.share_of_time == 0.0
    assert 0 < coarse.risk.expected_stops < 1e-4
    assert run(fine_tube, tubes.machine()).risk.share_of_path == 0.0


# Fine print


@pytest.mark.parametrize("seen", [15, 16])
def test_whether_the_planner_sees_one_block_less_is_the_card_s_to_say(seen):
    machine = tubes.machine(queue_seen=seen, checkpoint_every=1.3, checkpoint_takes=0.11)
    same_as_twin(tubes.tube(seconds=6), machine)


def test_a_job_without_moves_runs_in_no_time():
    found = run(tubes.chain([], 10.0), tubes.machine(checkpoint_every=5.0, checkpoint_takes=0.1))
    assert found.time_s == 0.0 and found.least is None and not len(found.stops)


def test_saves_that_leave_no_time_to_read_are_refused():
    machine = tubes.machine(checkpoint_every=0.2, checkpoint_takes=0.2)
    with pytest.raises(BadInput, match="nothing else"):
        run(tubes.tube(seconds=1), machine)


def test_a_run_can_be_cancelled_and_tells_how_far_it_is():
    moves, said = tubes.tube(seconds=1), []
    with pytest.raises(Cancelled):
        run(moves, tubes.machine(), cancel=lambda: True)
    run(moves, tubes.machine(), progress=lambda done, what: said.append((done, what)))
    assert [done for done, _ in said] == sorted(done for done, _ in said)
    assert said[-1][0] == 1.0 and all(what for _, what in said)


def test_more_saves_than_the_log_first_had_room_for_are_all_kept():
    machine = tubes.machine(checkpoint_every=0.002, checkpoint_takes=0.0001)
    found = run(tubes.tube(seconds=12), machine)
    assert len(found.saves) > 5000
    assert np.all(np.diff(found.saves.t_s) >= 0.002 - 1e-12)
