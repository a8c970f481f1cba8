"""The printed outer surface: which moves made it, and what every clock showed while they did."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from diagnose.errors import BadInput
from diagnose.marks.model import Clock
from diagnose.toolpath.columns import Bools, Floats, Int32s, Ints, Role
from diagnose.toolpath.job import Job

WALL_GAP_MM = 50.0
"""Between walls drawn one after the other, on the ruler along walls: no blob reaches over."""
MOST_MOVES = 200_000
"""So many drawn from a larger surface say how its clocks run, within a thousandth."""
CLOCKS: tuple[Clock, ...] = ("time", "path", "filament", "height", "layer", "angle", "x", "y")


@dataclass(eq=False)
class Surface:
    """Outer walls of a job or of one object of it, within a band of heights; m moves of the job's n.

    Places are those of the nozzle: the height of a place is that of the nozzle as it printed it.
    """

    job: Job
    ids: Ints
    """(m,) moves, in order of printing."""
    axis: tuple[float, float]
    """mm, the middle of the box round all outer walls; angles count round it."""
    low: float
    high: float
    """mm, heights of the band."""
    depart: Floats
    """(n,) s at the end of each move: as run, stops and waits included, or as asked for where there is no run."""
    begin: Floats
    """(n,) s at which each move began."""
    path: Floats
    """(n,) mm of way of the head up to the end of each move, travels included."""
    filament: Floats
    """(n,) mm of filament commanded up to there, retractions taken back."""

    def __len__(self) -> int:
        return len(self.ids)

    def between(self, low: float, high: float) -> Surface:
        """Return the part of the surface that lies between two heights, mm."""
        z0, z1 = self.ends("height")
        inside = (np.maximum(z0, z1) >= low) & (np.minimum(z0, z1) <= high)
        return replace(self, ids=self.ids[inside], low=low, high=high)

    def thinned(self) -> Surface:
        """Return the surface for laying clocks out: of too many moves, some drawn by area, each standing for as much of it."""
        if len(self) <= MOST_MOVES:
            return self
        drawn, share = draw(self.area, MOST_MOVES)
        thin = replace(self, ids=self.ids[drawn])
        thin.area = share
        return thin

    @cached_property
    def layer(self) -> Int32s:
        return self.job.file.shape.layer

    @cached_property
    def length(self) -> Floats:
        """(m,) mm."""
        return self.job.file.shape.length[self.ids]

    @cached_property
    def area(self) -> Floats:
        """(m,) mm2 of printed surface: length times thickness of the layer."""
        thick = self.job.file.shape.layer_height
        return np.asarray(self.length * thick[np.maximum(self.layer[self.ids], 0)])

    @cached_property
    def spiral(self) -> Bools:
        """(m,) whether the move climbs without layers."""
        return np.asarray(self.job.file.shape.spiral.mask[self.ids])

    @cached_property
    def joined(self) -> Bools:
        """(m,) whether the move goes on where the one before it in the surface ended."""
        return np.asarray(np.diff(self.ids, prepend=-5) == 1)

    @cached_property
    def wall(self) -> Floats:
        """(m,) mm along the walls at the start of each move; walls apart lie WALL_GAP_MM apart."""
        gap = np.where(self.joined, 0.0, WALL_GAP_MM)
        return np.asarray(np.cumsum(gap) + np.concatenate(([0.0], np.cumsum(self.length)[:-1])))

    @cached_property
    def row(self) -> Int32s:
        """(n,) which move of the surface each move of the job is, -1 where it is none."""
        row = np.full(len(self.depart), -1, np.int32)
        row[self.ids] = np.arange(len(self), dtype=np.int32)
        return row

    @cached_property
    def beside(self) -> tuple[Int32s, Int32s]:
        """(n + 1,) last move of the head before each move of the job, and next one from it on; at the ends the nearest one."""
        moving = np.flatnonzero(self.job.file.shape.length > 0).astype(np.int32)
        behind, ahead = (np.full(len(self.depart) + 1, moving[end], np.int32) for end in (0, -1))
        behind[moving + 1] = ahead[moving] = moving
        np.maximum.accumulate(behind, out=behind)
        np.minimum.accumulate(ahead[::-1], out=ahead[::-1])
        return behind, ahead

    @cached_property
    def busy(self) -> Floats:
        """(n + 1,) s spent moving up to each move of the job, and in all."""
        return np.concatenate(([0.0], np.cumsum(np.maximum(self.depart - self.begin, 0.0))))

    def ends(self, clock: Clock) -> tuple[Floats, Floats]:
        """Return (m,) what a clock shows at the start and at the end of each move; angles in deg, the end unwrapped."""
        ids, moves = self.ids, self.job.file.moves
        if clock == "time":
            return self.begin[ids], self.depart[ids]
        if clock in ("path", "filament"):
            total = self.path if clock == "path" else self.filament
            return _before(total, ids, 0.0), total[ids]
        if clock == "layer":
            layer = self.layer[ids].astype(np.float64)
            return layer, layer
        start = np.nan_to_num(moves.start)
        if clock == "angle":
            a0 = _angles(_before(moves.x, ids, start[0]), _before(moves.y, ids, start[1]), self.axis)
            turn = (_angles(moves.x[ids], moves.y[ids], self.axis) - a0 + 180.0) % 360.0 - 180.0
            return a0, a0 + turn
        column, begin = {"x": (moves.x, start[0]), "y": (moves.y, start[1]), "height": (moves.z, start[2])}[clock]
        return _before(column, ids, float(begin)), column[ids]


def draw(weight: Floats, count: int) -> tuple[Ints, Floats]:
    """Return a sample of (m,) by weight, one at random from each of `count` equal shares: indices, and what each stands for.

    All of them where there are no more.
    """
    if len(weight) <= count:
        return np.arange(len(weight)), weight
    total = np.cumsum(weight)
    at = (np.arange(count) + np.random.default_rng(0).uniform(size=count)) * (total[-1] / count)
    drawn, times = np.unique(np.minimum(np.searchsorted(total, at, side="right"), len(weight) - 1), return_counts=True)
    return drawn, times * (total[-1] / count)


def find_surface(job: Job, part: int | None = None, *, outside: bool = True) -> Surface:
    """Return the outer surface of a job, or of one of the objects drawn one after the other, counted from 1.

    `outside`: only what is seen from outside the part; walls round holes and hollows are left out.

    Raises
    ------
    BadInput
        The job draws no outer wall, or has no such object.
    """
    moves, shape = job.file.moves, job.file.shape
    outer = (shape.outside if outside else shape.role == Role.OUTER) & (moves.e > 0) & (shape.length > 0)
    ids = np.flatnonzero(outer)
    if part is not None:
        if not 1 <= part <= max(1, shape.objects):
            raise BadInput(f"there is no object {part}", f"this job draws {max(1, shape.objects)} one after the other")
        first = np.append(shape.object_first, len(moves))
        if shape.objects > 1:
            ids = ids[(ids >= first[part - 1]) & (ids < first[part])]
    if not len(ids):
        raise BadInput("this job draws no outer wall that marks could lie on", "is it the job of this part?")
    xs = np.concatenate((moves.x[ids], _before(moves.x, ids, float(np.nan_to_num(moves.start[0])))))
    ys = np.concatenate((moves.y[ids], _before(moves.y, ids, float(np.nan_to_num(moves.start[1])))))
    axis = (float(xs.min() + xs.max()) / 2, float(ys.min() + ys.max()) / 2)
    if job.run is not None:
        depart = job.run.depart_s
        begin = np.maximum(depart - job.run.seconds, _shifted(depart))
    else:
        depart = np.cumsum(job.file.nominal_s)
        begin = _shifted(depart)
    z = moves.z[ids]
    return Surface(
        job, ids, axis, float(z.min()), float(z.max()), depart, begin, np.cumsum(shape.length), np.cumsum(moves.e)
    )  # fmt: skip


def _before(column: Floats, ids: Ints, begin: float) -> Floats:
    return np.asarray(np.where(ids > 0, column[np.maximum(ids - 1, 0)], begin))


def _shifted(column: Floats) -> Floats:
    return np.concatenate(([0.0], column[:-1]))


def _angles(x: Floats, y: Floats, axis: tuple[float, float]) -> Floats:
    return np.degrees(np.arctan2(y - axis[1], x - axis[0]))
