"""The coupled queue against its acceptance figures and against the event-by-event twin."""

from __future__ import annotations

import numpy as np
import pytest
import tubes
import twin

from diagnose.toolpath.queue import WHY, simulate
from diagnose.toolpath.speeds import limits

TIGHT = 1e-9  # s


def run(moves, machine, events=None, **more):
    return simulate(moves, limits(moves, machine, events), machine, events, **more)


def column(record: dict, n: int) -> np.ndarray:
    return np.array([record[i] for i in range(n)])


def same_as_twin(moves, machine, events=None, commands=None):
    """Run both; times, speeds, reserves, stops, dips and saves must agree to a nanosecond."""
    bounds = limits(moves, machine, events)
    fast = simulate(moves, bounds, machine, events)
    slow = twin.simulate(moves, bounds, machine, commands, with_reserve=True)
    n = len(moves)
    assert fast.arrive == pytest.approx(column(slow.arrive, n), abs=TIGHT)
    assert fast.start == pytest.approx(column(slow.start, n), abs=TIGHT)
    assert fast.depart == pytest.approx(column(slow.depart, n), abs=TIGHT)
    assert np.sqrt(fast.u[:-1]) == pytest.approx(column(slow.entry, n), abs=1e-6)
    assert fast.reserve_ms == pytest.approx(1000 * column(slow.reserve, n), abs=1e-5)
    real = [stop for stop in slow.stops if stop[2] > 1e-6]
    assert list(fast.stops.move) == [move for move, _, _ in real]
    assert fast.stops.t_s == pytest.approx(np.array([t for _, t, _ in real]), abs=TIGHT)
    assert fast.stops.length_s == pytest.approx(np.array([s for _, _, s in real]), abs=TIGHT)
    assert fast.saves.t_s == pytest.approx(np.array([t for t, _, _ in slow.saves]), abs=TIGHT)
    assert list(fast.saves.blocked) == [block for _, block, _ in slow.saves]
    assert fast.saves.reserve_ms == pytest.approx(np.array([1000 * s for _, _, s in slow.saves]), abs=1e-5)
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
