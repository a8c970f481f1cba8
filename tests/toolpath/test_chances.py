"""Random stalls and saves of unknown phase: closed forms against many seeded runs of the coupled queue."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats

from diagnose.toolpath.chances import by_height, poisson_interval
from diagnose.toolpath.columns import EventKind
from diagnose.toolpath.queue import WHY, Stalls, draw_stalls, simulate
from diagnose.toolpath.speeds import limits
from tests.toolpath import tubes


def run(moves, machine, **more):
    return simulate(moves, limits(moves, machine), machine, **more)


def vase(seconds=60.0):
    """A tube of coarse slow facets, fine fast ones, then coarse slow ones again."""
    parts = [tubes.tube(60, 60, seconds / 3), tubes.tube(240, 120, seconds / 3), tubes.tube(60, 60, seconds / 3)]
    points, feed, rise = [np.array([[20.0, 0.0, 0.0]])], [], 0.0
    for part, speed in zip(parts, (60.0, 120.0, 60.0), strict=True):
        points.append(np.column_stack((part.x, part.y, part.z + rise)))
        feed += [speed] * len(part)
        rise += part.z[-1]
    return tubes.moves_through(np.vstack(points), np.array(feed))


def counted(moves, machine, draws, stalls_of):
    """Return the number of stops of each of so many runs, and where all of them were."""
    calm = run(moves, machine)
    bounds, counts, places = limits(moves, machine), [], []
    for seed in range(draws):
        found = simulate(moves, bounds, machine, stalls=stalls_of(calm, seed))
        stops = found.stops.move[found.stops.why == WHY.index("random-stall")]
        counts.append(len(stops))
        places.append(stops)
    return calm, np.array(counts), np.concatenate(places)


@pytest.mark.parametrize("mean_ms", [60.0, 200.0])
@pytest.mark.parametrize(
    "changes", [{}, {"planning": "host", "queue_moves": 400, "buffer_time": 0.15}], ids=["board", "host"]
)
def test_the_expected_number_of_stops_by_random_stalls_is_that_of_many_seeded_runs(mean_ms, changes):
    machine = tubes.machine(hiccups_per_min=10.0, hiccup_takes=mean_ms / 1000, **changes)
    calm, counts, places = counted(vase(), machine, 250, lambda calm, seed: draw_stalls(machine, calm.time_s, seed))
    assert not len(calm.stops)
    mean = calm.risk.expected_stops
    # Four standard errors, and the closed form leaves out that one stall may come while the queue refills after another.
    assert counts.mean() == pytest.approx(mean, abs=4 * math.sqrt(mean / len(counts)) + 0.03 * mean)
    assert calm.risk.per_move.sum() == pytest.approx(mean, rel=1e-5)
    inside = np.mean((counts >= calm.risk.low) & (counts <= calm.risk.high))
    assert inside >= 0.85
    if not changes:
        # The fine middle of the tube holds most of them, in the share foretold.
        fine = slice(int(np.searchsorted(calm.depart, 20)), int(np.searchsorted(calm.depart, 40)))
        foretold = float(calm.risk.per_move[fine].sum()) / mean
        seen = float(np.mean((places >= fine.start) & (places < fine.stop)))
        assert foretold > 0.6
        assert seen == pytest.approx(foretold, abs=4 * math.sqrt(foretold * (1 - foretold) / len(places)) + 0.02)


def test_resends_stop_the_head_as_often_as_in_many_seeded_runs():
    """Lines spoiled at random, each costing as many lines again; common practice, no source."""
    machine = tubes.machine(
        feed="cable", bytes_per_s=25_000.0, reply_time=0.0005, reply_bytes=3, resends_per_1000=3.0, resend_lines=40
    )
    moves = vase()
    line_s = (40 + 3) / 25_000 + 0.0005 + 0.0005

    def spoiled(calm, seed):
        hit = np.flatnonzero(np.random.default_rng(seed).random(len(moves)) < 0.003)
        return Stalls(calm.arrive[np.maximum(hit - 1, 0)], np.full(len(hit), 40 * line_s))

    calm, counts, places = counted(moves, machine, 100, spoiled)
    mean = calm.risk.expected_stops
    assert mean > 1
    assert counts.mean() == pytest.approx(mean, abs=4 * math.sqrt(mean / len(counts)) + 0.06 * mean)
    risky = calm.risk.per_move[places] > 0
    assert risky.mean() > 0.97


def test_a_stall_in_a_full_queue_stops_with_the_chance_of_outlasting_the_reserve():
    """A long straight chain: R is the same everywhere, and the closed form is one line."""
    moves = tubes.chain(np.full(6000, 0.5), 60.0)
    machine = tubes.machine(hiccups_per_min=6.0, hiccup_takes=0.1)
    found = run(moves, machine)
    reserve, d, mean = 16 * 0.5 / 60 + 60 / 6000, 0.5 / 60, 0.1
    share = mean / d * (math.exp(-(reserve - d) / mean) - math.exp(-reserve / mean))
    assert found.risk.per_move[3000] == pytest.approx(0.1 * d * share, rel=1e-4)
    assert found.risk.expected_stops == pytest.approx(0.1 * found.time_s * share, rel=0.01)
    assert found.risk.any == pytest.approx(1 - math.exp(-found.risk.expected_stops))


def test_the_interval_of_the_number_of_stops_is_poisson():
    for mean in (0.02, 0.3, 2.0, 17.0, 450.0, 20_000.0):
        low, high = poisson_interval(mean)
        assert (low, high) == tuple(stats.poisson.ppf([0.05, 0.95], mean).astype(int))
    assert poisson_interval(0.0) == (0, 0)


def test_without_stalls_and_saves_nothing_is_reckoned():
    found = run(tubes.tube(seconds=3), tubes.machine())
    assert not len(found.risk.per_move) and not len(found.anywhere.stops)
    assert found.risk.expected_stops == found.anywhere.share == found.risk.any == 0.0


# Saves whenever the first may fall


@pytest.mark.parametrize("takes", [0.06, 0.1, 0.16])
def test_the_share_of_saves_that_stop_the_head_is_that_over_all_phases_of_the_first(takes):
    moves = vase()
    machine = tubes.machine(checkpoint_every=5.0, checkpoint_takes=takes)
    bounds = limits(moves, machine)
    found = run(moves, machine)
    stops, saves, places = 0, 0, []
    for phase in np.linspace(0, 5, 60, endpoint=False) + 5.0 / 120:
        one = simulate(moves, bounds, machine, first_save_s=float(phase))
        stops += len(one.stops)
        saves += len(one.saves)
        places.append(one.stops.move)
    assert saves > 600
    assert stops / saves == pytest.approx(found.anywhere.share, abs=0.02)
    layer = (np.arange(len(moves)) * 12 // len(moves)).astype(np.int32)
    told = by_height(layer, 12, found.depart, found.risk, found.anywhere)
    assert told.saves.sum() == pytest.approx(found.time_s / 5, rel=0.01)
    seen = np.bincount(layer[np.concatenate(places).astype(int)], minlength=12) / 60
    assert np.nan_to_num(told.save_share * told.saves) == pytest.approx(seen, abs=0.15)


def test_where_no_save_can_stop_the_head_the_share_is_nought_and_where_all_do_it_is_one():
    fine = run(tubes.tube(seconds=31), tubes.machine(checkpoint_every=5.0, checkpoint_takes=0.2))
    coarse = run(tubes.tube(24, 40, seconds=31), tubes.machine(checkpoint_every=5.0, checkpoint_takes=0.16))
    assert fine.anywhere.share > 0.99
    assert coarse.anywhere.share == 0.0


def test_while_the_job_switches_saving_off_no_save_is_reckoned_with():
    moves, machine = tubes.tube(seconds=20), tubes.machine(checkpoint_every=5.0, checkpoint_takes=0.2)
    n = len(moves)
    switches = tubes.events((EventKind.RESUME_SAVING, 0, 0.0), (EventKind.RESUME_SAVING, n // 2, 1.0))
    for events, share in ((switches, 0.5), (tubes.events((EventKind.RESUME_SAVING, 0, 0.0)), 0.0), (None, 1.0)):
        found = simulate(moves, limits(moves, machine, events), machine, events)
        assert found.anywhere.expected == pytest.approx(share * found.time_s / 5, rel=0.02)
        assert float(found.anywhere.tried[: n // 2 - 20].sum()) == 0.0 or share == 1.0
