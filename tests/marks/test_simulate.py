"""The simulator of marks against closed forms, the surface itself, and the engine's own events."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy import stats

from diagnose.coupons.spiral import tube, write
from diagnose.errors import BadInput
from diagnose.marks.simulate import Anywhere, At, Beat, Made, Person, make, simulate
from diagnose.marks.truth import Truth
from diagnose.toolpath import queue, speeds
from diagnose.toolpath.columns import Role
from diagnose.toolpath.job import Job
from tests.marks import parts
from tests.toolpath.parts import layered, machine, square

EXACT = Person(
    wanted=100_000, where="whole", missed=0, spurious=0, height_err=0, angle_err=0, height_step=0, angle_step=0
)
RADIUS, SPEED, PITCH = 20.0, 50.0, 0.2
STARVING = machine(line_time=0.004, checkpoint_every=7.0, checkpoint_takes=0.4, hiccups_per_min=12, hiccup_takes=0.2)


@pytest.fixture(scope="module")
def round_tube(tmp_path_factory: pytest.TempPathFactory) -> Job:
    job = write(tube(radius=RADIUS, height=20.0, facets=180, speed=SPEED))
    return parts.read(job, machine(), tmp_path_factory.mktemp("tube"))


@pytest.fixture(scope="module")
def body(tmp_path_factory: pytest.TempPathFactory) -> Job:
    """An ordinary part on a board whose queue is short of moves."""
    return parts.read(parts.ordinary(np.random.default_rng(2)), STARVING, tmp_path_factory.mktemp("body"))


def path_of(made: Made) -> np.ndarray:
    return made.truth.shown("path", made.spots)


def test_marks_of_a_clock_of_time_lie_speed_times_period_apart_along_a_tube(round_tube):
    made = make(round_tube, Beat("time", 5.0, jitter=0.0), 1, EXACT)
    steps = np.diff(np.sort(path_of(made)))
    # The first facets gather speed: less than a millimetre is lost.
    assert np.allclose(steps, 5.0 * SPEED, atol=1.0)
    assert np.allclose(steps[5:], 5.0 * SPEED, atol=0.01)
    assert len(made.marks) == pytest.approx(round_tube.run.time_s / 5.0, abs=1.5)


def test_on_a_tube_the_heights_of_such_marks_follow_from_its_turns(round_tube):
    marks = simulate(round_tube, Beat("time", 5.0, jitter=0.0), 1, EXACT)
    turn_mm = 2 * 180 * RADIUS * math.sin(math.pi / 180)
    assert np.allclose(np.diff(marks.height)[5:], PITCH * 5.0 * SPEED / turn_mm, rtol=1e-3)


@pytest.mark.parametrize("period", [1.0, 2.5, 8.0])
def test_marks_of_a_lead_screw_lie_at_multiples_of_its_lead(round_tube, period):
    marks = simulate(round_tube, Beat("height", period, phase=0.25, jitter=0.0), 3, EXACT)
    off = (marks.height / period - 0.25 + 0.5) % 1.0 - 0.5
    assert len(marks) > 0
    # A spiral passes every height: half a facet's climb is all that is lost.
    assert np.abs(off * period).max() < PITCH


def test_the_jitter_of_a_beat_has_the_spread_that_was_asked_for(round_tube):
    made = make(round_tube, Beat("path", 30.0, phase=0.0, jitter=0.05), 4, EXACT)
    off = path_of(made) / 30.0
    off = off - np.round(off)
    assert len(off) > 200
    assert off.std() == pytest.approx(0.05, rel=0.2)
    assert stats.kstest(off / 0.05, "norm").pvalue > 0.001


def test_filament_beats_fall_where_so_much_filament_was_pushed_whatever_is_drawn_back(tmp_path):
    job = parts.read(layered(square(30.0, pieces=20), retract=2.0), machine(), tmp_path)
    made = make(job, Beat("filament", 3.0, phase=0.5, jitter=0.0), 5, EXACT)
    pushed = made.truth.shown("filament", made.spots)
    assert len(pushed) > 10
    assert off_beat(pushed - 1.5, 3.0) < 1e-6


def test_scattered_marks_are_uniform_on_the_printed_surface(body):
    made = make(body, Anywhere(), 6, replace(EXACT, wanted=3000))
    truth = made.truth
    area = np.cumsum(truth.surface) / truth.surface.sum()
    at = area[made.spots.move] - (1 - made.spots.share) * truth.surface[made.spots.move] / truth.surface.sum()
    assert stats.kstest(at, "uniform").pvalue > 0.001
    assert (body.file.shape.role[made.spots.move] == Role.OUTER).all()


@pytest.mark.parametrize(
    "fault", [Beat("time", 3.0), Beat("filament", 9.0), At("random-stops"), At("checkpoint-stops")]
)
def test_only_what_falls_on_an_outer_wall_is_seen(body, fault):
    made = make(body, fault, 7, replace(EXACT, spurious=0.2, wanted=40))
    assert (body.file.shape.role[made.spots.move] == Role.OUTER).all()


def test_beats_that_fall_on_infill_and_travel_leave_nothing(body):
    made = make(body, Beat("time", 3.0, jitter=0.0), 8, EXACT)
    outer_s = (made.truth.depart_s - made.truth.start_s)[made.truth.outer].sum()
    assert outer_s / body.run.time_s < 0.8
    expected = outer_s / 3.0
    assert len(made.marks) == pytest.approx(expected, abs=5 * math.sqrt(expected))


def test_checkpoint_stops_are_the_stops_of_the_engine_at_the_same_first_save(body):
    made = make(body, At("checkpoint-stops", scatter_mm=0.0), 9, EXACT)
    moves, events = body.file.moves, body.file.events
    limits = speeds.limits(moves, STARVING, events, body.file.limits)
    supply = queue.simulate(moves, limits, STARVING, events, first_save_s=made.truth.first_save_s)
    stops = supply.stops
    saves = stops.why == queue.WHY.index("checkpoint")
    assert 0 < len(made.marks) <= saves.sum()
    heads = np.column_stack((stops.x, stops.y, stops.z))[saves]
    for here in made.truth.position(made.spots):
        assert np.abs(heads - here).sum(axis=1).min() < 1e-6


def test_a_board_that_is_never_short_of_moves_shows_no_stops(round_tube):
    ample = machine(checkpoint_every=7.0, checkpoint_takes=0.05, hiccups_per_min=12, hiccup_takes=0.01)
    for place in ("checkpoint-stops", "random-stops", "rate-stops"):
        assert make(round_tube, At(place), 10, EXACT, ample).left == 0


def test_seams_pile_up_at_the_seam(body):
    made = make(body, At("seams", scatter_mm=0.0), 11, EXACT)
    seams = body.file.shape.seams
    assert len(made.marks) == len(seams.move)
    assert np.allclose(np.sort(made.marks.height), np.sort(seams.z))


def test_places_scatter_along_the_wall_and_never_leave_it(body):
    made = make(body, At("seams", scatter_mm=2.0), 12, EXACT)
    sharp = make(body, At("seams", scatter_mm=0.0), 12, EXACT)
    moved = np.abs(np.sort(path_of(made)) - np.sort(path_of(sharp)))
    assert 0.5 < moved.mean() < 3.0
    assert (body.file.shape.role[made.spots.move] == Role.OUTER).all()


def test_as_many_are_missed_and_as_many_are_spurious_as_asked(round_tube):
    fault = Beat("time", 0.7)
    every = make(round_tube, fault, 13, EXACT).left
    seen = [len(make(round_tube, fault, seed, replace(EXACT, missed=0.2)).marks) for seed in range(30)]
    assert np.mean(seen) / every == pytest.approx(0.8, abs=0.02)
    shares = [1 - make(round_tube, fault, seed, Person(wanted=14)).true.mean() for seed in range(100)]
    assert np.mean(shares) == pytest.approx(0.2, abs=0.02)
    assert {len(make(round_tube, fault, seed).marks) for seed in range(20)} == {14}


def test_neighbours_lie_in_one_band_and_blemishes_within_it(round_tube):
    made = make(round_tube, Beat("time", 0.7), 14, replace(EXACT, wanted=14, spurious=0.3, where="neighbours"))
    true, others = made.marks.height[made.true], made.marks.height[~made.true]
    assert len(others) >= 4
    assert true.max() - true.min() < 0.2 * 20.0
    assert true.min() - PITCH <= others.min() and others.max() <= true.max() + PITCH


def test_errors_have_the_spread_that_was_asked_for(round_tube):
    person = replace(EXACT, wanted=400, height_err=0.1, angle_err=2.0)
    made = make(round_tube, Beat("time", 0.25), 15, person)
    height = made.marks.height - made.truth.position(made.spots)[:, 2]
    angle = (made.marks.angle - made.truth.angle(made.spots) + 180) % 360 - 180
    assert stats.kstest(height / 0.1, "norm").pvalue > 0.001
    assert stats.kstest(angle / 2.0, "norm").pvalue > 0.001


def test_heights_alone_have_no_angles_and_places_have_neither(round_tube):
    fault = Beat("time", 2.0)
    alone = simulate(round_tube, fault, 16, Person(gives="height"))
    assert np.isnan(alone.angle).all() and np.isnan(alone.x).all() and np.isfinite(alone.height).all()
    placed = simulate(round_tube, fault, 16, Person(gives="place"))
    assert np.isnan(placed.angle).all()
    assert np.allclose(np.hypot(placed.x - 110, placed.y - 110), RADIUS, atol=3.0)


def test_a_forgotten_zero_turns_all_angles_alike(round_tube):
    exact = make(round_tube, Beat("time", 2.0), 17, replace(EXACT, knows_zero=False))
    assert not exact.marks.zero_known
    turned = (exact.marks.angle - exact.truth.angle(exact.spots)) % 360
    assert np.abs(np.exp(1j * np.radians(turned)) - np.exp(1j * np.radians(turned[0]))).max() < 1e-6
    assert 1 < turned[0] < 359


def test_the_same_seed_makes_the_same_marks_and_another_others(body):
    one, two, other = (simulate(body, At("random-stops"), seed) for seed in (18, 18, 19))
    assert np.array_equal(one.height, two.height) and np.array_equal(one.angle, two.angle)
    assert not np.array_equal(one.height, other.height)


def off_beat(shown: np.ndarray, period: float) -> float:
    """Return the largest distance of any mark from a beat that begins at 0, in s."""
    return float(np.abs(shown - period * np.round(shown / period)).max())


def test_another_true_machine_keeps_time_with_its_own_clock(body):
    slow = replace(STARVING, acceleration=2000, travel_acceleration=2000, corner_rule="step")
    there = make(body, Beat("time", 5.0, phase=0.0, jitter=0.0), 20, EXACT, slow)
    card = Truth(body, STARVING, there.truth.first_save_s)
    # A facet lasts some ms, so straight lines within moves are good enough here.
    assert off_beat(there.truth.shown("time", there.spots), 5.0) < 0.05
    assert off_beat(card.shown("time", there.spots), 5.0) > 1.0


def test_within_a_move_the_head_ramps_up_cruises_and_brakes(tmp_path):
    sides = ["G1 X200 Y100 E5", "G1 X200 Y200 E5", "G1 X100 Y200 E5", "G1 X100 Y100 E5"]
    loops = [line for k in range(5) for line in (f"G0 Z{0.2 * (k + 1):.1f}", "G4 P50", *sides)]
    board = machine(acceleration=500, corner_deviation=0.0)
    text = "\n".join(["G21", "G90", "M83", "G28", "G0 X100 Y100 Z0.2 F3000", *loops]) + "\n"
    job = parts.read(text, board, tmp_path)
    truth = Truth(job, board)
    move = int(np.flatnonzero(truth.outer)[8])
    begin, end = truth.start_s[move], truth.depart_s[move]
    # From rest to rest over 100 mm, 50 mm/s and 500 mm/s2: ramps of 0.1 s and 2.5 mm, 95 mm at full speed.
    assert end - begin == pytest.approx(0.1 + 1.9 + 0.1)
    at = np.array([0.0, 0.05, 0.1, 1.1, 2.0, 2.05, 2.1])
    way = truth.at_time(begin + at).share * 100.0
    assert np.allclose(way[1:], [0.625, 2.5, 52.5, 97.5, 99.375, 100.0], atol=1e-6)


def test_what_cannot_be_made_is_said(round_tube, tmp_path):
    with pytest.raises(BadInput, match="beat"):
        simulate(round_tube, Beat("time", 0.0), 1)
    bare = parts.read(write(tube(radius=20, height=2, facets=60, speed=50)), None, tmp_path)
    with pytest.raises(BadInput, match="printer"):
        simulate(bare, At("checkpoint-stops"), 1)
    assert len(simulate(bare, Beat("time", 1.0), 1)) > 4


@pytest.mark.parametrize("shape", parts.SHAPES)
def test_every_shape_of_the_bench_is_a_job_that_the_engine_understands(shape, tmp_path):
    job = parts.read(parts.part(shape, np.random.default_rng(0)), machine(), tmp_path)
    assert not job.file.trouble.counts
    assert (job.file.shape.spiral.share > 0.7) == (shape in ("tube", "vase"))
    assert len(make(job, Anywhere(), 0, replace(EXACT, wanted=5)).marks) == 5
