"""The printed outer surface of a job: where marks can be seen, and what every clock showed when it was laid down."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np

from diagnose.errors import BadInput
from diagnose.marks.model import Clock
from diagnose.toolpath.columns import Bools, Floats, Int32s, Ints, Role

if TYPE_CHECKING:
    from diagnose.toolpath.job import Job


@dataclass(frozen=True, slots=True)
class Points:
    """Places on the surface: a piece of wall, and the share of it that is done; (k,) each."""

    piece: Ints
    """Index among the pieces of the surface."""
    share: Floats

    def __len__(self) -> int:
        return len(self.piece)


class Surface:
    """The moves of a job that draw its outer walls, of one object or of all; arrays (m,), one entry a piece of wall.

    Attributes
    ----------
    move
        Index among the moves of the job.
    start, end
        (m, 3) mm.
    layer
        From 0; a turn of a spiral is a layer.
    area
        mm2 of surface: length times the thickness of the layer.
    axis
        (x, y) mm, the middle of the box round all pieces; angles count round it.
    """

    def __init__(self, job: Job, part: int | None = None) -> None:
        file = job.file
        moves, shape = file.moves, file.shape
        drawn = (shape.role == Role.OUTER) & (moves.e > 0) & (shape.length > 0) & (shape.layer >= 0)
        if part is not None:
            drawn &= _of_object(shape.object_first, part, len(moves))
        self.job = job
        self.move: Ints = np.flatnonzero(drawn)
        if not len(self.move):
            raise BadInput("this job draws no outer wall", "marks are held against the walls that a job draws")
        self.end: Floats = np.column_stack([axis[self.move] for axis in (moves.x, moves.y, moves.z)])
        before = np.maximum(self.move - 1, 0)
        first = np.nan_to_num(moves.start)
        self.start: Floats = np.column_stack(
            [np.where(self.move > 0, axis[before], first[k]) for k, axis in enumerate((moves.x, moves.y, moves.z))]
        )
        self.length: Floats = shape.length[self.move]
        self.layer: Int32s = shape.layer[self.move]
        self.area: Floats = self.length * shape.layer_height[self.layer]
        ends = (self.start[:, :2], self.end[:, :2])
        low, high = np.minimum(*(e.min(axis=0) for e in ends)), np.maximum(*(e.max(axis=0) for e in ends))
        self.axis: tuple[float, float] = (float(low[0] + high[0]) / 2, float(low[1] + high[1]) / 2)

    def __len__(self) -> int:
        return len(self.move)

    @cached_property
    def low(self) -> Floats:
        """(m,) mm, the lower end of each piece."""
        return np.minimum(self.start[:, 2], self.end[:, 2])

    @cached_property
    def high(self) -> Floats:
        """(m,) mm, the upper end."""
        return np.maximum(self.start[:, 2], self.end[:, 2])

    @cached_property
    def by_height(self) -> tuple[Ints, Floats]:
        """Pieces in the order of their lower ends, and those ends."""
        order = np.argsort(self.low, kind="stable")
        return order, self.low[order]

    @cached_property
    def steepest(self) -> float:
        """mm that any piece climbs at most."""
        return float((self.high - self.low).max())

    def between(self, low: float, high: float) -> Ints:
        """Return the pieces that reach into a band of heights."""
        order, ends = self.by_height
        a, b = np.searchsorted(ends, (low - self.steepest, high), side="right")
        found = order[a:b]
        return np.sort(found[self.high[found] >= low])

    @cached_property
    def _running(self) -> dict[Clock, tuple[Floats, Floats]]:
        """Clocks that run with the job: the step of every move (n,), and what it shows after it."""
        job, moves = self.job, self.job.file.moves
        if job.run is not None:
            after = job.run.depart_s
            lasted = np.minimum(job.run.seconds, np.diff(after, prepend=0.0))
        else:
            lasted = job.file.nominal_s
            after = np.cumsum(lasted)
        ends = (moves.x, moves.y, moves.z)
        moved = np.sqrt(sum(np.diff(axis, prepend=s) ** 2 for axis, s in zip(ends, np.nan_to_num(moves.start), strict=True)))
        found: dict[Clock, tuple[Floats, Floats]] = {}
        for clock, total, step in (
            ("time", after, lasted), ("path", np.cumsum(moved), moved), ("filament", np.cumsum(moves.e), moves.e),
        ):  # fmt: skip
            found[clock] = (step, total)  # type: ignore[index]
        return found

    def running(self, clock: Clock) -> tuple[Floats, Floats]:
        """Return, of a clock that runs with the job, its step in every move (n,), and what it shows after each."""
        return self._running[clock]

    def shown(self, clock: Clock, at: Points) -> Floats:
        """Return (k,) what a clock shows at places of the surface, in its unit."""
        if clock in ("time", "path", "filament"):
            step, total = self._running[clock]
            move = self.move[at.piece]
            reading: Floats = total[move] - step[move] * (1.0 - at.share)
            return reading
        if clock == "layer":
            return self.layer[at.piece].astype(np.float64)
        here = self.position(at)
        if clock == "angle":
            return self.angle_of(here)
        return here[:, {"x": 0, "y": 1, "height": 2}[clock]]

    def position(self, at: Points) -> Floats:
        """Return (k, 3) mm."""
        share = at.share[:, None]
        here: Floats = self.start[at.piece] * (1 - share) + self.end[at.piece] * share
        return here

    def angle_of(self, here: Floats) -> Floats:
        """Return (k,) deg round the axis, counter-clockwise seen from above, 0 to 360, of places (k, 2 or more) in mm."""
        found: Floats = np.degrees(np.arctan2(here[:, 1] - self.axis[1], here[:, 0] - self.axis[0])) % 360.0
        return found

    def sample(self, pieces: Ints, count: int) -> Points:
        """Return places spread over the area of some pieces, one from anywhere in each of `count` equal parts.

        Drawn (with one seed), not evenly spaced: even spacing would itself keep a beat.
        """
        total = np.cumsum(self.area[pieces])
        at = (np.arange(count) + np.random.default_rng(0).uniform(size=count)) / count * total[-1]
        found = np.minimum(np.searchsorted(total, at, side="right"), len(pieces) - 1)
        share = 1.0 - (total[found] - at) / self.area[pieces[found]]
        return Points(pieces[found], np.clip(share, 0.0, 1.0))


def _of_object(first: Ints, part: int, n: int) -> Bools:
    if not 1 <= part <= len(first):
        raise BadInput(f"there is no object {part}", f"the job draws {len(first)} one after the other", "--object")
    inside = np.zeros(n, bool)
    inside[first[part - 1] : first[part] if part < len(first) else n] = True
    return inside


def find_surface(job: Job, part: int | None = None) -> Surface:
    """Return the printed outer surface of a job, or of one of its objects (from 1, in the order drawn).

    Raises BadInput where no outer wall is drawn, or there is no such object.
    """
    return Surface(job, part)
