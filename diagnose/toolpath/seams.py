"""Where the loops of the outer contour begin, and whether those places line up."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from diagnose.toolpath._kernels import loops as kernels
from diagnose.toolpath.columns import Floats, Ints, Moves
from diagnose.toolpath.loops import Loops

SeamStyle = Literal["aligned", "corners", "scattered", "none"]

SHARP = np.radians(40.0)
"""Bend that makes a corner of a joint (common practice, no source)."""
ALIGNED = 0.8
"""Mean resultant length from which places count as one line."""
CORNER_SHARE = 0.7
COMMON_CORNERS = 0.5
"""Of a contour's joints: above this every beginning is at a corner, and tells nothing."""
LEAST_COLUMN = 5
EFFORT = 1e6


@dataclass(slots=True)
class Seams:
    """One entry a loop of the outer contour, in order of objects and layers; (seams,)."""

    move: Ints
    """The move that begins the loop."""
    x: Floats
    y: Floats
    z: Floats
    """Where it begins, mm."""
    angle: Floats
    """rad round the axis of the part from the x axis, -pi to pi."""
    own_angle: Floats
    """The same round the middle of the loop itself: what counts where a plate holds several parts."""
    axis: tuple[float, float]
    """Where that axis stands: the middle of the outer contour, mm."""
    column: Ints
    """Loops above each other share a number."""
    at_corner: Floats
    """1 where the loop begins at a corner, else 0."""


@dataclass(slots=True)
class SeamPattern:
    """How the beginnings of loops lie to each other, column by column."""

    style: SeamStyle
    resultant: float
    """Mean resultant length of the angles round the middle of each loop, 0 (all round) to 1 (one line); NaN without."""
    stepwise: float
    """The same of the changes from each loop to the one above it: 1 for a line that wanders slowly."""
    p_uniform: float
    """Chance of such a resultant if the places were random (Rayleigh); see `rayleigh`."""
    corner_share: float
    """Of loops that begin at a corner."""
    corner_chance: float
    """The same if each loop began at a joint picked at random."""


def find_seams(moves: Moves, loops: Loops, object_first: Ints) -> tuple[Seams, SeamPattern]:
    """Return the seams of the outer contour and their pattern. A spiral has no loops, so no seams.

    `object_first` is the first move of each object drawn one after the other.
    """
    chosen = np.flatnonzero(loops.outer)
    part = np.searchsorted(object_first, loops.first[chosen], side="right")
    chosen = chosen[np.lexsort((loops.layer[chosen], part))]
    part = np.searchsorted(object_first, loops.first[chosen], side="right")
    first, last = loops.first[chosen], loops.last[chosen]
    start = np.nan_to_num(moves.start)
    x, y, z = (
        np.where(first > 0, axis[np.maximum(first - 1, 0)], begin)
        for axis, begin in zip((moves.x, moves.y, moves.z), start, strict=True)
    )
    cx, cy, path = loops.cx[chosen], loops.cy[chosen], loops.path[chosen]
    total = float(path.sum()) or 1.0
    axis = (float((cx * path).sum() / total), float((cy * path).sum() / total))
    at_corner, chance = np.zeros(len(chosen), np.bool_), np.empty(len(chosen))
    kernels.corners(start, moves.x, moves.y, first, last, SHARP, at_corner, chance)
    column, below = np.empty(len(chosen), np.int64), np.empty(len(chosen), np.int64)
    layer = loops.layer[chosen]
    new = np.flatnonzero((np.diff(layer) != 0) | (np.diff(part) != 0)) + 1
    bounds = np.concatenate([[0], new, [len(chosen)]]).astype(np.int64)
    columns = kernels.link(bounds, cx, cy, loops.area[chosen], EFFORT, column, below)
    seams = Seams(
        move=first, x=x, y=y, z=z, angle=np.arctan2(y - axis[1], x - axis[0]),
        own_angle=np.arctan2(y - cy, x - cx), axis=axis, column=column, at_corner=at_corner.astype(np.float64),
    )  # fmt: skip
    return seams, _pattern(seams.own_angle, column, columns, below, at_corner.astype(np.float64), chance)


def rayleigh(resultant: float, count: int) -> float:
    """Return the chance that random angles have at least this mean resultant length.

    exp(sqrt(1 + 4n + 4(n^2 - R^2)) - (1 + 2n)) with R = n * resultant (Zar 2010, 27.4). For few angles that lie tight
    it is too large (six at 0.994: 4e-4 in place of 1.5e-6, Kluyver 1905), so it errs towards no pattern.
    """
    n, r = float(count), count * resultant
    return float(np.exp(np.sqrt(1 + 4 * n + 4 * max(n * n - r * r, 0.0)) - (1 + 2 * n)))


def _pattern(angle: Floats, column: Ints, columns: int, below: Ints, corner: Floats, chance: Floats) -> SeamPattern:
    if not len(angle):
        return SeamPattern("none", np.nan, np.nan, np.nan, np.nan, np.nan)
    size = np.bincount(column, minlength=columns)
    # Columns too short to show a line are left out, unless there is no other.
    counted = size[column] >= min(LEAST_COLUMN, int(size.max()))
    sums = np.bincount(column[counted], np.exp(1j * angle[counted]).real, minlength=columns)
    sines = np.bincount(column[counted], np.exp(1j * angle[counted]).imag, minlength=columns)
    resultants = np.hypot(sums, sines)
    resultant = float(resultants.sum() / counted.sum())
    largest = int(np.argmax(size))
    p = rayleigh(float(resultants[largest] / size[largest]), int(size[largest]))
    steps = np.flatnonzero(counted & (below >= 0))
    stepwise = float(np.cos(angle[steps] - angle[below[steps]]).mean()) if len(steps) else np.nan
    corner_share, corner_chance = float(corner[counted].mean()), float(chance[counted].mean())
    style: SeamStyle = "scattered"
    # One line in one corner is a line; only where beginnings go from corner to corner do corners say more.
    if resultant >= ALIGNED:
        style = "aligned"
    elif corner_share >= CORNER_SHARE and corner_chance <= COMMON_CORNERS and corner_share >= 2 * corner_chance:
        style = "corners"
    elif stepwise >= ALIGNED:
        style = "aligned"
    return SeamPattern(style, resultant, stepwise, p, corner_share, corner_chance)
