"""The surface unrolled: against a slow plain twin, move by move, and what lies where."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest

from diagnose.coupons.spiral import tube, write
from diagnose.errors import BadInput
from diagnose.marks.skin import ANGLES, Skin, find_skin
from diagnose.toolpath.job import Job, read_job
from diagnose.triage import card, knowledge_from, machine_of


@pytest.fixture(scope="module")
def job(tmp_path_factory: pytest.TempPathFactory) -> Job:
    """A tube of coarse facets, so that each move crosses several cells, on a card that stops it while saving."""
    path = tmp_path_factory.mktemp("skin") / "tube.gcode"
    path.write_text(write(tube(radius=12, height=4, facets=90, speed=120)))
    return read_job(path, machine_of(card(knowledge_from(), "board-memory-card")))


@pytest.fixture(scope="module")
def skin(job: Job) -> Skin:
    return find_skin(job)


def test_the_least_reserve_of_every_cell_is_that_of_the_slow_twin(job: Job, skin: Skin) -> None:
    """Twin: every outer move walked in steps far finer than a cell; a cell holds the least reserve of what crosses it."""
    moves, run = job.file.moves, job.run
    assert run is not None
    count = len(skin.least_ms)
    twin = np.full_like(skin.least_ms, np.inf)
    x0, y0 = skin.axis
    for i in np.flatnonzero(job.file.shape.outside & (moves.e > 0) & (job.file.shape.length > 0)):
        if not (run.settled[i] and math.isfinite(run.reserve_ms[i])):
            continue
        row = min(int((moves.z[i] - skin.low) / (skin.high - skin.low) * count), count - 1)
        a = math.degrees(math.atan2(moves.y[i - 1] - y0, moves.x[i - 1] - x0))
        b = math.degrees(math.atan2(moves.y[i] - y0, moves.x[i] - x0))
        turn = (b - a + 180.0) % 360.0 - 180.0
        for k in range(201):
            cell = int((a + turn * k / 200) % 360.0 / 360.0 * ANGLES) % ANGLES
            twin[row, cell] = min(twin[row, cell], run.reserve_ms[i])
    # Where a move ends on the border of two cells, rounding may put its last step into either.
    known = np.isfinite(twin) & np.isfinite(skin.least_ms)
    assert known.mean() > 0.8
    assert np.isfinite(twin).sum() - np.isfinite(skin.least_ms).sum() <= 0.01 * twin.size
    assert np.mean(np.abs(twin[known] - skin.least_ms[known]) < 1e-3) > 0.99


def test_a_window_shows_the_least_of_the_cells_behind_it(skin: Skin) -> None:
    whole = skin.least(skin.low, skin.high, 0.0, 360.0, 12, 5)
    assert whole.shape == (5, 12) and whole.min() == skin.least_ms.min()
    band = skin.least(skin.low, skin.high, 0.0, 360.0, 1, 1)
    assert band[0, 0] == skin.least_ms.min()
    round_ = skin.least(skin.low, skin.high, 350.0, 20.0, 1, 1)
    edge = np.concatenate([skin.least_ms[:, int(350 / 360 * ANGLES) :], skin.least_ms[:, : int(10 / 360 * ANGLES) + 1]], axis=1)
    assert round_[0, 0] == edge.min(), "a window goes on over the seam of the angles"
    assert not np.isfinite(skin.least(skin.high + 1, skin.high + 2, 0, 360, 4, 4)).any(), "there is nothing above the part"


def test_what_stands_by_height_is_the_least_and_the_mean_of_its_slices(skin: Skin) -> None:
    reserve, speed = skin.by_height(skin.edges[0], skin.edges[-1], 1)
    assert reserve[0] == np.nanmin(skin.reserve_ms) and speed[0] == pytest.approx(np.nanmean(skin.speed_mm_s))
    reserve, _ = skin.by_height(skin.edges[0], skin.edges[-1], len(skin.reserve_ms))
    assert np.array_equal(reserve[::-1], skin.reserve_ms, equal_nan=True), "rows go from the top down"


def test_stops_lie_where_the_run_says_and_on_the_wall(job: Job, skin: Skin) -> None:
    assert job.run is not None and len(skin.stops) == len(job.run.stops)
    x, y = skin.axis
    for i in range(len(skin.stops)):
        radians = math.radians(skin.stops.angle[i])
        assert (x + 12 * math.cos(radians), y + 12 * math.sin(radians)) == pytest.approx((job.run.stops.x[i], job.run.stops.y[i]), abs=0.5)
        assert skin.stops.line[i] == job.run.stops.line[i]


def test_without_a_machine_there_are_seams_and_speeds_and_nothing_is_said_of_the_queue(job: Job) -> None:
    alone = find_skin(job.on(None))
    assert not np.isfinite(alone.least_ms).any() and np.isnan(alone.reserve_ms).all() and len(alone.stops) == 0
    assert np.isfinite(alone.speed_mm_s).any() and alone.short_ms == 0.0


def test_a_job_without_walls_says_so(tmp_path: Path) -> None:
    path = tmp_path / "line.gcode"
    path.write_text("G21\nG90\nM83\nG1 Z0.2 F600\nG1 X10 E1 F1200\nG1 X20 E1\n")
    with pytest.raises(BadInput):
        find_skin(read_job(path))
