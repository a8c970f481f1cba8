"""Where on the printed surface each mark may lie: pieces of wall with weights, its errors and the layers in view.

Under *anywhere on the surface* a mark's place has the density of its likelihood over printed surface. Along one pass of the
nozzle that is close to a bell curve, so each pass in reach (a layer, a turn) becomes one piece: its weight, and mean and
standard deviation of what every clock showed there.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from diagnose.marks import _kernels as kernels
from diagnose.marks.model import Clock, Marks, Placed
from diagnose.marks.surface import CLOCKS, Surface
from diagnose.toolpath.columns import Bools, Floats, Ints

WINDOW = 4.5
"""Standard deviations within which pieces are looked for."""
REACH_MM = 1.5
"""A mark this near the surface is placed on it, whatever errors were claimed."""
LEAST_WEIGHT = 2e-3
"""Of a mark's weight; lighter pieces are left out."""
LEAST_HEIGHT_ERR, LEAST_ANGLE_ERR, LEAST_PLACE_ERR = 0.03, 0.3, 0.05
"""mm, deg, mm: nobody measures better, and a blob is no point (common practice, no source)."""
ROOM = 600
"""Pieces a mark."""


@dataclass(frozen=True, slots=True)
class Pieces:
    """Pieces of surface of all marks, mark by mark; c pieces."""

    mark: Ints
    """(c,) which mark, ascending."""
    bounds: Ints
    """(n + 1,) where the pieces of each mark begin; a mark off the part has none."""
    weight: Floats
    """(c,) adds up to 1 a mark."""
    mean: Floats
    spread: Floats
    """(c, 9) mean and standard deviation: the clocks in order, then mm along the wall."""
    move: Ints
    """(c,) the move at the likeliest spot."""
    spot: Floats
    """(c, 3) mm, where that is."""

    def of(self, clock: Clock) -> tuple[Floats, Floats]:
        """Return (c,) mean and standard deviation in one clock."""
        k = CLOCKS.index(clock)
        return self.mean[:, k], self.spread[:, k]

    @property
    def wall(self) -> tuple[Floats, Floats]:
        """(c,) mean and standard deviation of mm along the wall."""
        return self.mean[:, -1], self.spread[:, -1]


def place_marks(surface: Surface, marks: Marks) -> tuple[Surface, Pieces, Placed]:
    """Return the band of surface that the marks lie in, their pieces of it, and where each most likely lies."""
    near = np.ones(len(marks), np.bool_)
    band, pieces = surface, _none(len(marks))
    for _ in range(3):
        if not near.any():
            break
        band = surface.between(*_region(surface, marks, near))
        pieces = _pieces(band, marks)
        there = np.diff(pieces.bounds) > 0
        if (there == near).all():
            break
        near = there & near
    return band, pieces, _placed(surface, marks, pieces)


def _region(surface: Surface, marks: Marks, near: Bools) -> tuple[float, float]:
    thick = surface.job.file.shape.layer_height
    half = 0.5 * float(np.median(thick)) if len(thick) else 0.1
    low, high = float(marks.height[near].min()), float(marks.height[near].max())
    widen = 1.5 * float(np.median(marks.height_err[near])) + half
    return max(low - widen, surface.low - half), min(high + widen, surface.high + half)


def _pieces(surface: Surface, marks: Marks) -> Pieces:
    n = len(marks)
    height_err = np.maximum(marks.height_err, LEAST_HEIGHT_ERR)
    angle_err = np.maximum(marks.angle_err, LEAST_ANGLE_ERR)
    place_err = np.maximum(np.nan_to_num(marks.place_err, nan=0.5), LEAST_PLACE_ERR)
    found = _look(surface, marks, np.ones(n, np.bool_), height_err, angle_err, place_err)
    missing = np.bincount(found.mark, minlength=n) == 0
    if missing.any():
        # Not within the errors claimed: those that are near all the same.
        radius = max(1.0, float(surface.length.sum()) / max(1, len(np.unique(surface.layer[surface.ids]))) / 6.3)
        again = _look(
            surface, marks, missing, np.maximum(height_err, REACH_MM / WINDOW),
            np.maximum(angle_err, np.degrees(REACH_MM / radius) / WINDOW), np.maximum(place_err, REACH_MM / WINDOW),
        )  # fmt: skip
        found = _merged(found, again, n)
    return found


def _look(surface: Surface, marks: Marks, chosen: Bools, eh: Floats, ea: Floats, ep: Floats) -> Pieces:
    moves, shape = surface.job.file.moves, surface.job.file.shape
    which = np.flatnonzero(chosen)
    room = ROOM * max(1, len(which))
    mark, move = np.empty(room, np.int64), np.empty(room, np.int64)
    weight, mean, spread, best = np.empty(room), np.empty((room, 9)), np.empty((room, 9)), np.empty((room, 4))
    z0, z1 = surface.ends("height")
    blocks = np.arange(0, len(surface), kernels.BLOCK)
    low = np.minimum.reduceat(np.minimum(z0, z1), blocks) if len(blocks) else np.empty(0)
    high = np.maximum.reduceat(np.maximum(z0, z1), blocks) if len(blocks) else np.empty(0)
    count = kernels.place(
        marks.height[which], marks.angle[which], marks.x[which], marks.y[which], eh[which], ea[which], ep[which], WINDOW,
        surface.ids, np.nan_to_num(moves.start), moves.x, moves.y, moves.z, surface.begin, surface.depart, surface.path,
        surface.filament, surface.layer, shape.layer_height, surface.wall, low, high, *surface.axis,
        mark, weight, mean, spread, move, best,
    )  # fmt: skip
    if count < 0:  # more pieces than anything printed can have: nothing is learnt from such marks
        return _none(len(marks))
    return _kept(which[mark[:count]], weight[:count], mean[:count], spread[:count], move[:count], best[:count, :3], len(marks))


def _kept(mark: Ints, weight: Floats, mean: Floats, spread: Floats, move: Ints, spot: Floats, n: int) -> Pieces:
    total = np.bincount(mark, weight, minlength=n)
    share = weight / np.maximum(total[mark], 1e-300)
    keep = share > LEAST_WEIGHT
    mark, share = mark[keep], share[keep]
    share = share / np.bincount(mark, share, minlength=n)[mark]
    return Pieces(mark, np.searchsorted(mark, np.arange(n + 1)), share, mean[keep], spread[keep], move[keep], spot[keep])


def _merged(one: Pieces, other: Pieces, n: int) -> Pieces:
    mark = np.concatenate((one.mark, other.mark))
    order = np.argsort(mark, kind="stable")

    def both(name: str) -> Floats:
        return np.asarray(np.concatenate((getattr(one, name), getattr(other, name)))[order])

    mark = mark[order]
    return Pieces(
        mark, np.searchsorted(mark, np.arange(n + 1)), both("weight"), both("mean"), both("spread"),
        both("move").astype(np.int64), both("spot"),
    )  # fmt: skip


def _none(n: int) -> Pieces:
    nothing = np.empty(0, np.int64)
    wide = np.empty((0, 9))
    return Pieces(nothing, np.zeros(n + 1, np.int64), np.empty(0), wide, wide, nothing, np.empty((0, 3)))


def _placed(surface: Surface, marks: Marks, pieces: Pieces) -> Placed:
    n = len(marks)
    spot, line, off = np.full((n, 3), np.nan), np.zeros(n, np.int64), np.full(n, np.nan)
    turns = np.zeros(n, np.int64)
    for i in range(n):
        a, b = pieces.bounds[i], pieces.bounds[i + 1]
        if a == b:
            off[i] = _nearest(surface, marks, i)
            continue
        k = a + int(np.argmax(pieces.weight[a:b]))
        spot[i] = pieces.spot[k]
        line[i] = surface.job.file.moves.line[pieces.move[k]]
        off[i] = _apart(surface, marks, i, spot[i][None, :])[0]
        turns[i] = len(np.unique(surface.layer[pieces.move[a:b]]))
    angle = np.degrees(np.arctan2(spot[:, 1] - surface.axis[1], spot[:, 0] - surface.axis[0])) % 360.0
    return Placed(spot[:, 2].copy(), angle, spot[:, 0].copy(), spot[:, 1].copy(), line, off, turns)


def _apart(surface: Surface, marks: Marks, i: int, spots: Floats) -> Floats:
    """Return (k,) mm from a mark to places (k, 3), in the directions that were measured."""
    up = spots[:, 2] - marks.height[i]
    if np.isfinite(marks.x[i]):
        return np.asarray(np.sqrt(up**2 + (spots[:, 0] - marks.x[i]) ** 2 + (spots[:, 1] - marks.y[i]) ** 2))
    if not np.isfinite(marks.angle[i]):
        return np.asarray(np.abs(up))
    dx, dy = spots[:, 0] - surface.axis[0], spots[:, 1] - surface.axis[1]
    turn = (np.degrees(np.arctan2(dy, dx)) - marks.angle[i] + 180.0) % 360.0 - 180.0
    return np.asarray(np.hypot(up, np.radians(turn) * np.hypot(dx, dy)))


def _nearest(surface: Surface, marks: Marks, i: int, most: int = 200_000) -> float:
    """Return mm from a mark that lies off the part to the surface, within the length of a move."""
    every = max(1, len(surface) // most)
    ids = surface.ids[::every]
    moves = surface.job.file.moves
    ends = np.column_stack((moves.x[ids], moves.y[ids], moves.z[ids]))
    return float(_apart(surface, marks, i, ends).min())
