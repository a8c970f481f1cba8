"""A part's outer surface unrolled: angle across, height up, and what the run of the job did at every spot of it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from diagnose.errors import BadInput
from diagnose.marks.surface import find_surface
from diagnose.toolpath.columns import Bools, Bytes, Floats, Int32s, Ints
from diagnose.toolpath.job import Job
from diagnose.toolpath.profile import profile

ANGLES = 720
"""Columns of the grid: half a degree each."""
PIECE = 50_000
"""Moves laid over the grid at a time: between two pieces the thread that draws a screen gets its turn."""
MOST_ROWS = 2048
"""Rows of the grid; a part of fewer layers has a row a layer."""

Grid = NDArray[np.float32]


@dataclass(frozen=True, slots=True, eq=False)
class Spots:
    """Places on the surface, in the order of printing; (k,) entries."""

    height: Floats
    """mm."""
    angle: Floats
    """deg, 0 to 360, counter-clockwise from the x axis."""
    line: Ints
    """Line of the job file."""
    t_s: Floats
    """s from the start of the job; NaN where nothing happens at a time of its own."""
    length_s: Floats
    """s; NaN where it has no length."""
    why: Bytes
    """Index into `starvation.WHY`; 0 where nothing was waited for."""

    def __len__(self) -> int:
        return len(self.height)


@dataclass(frozen=True, slots=True, eq=False)
class Skin:
    """The whole outer surface of a job, and what stands by height beside it. (r,) entries a slice of height, from the bed up."""

    axis: tuple[float, float]
    """mm, what angles count round: the middle of the box round all outer walls."""
    low: float
    high: float
    """mm, from the lowest printed spot to the highest one."""
    least_ms: Grid
    """(rows, ANGLES) least reserve of the queue in each cell, from the bed up; inf where nothing is printed or nothing is known."""
    short_ms: float
    """What a save, or else a random stall of card or cable, takes: a reserve below it ends in a stop. 0 where neither is known."""
    seams: Spots
    stops: Spots
    dips: Spots
    edges: Floats
    """(r + 1,) mm, the heights between which the slices lie."""
    reserve_ms: Floats
    """(r,) least reserve; NaN where nothing is known."""
    speed_mm_s: Floats
    """(r,) mean speed of the outer wall."""

    def least(self, low: float, high: float, left: float, span: float, columns: int, rows: int) -> Grid:
        """Return (rows, columns) the least reserve in ms of a window of the surface, its rows from the top down.

        The window goes from height ``low`` to ``high`` in mm and from angle ``left`` on over ``span`` degrees. Cells that lie
        off the part, or where nothing is known, are inf.
        """
        found = np.full((rows, columns), np.inf, np.float32)
        height = self.high - self.low
        if height <= 0 or high <= low:
            return found
        count = len(self.least_ms)
        at = (np.linspace(high, low, rows + 1) - self.low) / height * count
        across = np.linspace(left, left + span, columns + 1) / 360.0 * ANGLES
        for k in range(rows):
            first, last = max(int(np.floor(at[k + 1])), 0), min(int(np.ceil(at[k])), count)
            if first >= last:
                continue
            band = self.least_ms[first:last].min(axis=0)
            starts = np.floor(across).astype(np.int64)
            width = max(int(starts[1:].max(initial=0) - starts[0]) + 1, 1)
            unrolled = np.take(band, np.arange(starts[0], starts[0] + width + 1), mode="wrap")
            found[k] = np.minimum.reduceat(unrolled, starts[:-1] - starts[0])
        return found

    def by_height(self, low: float, high: float, rows: int) -> tuple[Floats, Floats]:
        """Return (rows,) least reserve in ms and (rows,) mean wall speed in mm/s between two heights, from the top down."""
        borders = np.linspace(low, high, rows + 1)
        reserve, speed = np.full(rows, np.nan), np.full(rows, np.nan)
        for k in range(rows):
            inside = slice(
                int(np.searchsorted(self.edges, borders[k] + 1e-9, side="right")) - 1,
                int(np.searchsorted(self.edges, borders[k + 1] - 1e-9)),
            )
            inside = slice(max(inside.start, 0), inside.stop)
            part = self.reserve_ms[inside]
            if np.isfinite(part).any():
                reserve[rows - 1 - k] = np.nanmin(part)
            pace = self.speed_mm_s[inside]
            if np.isfinite(pace).any():
                speed[rows - 1 - k] = np.nanmean(pace)
        return reserve, speed


def find_skin(job: Job) -> Skin:
    """Return the outer surface of a job, unrolled; linear in the number of moves.

    Raises
    ------
    BadInput
        The job draws no outer wall.
    """
    surface = find_surface(job)
    axis, run = surface.axis, job.run
    seams = job.file.shape.seams
    line = job.file.moves.line
    nothing: Floats = np.full(len(seams.move), np.nan)
    none = _none()
    slices = profile(job.file, run, MOST_ROWS)
    if surface.high <= surface.low:
        raise BadInput("this job draws no wall that stands up", "is it the job of this part?")
    return Skin(
        axis=axis, low=surface.low, high=surface.high, least_ms=_least(job, surface.ids, axis, surface.low, surface.high),
        short_ms=_short(job),
        seams=_spots(axis, seams.x, seams.y, seams.z, line[seams.move], nothing, nothing, np.zeros(len(nothing), np.uint8)),
        stops=none if run is None else _spots(axis, run.stops.x, run.stops.y, run.stops.z, run.stops.line, run.stops.t_s, run.stops.length_s, run.stops.why),
        dips=none if run is None else _spots(axis, run.dips.x, run.dips.y, run.dips.z, run.dips.line, run.dips.t_s, run.dips.length_s, run.dips.why),
        edges=np.append(slices.bottom_mm, slices.top_mm[-1:]), reserve_ms=slices.reserve_ms, speed_mm_s=slices.speed_mm_s,
    )  # fmt: skip


def _short(job: Job) -> float:
    if job.run is None:
        return 0.0
    machine = job.run.machine
    return machine.checkpoint_takes * 1e3 if machine.checkpoint_every > 0 else job.run.risk.stall_ms


def _least(job: Job, ids: Ints, axis: tuple[float, float], low: float, high: float) -> Grid:
    """Return the least settled reserve by height and angle. A long move leaves its reserve in every cell it crosses."""
    count = int(min(max(job.file.layers, 1), MOST_ROWS))
    grid = np.full((count, ANGLES), np.inf, np.float32)
    if job.run is None:
        return grid
    known: Bools = job.run.settled[ids] & np.isfinite(job.run.reserve_ms[ids])
    ids = ids[known]
    for first in range(0, len(ids), PIECE):
        _fill(grid, job, ids[first : first + PIECE], axis, low, high)
    return grid


def _fill(grid: Grid, job: Job, ids: Ints, axis: tuple[float, float], low: float, high: float) -> None:
    """Lay moves, all of them with a known reserve, over the grid."""
    assert job.run is not None
    moves, count = job.file.moves, len(grid)
    before = np.maximum(ids - 1, 0)
    begins = np.degrees(np.arctan2(moves.y[before] - axis[1], moves.x[before] - axis[0]))
    ends = np.degrees(np.arctan2(moves.y[ids] - axis[1], moves.x[ids] - axis[0]))
    turn = (ends - begins + 180.0) % 360.0 - 180.0
    cells = np.abs(turn) / 360.0 * ANGLES
    steps = np.minimum(np.ceil(np.nan_to_num(cells)), ANGLES).astype(np.int64) + 1
    each = np.repeat(np.arange(len(ids)), steps)
    along = (np.arange(len(each)) - np.repeat(np.cumsum(steps) - steps, steps)) / np.maximum(steps[each] - 1, 1)
    column = ((begins[each] + along * turn[each]) % 360.0 / 360.0 * ANGLES).astype(np.int64) % ANGLES
    row = np.clip((moves.z[ids] - low) / (high - low) * count, 0, count - 1).astype(np.int64)
    np.minimum.at(grid.reshape(-1), row[each] * ANGLES + column, job.run.reserve_ms[ids][each].astype(np.float32))


def _spots(
    axis: tuple[float, float], x: Floats, y: Floats, z: Floats, line: Ints | Int32s, t_s: Floats, length_s: Floats, why: Bytes
) -> Spots:
    angle = np.degrees(np.arctan2(y - axis[1], x - axis[0])) % 360.0
    return Spots(np.asarray(z), angle, np.asarray(line, np.int64), t_s, length_s, why)


def _none() -> Spots:
    empty: Floats = np.zeros(0)
    return Spots(empty, empty, np.zeros(0, np.int64), empty, empty, np.zeros(0, np.uint8))
