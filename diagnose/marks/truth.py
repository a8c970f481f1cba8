"""Where the head truly was, and when: the ground that simulated marks stand on. The inference shares nothing with it."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from diagnose.errors import BadInput
from diagnose.marks.model import Clock
from diagnose.toolpath import queue, speeds
from diagnose.toolpath.columns import Bools, Floats, Int32s, Ints, Role
from diagnose.toolpath.job import Job
from diagnose.toolpath.machine import Machine
from diagnose.toolpath.queue import Stalls, Supply


@dataclass(frozen=True, slots=True)
class Spots:
    """Places on the path: a move, and the share of it that is done; (k,) each."""

    move: Ints
    share: Floats

    def __len__(self) -> int:
        return len(self.move)

    def __getitem__(self, chosen: Ints | Bools) -> Spots:
        return Spots(self.move[chosen], self.share[chosen])

    def and_(self, others: Spots) -> Spots:
        return Spots(np.concatenate((self.move, others.move)), np.concatenate((self.share, others.share)))


class Truth:
    """A job as it was truly printed, on the true machine, or at the speeds asked for where there is none.

    Parameters
    ----------
    first_save_s
        When the first checkpoint of the true machine falls due; None: one interval after the start.
    stalls
        Random stalls that the true machine suffered.
    outside
        Whether marks are seen from outside the part only, not in its holes.
    """

    def __init__(
        self, job: Job, machine: Machine | None, first_save_s: float | None = None, stalls: Stalls | None = None,
        *, outside: bool = True,
    ) -> None:  # fmt: skip
        file = job.file
        self.job, self.moves, self.shape, self.machine = job, file.moves, file.shape, machine
        self.first_save_s, self.stalls = first_save_s, stalls
        ends = np.column_stack((self.moves.x, self.moves.y, self.moves.z))
        self.ends = ends
        self.starts = np.vstack((np.nan_to_num(self.moves.start)[None, :], ends[:-1]))
        """(n, 3) mm."""
        outer = self.shape.outside if outside else self.shape.role == Role.OUTER
        self.outer: Bools = outer & (self.moves.e > 0) & (self.shape.length > 0)
        if not self.outer.any():
            raise BadInput("this job draws no outer wall", "marks are made on outer walls")
        seen = np.concatenate((self.starts[self.outer, :2], ends[self.outer, :2]))
        self.axis = tuple(((seen.min(axis=0) + seen.max(axis=0)) / 2).tolist())
        """mm, the middle of the box round all outer walls."""

    @cached_property
    def limits(self) -> speeds.Limits:
        if self.machine is None:
            raise BadInput("marks of this fault need a printer", "give the card of the printer")
        return speeds.limits(self.moves, self.machine, self.job.file.events, self.job.file.limits)

    @cached_property
    def supply(self) -> Supply:
        """The true run: the same coupled queue, with saves and stalls where they truly fell."""
        limits = self.limits
        if self.machine is None:
            raise BadInput("marks of this fault need a printer", "give the card of the printer")
        return queue.simulate(
            self.moves, limits, self.machine, self.job.file.events, first_save_s=self.first_save_s, stalls=self.stalls
        )

    @cached_property
    def depart_s(self) -> Floats:
        """(n,) s at which each move ended."""
        return np.cumsum(self.job.file.nominal_s) if self.machine is None else self.supply.depart

    @cached_property
    def start_s(self) -> Floats:
        """(n,) s at which each move began."""
        if self.machine is None:
            return self.depart_s - self.job.file.nominal_s
        return self.supply.start

    @cached_property
    def surface(self) -> Floats:
        """(n,) mm2 of printed outer surface that each move lays: its length times the thickness of its layer."""
        thick = self.shape.layer_height[np.maximum(self.shape.layer, 0)]
        return np.where(self.outer, self.shape.length * thick, 0.0)

    def at_time(self, t_s: Floats) -> Spots:
        """Return where the head was at these times; within a move by the ramps of its speed."""
        move = np.minimum(np.searchsorted(self.depart_s, t_s, side="left"), len(self.depart_s) - 1)
        lasted = np.maximum(self.depart_s[move] - self.start_s[move], 1e-12)
        done = np.clip((t_s - self.start_s[move]) / lasted, 0.0, 1.0)
        return Spots(move, done if self.machine is None else self._ramps(move, done))

    def _ramps(self, move: Ints, done: Floats) -> Floats:
        """Return the share of its path a move has done after a share of its time: gather speed, cruise, brake."""
        u, limits = self.supply.u, self.limits
        length, a, cap = (column[move].astype(np.float64) for column in (limits.length, limits.accel, limits.cap))
        u0, u1 = u[move], u[move + 1]
        v0 = np.sqrt(u0)
        peak = np.maximum(np.minimum(cap, np.sqrt((2 * a * length + u0 + u1) / 2)), 1e-9)
        t1, t3 = np.maximum(peak - v0, 0) / a, np.maximum(peak - np.sqrt(u1), 0) / a
        s1, s3 = np.maximum(peak**2 - u0, 0) / (2 * a), np.maximum(peak**2 - u1, 0) / (2 * a)
        cruise = np.maximum(length - s1 - s3, 0.0) / peak
        t = done * (t1 + cruise + t3)
        left = t1 + cruise + t3 - t
        braking = length - np.sqrt(u1) * left - a * left**2 / 2
        way = np.where(t < t1, v0 * t + a * t**2 / 2, np.where(t < t1 + cruise, s1 + peak * (t - t1), braking))
        share: Floats = np.clip(way / np.maximum(length, 1e-12), 0.0, 1.0)
        return share

    def at_sum(self, total: Floats, wanted: Floats) -> Spots:
        """Return where a sum that grows from move to move (n,), as it stands after each, first reaches these values."""
        most = np.maximum.accumulate(total)
        move = np.minimum(np.searchsorted(most, wanted, side="left"), len(total) - 1)
        before = np.where(move > 0, total[move - 1], 0.0)
        grown = np.maximum(total[move] - before, 1e-12)
        return Spots(move, np.clip((wanted - before) / grown, 0.0, 1.0))

    def standing(self, move: Ints) -> tuple[Spots, Bools]:
        """Return the place on an outer wall where the head stands at the start of these moves, and where there is one.

        The head stands at the beginning of a wall, or at the end of the one it has just drawn; what moves only filament
        leaves it there.
        """
        n = len(self.outer)
        still = self.job.file.shape.length * (np.abs(self.ends - self.starts).sum(axis=1) > 0) == 0
        moving = np.where(still, n, np.arange(n))
        ahead = np.minimum.accumulate(moving[::-1])[::-1]
        behind = np.maximum.accumulate(np.where(still, -1, np.arange(n)))
        after = ahead[np.minimum(move, n - 1)]
        before = np.where(move > 0, behind[np.maximum(move - 1, 0)], -1)
        begins = (after < n) & self.outer[np.minimum(after, n - 1)]
        ends = (before >= 0) & self.outer[np.maximum(before, 0)] & ~begins
        at = np.where(begins, after, np.maximum(before, 0))
        return Spots(np.minimum(at, n - 1), np.where(begins, 0.0, 1.0)), begins | ends

    def along(self, spots: Spots, by_mm: Floats) -> Spots:
        """Return the spots moved along the wall that they lie on, no farther than to its ends."""
        path = np.cumsum(np.where(self.outer, self.shape.length, 0.0))
        edges = np.diff(self.outer.astype(np.int8), prepend=0)
        run = np.cumsum(edges == 1)
        first = np.flatnonzero(edges == 1)[run[spots.move] - 1]
        last = np.flatnonzero(np.diff(self.outer.astype(np.int8), append=0) == -1)[run[spots.move] - 1]
        length = self.shape.length
        at = path[spots.move] - length[spots.move] * (1 - spots.share) + by_mm
        at = np.clip(at, path[first] - length[first] + 1e-9, path[last])
        move = np.searchsorted(path, at, side="left")
        return Spots(move, np.clip(1 - (path[move] - at) / length[move], 0.0, 1.0))

    def draw(self, count: int, weight: Floats, random: np.random.Generator) -> Spots:
        """Return spots drawn independently, moves by weight (n,), evenly along each."""
        if not weight.any():
            return Spots(np.empty(0, np.int64), np.empty(0))
        total = np.cumsum(weight)
        move = np.searchsorted(total, random.uniform(0.0, total[-1], count), side="right")
        return Spots(move, random.uniform(0.0, 1.0, count))

    def position(self, spots: Spots) -> Floats:
        """Return (k, 3) mm, where the nozzle stood."""
        share = spots.share[:, None]
        here: Floats = self.starts[spots.move] * (1 - share) + self.ends[spots.move] * share
        return here

    def angle(self, spots: Spots) -> Floats:
        """Return (k,) deg round the axis, counter-clockwise from +x, 0 to 360."""
        here = self.position(spots)
        round_: Floats = np.degrees(np.arctan2(here[:, 1] - self.axis[1], here[:, 0] - self.axis[0])) % 360.0
        return round_

    def layer(self, spots: Spots) -> Int32s:
        return self.shape.layer[spots.move]

    def total(self, clock: Clock) -> Floats:
        """Return (n,) what a clock that runs with the job shows after each move: s, mm of path, or mm of filament."""
        if clock == "time":
            return self.depart_s
        moved = np.sqrt(((self.ends - self.starts) ** 2).sum(axis=1))
        return np.cumsum(moved if clock == "path" else self.moves.e)

    def shown(self, clock: Clock, spots: Spots) -> Floats:
        """Return (k,) what a clock shows at these spots, in its unit."""
        if clock in ("time", "path", "filament"):
            after = self.total(clock)[spots.move]
            if clock == "time":
                before = self.start_s[spots.move]
            else:
                before = np.where(spots.move > 0, self.total(clock)[spots.move - 1], 0.0)
            reading: Floats = before + (after - before) * spots.share
            return reading
        if clock == "layer":
            return self.layer(spots).astype(np.float64)
        if clock == "angle":
            return self.angle(spots)
        return self.position(spots)[:, {"x": 0, "y": 1, "height": 2}[clock]]
