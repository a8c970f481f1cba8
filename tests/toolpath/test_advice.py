"""Advice is held to the engine itself: clean at the edge it names, starving just beyond."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from diagnose.errors import Cancelled
from diagnose.toolpath.advice import advise, join
from diagnose.toolpath.columns import EventKind
from diagnose.toolpath.queue import simulate
from diagnose.toolpath.speeds import limits
from tests.toolpath import tubes

SAVING = tubes.machine(checkpoint_every=5.0, checkpoint_takes=0.16)
TUBE = tubes.tube(seconds=41)


def clean(moves, machine, events=None) -> bool:
    """Run with eight times of the first save; clean when no run has a stop, a dip or a starving stretch."""
    for part in range(1, 9):
        first = machine.checkpoint_every * part / 8 or None
        found = simulate(moves, limits(moves, machine, events), machine, events, first_save_s=first)
        if len(found.stops) or len(found.dips) or len(found.stretches):
            return False
    return True


@pytest.fixture(scope="module")
def starving():
    return advise(TUBE, SAVING)


def test_a_starving_tube_is_told_so_and_how_often_it_saves(starving):
    assert not starving.clean
    assert starving.saves == 8
    assert starving.worn == pytest.approx(8 / 10_000)
    assert advise(TUBE, replace(SAVING, rated_writes=100)).worn == pytest.approx(0.08)


def test_the_least_queue_is_clean_and_one_move_fewer_is_not(starving):
    least = starving.queue.clean
    assert 16 < least < 64
    assert clean(TUBE, replace(SAVING, queue_moves=least, queue_seen=least))
    assert not clean(TUBE, replace(SAVING, queue_moves=least - 1, queue_seen=least - 1))


def test_the_highest_speed_is_clean_and_two_percent_more_is_not(starving):
    factor = starving.speed.clean
    assert 0.05 < factor < 1
    assert clean(replace(TUBE, feed=TUBE.feed * factor), SAVING)
    assert not clean(replace(TUBE, feed=TUBE.feed * factor * 1.02), SAVING)


def test_the_longest_save_is_clean_and_two_percent_more_is_not(starving):
    ms = starving.save.clean
    assert 20 < ms < 160
    assert starving.save.now == pytest.approx(160)
    assert clean(TUBE, replace(SAVING, checkpoint_takes=ms / 1000))
    assert not clean(TUBE, replace(SAVING, checkpoint_takes=1.02 * ms / 1000))


def test_the_slowest_link_is_clean_and_three_percent_less_is_not(starving):
    rate = starving.link.clean
    without = replace(SAVING, checkpoint_every=0.0)
    assert clean(TUBE, replace(without, bytes_per_s=rate))
    assert not clean(TUBE, replace(without, bytes_per_s=rate / 1.03))
    moves_per_s = 150 / 0.8377
    assert rate == pytest.approx(tubes.LINE_BYTES * moves_per_s / (1 - moves_per_s * SAVING.line_time), rel=0.03)


def test_the_coarsest_facets_are_clean_and_seven_percent_finer_are_not(starving):
    tolerance = starving.facets.clean
    joined, *_ = join(TUBE, None, tolerance)
    assert clean(joined, SAVING)
    assert not clean(join(TUBE, None, tolerance / 1.07)[0], SAVING)
    # Three facets of 2.4 degrees in one: the corners left out lie r (cos 1.2 - cos 3.6 degrees) from the chord.
    assert tolerance == pytest.approx(20 * (np.cos(np.radians(1.2)) - np.cos(np.radians(3.6))), rel=0.06)
    assert starving.facet_mm == pytest.approx(40 * np.sin(np.radians(3.6)), rel=0.001)


def test_a_clean_job_is_told_how_much_room_it_has():
    coarse = tubes.tube(facets=24, speed=40, seconds=31)
    found = advise(coarse, SAVING)
    assert found.clean
    assert found.queue.clean < 16
    assert found.save.clean > 160 and clean(coarse, replace(SAVING, checkpoint_takes=found.save.clean / 1000))
    assert found.speed.clean > 1
    assert found.link.clean < SAVING.bytes_per_s
    assert found.facets.clean == 0.0
    assert found.facet_mm == pytest.approx(40 * np.sin(np.pi / 24), rel=0.001)


def test_without_saves_there_is_no_longest_save():
    found = advise(tubes.tube(seconds=5), tubes.machine())
    assert found.save is None and found.saves == 0 and found.worn is None


def test_a_board_too_slow_for_the_lines_is_not_cured_by_a_faster_link_or_a_longer_queue():
    found = advise(tubes.tube(seconds=60), tubes.machine(line_time=0.02))
    assert not found.clean
    assert found.link.clean is None
    assert found.queue.clean is None
    assert 0.2 < found.speed.clean < 0.4
    assert found.facets.clean is not None


def test_advice_can_be_cancelled_and_tells_that_it_moves_on():
    asked = []
    with pytest.raises(Cancelled):
        advise(
            tubes.tube(seconds=2), SAVING, cancel=lambda: len(asked) > 3, progress=lambda done, what: asked.append(done)
        )
    assert asked == sorted(asked) and len(asked) > 3


def test_a_host_is_told_how_far_ahead_it_must_be():
    host = tubes.machine(planning="host", queue_moves=500, buffer_time=0.1, checkpoint_every=5.0, checkpoint_takes=0.16)
    found = advise(tubes.tube(seconds=21), host)
    assert not found.clean and found.queue.clean is None
    # The steps made last for the save, and the move that the host was about to make.
    assert found.buffer.clean == pytest.approx(0.16, abs=0.012)
    assert clean(tubes.tube(seconds=21), replace(host, buffer_time=found.buffer.clean))
    calm = advise(tubes.tube(seconds=21), replace(host, buffer_time=1.0))
    assert calm.clean and calm.buffer.clean == pytest.approx(found.buffer.clean, rel=0.03)
    assert advise(tubes.tube(seconds=2), tubes.machine()).buffer is None


# Joining


@settings(max_examples=100, derandomize=True, deadline=None)
@given(
    st.lists(st.floats(-1.2, 1.2), min_size=1, max_size=60),
    st.floats(0.001, 0.5),
    st.lists(st.integers(0, 60), max_size=3),
)
def test_no_corner_left_out_lies_further_off_than_the_tolerance(turns, tolerance, places):
    heading = np.cumsum(turns)
    points = np.vstack(([0, 0, 0], np.cumsum(np.column_stack((np.cos(heading), np.sin(heading), 0 * heading)), axis=0)))
    moves = tubes.moves_through(points, 50.0)
    n = len(moves)
    waits = tubes.events(*((EventKind.WAIT_MOVES, min(p, n), 0.0) for p in sorted(places)))
    joined, kept, _ = join(moves, waits, tolerance)
    assert joined.e.sum() == pytest.approx(moves.e.sum())
    at = joined.line - 1
    assert at[-1] == n - 1
    begin = 0
    for end in at + 1:
        a, chord = points[begin], points[end] - points[begin]
        for corner in points[begin + 1 : end]:
            off = np.linalg.norm(np.cross(corner - a, chord)) / np.linalg.norm(chord)
            assert off <= tolerance + 1e-9
        begin = end
    # A command stays between the same two places of the path.
    for before, after in zip(waits.before, kept.before, strict=True):
        assert (at[after - 1] + 1 if after else 0) == before


def test_different_speeds_beads_travels_and_arcs_are_not_joined():
    moves = tubes.chain(np.ones(8), 50.0)
    moves.feed[2:] = 60.0
    moves.e[4:] *= 1.2
    moves.e[6] = 0.0
    joined, *_ = join(moves, None, 0.1)
    assert joined.line.tolist() == [2, 4, 6, 7, 8]
    assert joined.bytes_all.tolist() == [tubes.LINE_BYTES] * 5
    arcs = replace(moves, arc=np.ones(8, bool))
    assert len(join(arcs, None, 0.1)[0]) == 8


def test_a_way_there_and_back_is_not_joined():
    there_and_back = tubes.moves_through([[0, 0, 0], [5, 0, 0], [0, 0, 0], [5, 0, 0]], 50.0)
    assert len(join(there_and_back, None, 0.1)[0]) == 3
