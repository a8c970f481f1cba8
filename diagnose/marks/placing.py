"""Where on the printed surface each mark may be: pieces of wall with probabilities, given how well it was measured."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from diagnose.marks.model import Marks, Placed
from diagnose.marks.surface import Points, Surface
from diagnose.toolpath.columns import Floats, Ints

REACH = 4.0
"""Errors (standard deviations) beyond which a place is not looked at, and a mark lies off the part."""
STEP = 0.3
"""Errors between the points in which a wall is looked at."""
MOST_POINTS = 3000
"""Points a mark; more are spread evenly over what it may be on."""
LEAST_ARC_MM = 0.3
"""No mark is placed along its wall more finely than this."""


@dataclass(frozen=True, slots=True)
class Candidates:
    """Points on the surface where marks may be; (c,) entries, mark by mark."""

    at: Points
    weight: Floats
    """Probability given that the mark lies anywhere on the surface; adds to 1 for each mark that is on the part."""
    first: Ints
    """(n + 1,) the points of mark i are first[i] to first[i + 1]; none where it lies off the part."""

    @property
    def on(self) -> Ints:
        """Marks that lie on the part."""
        return np.flatnonzero(np.diff(self.first) > 0)


def place(surface: Surface, marks: Marks, turned: float = 0.0) -> tuple[Candidates, Placed]:
    """Return where each mark may be, and the likeliest place of each.

    Errors are normal, in height and along the arc, or in x, y and height. Before measuring a mark may be anywhere on the
    surface, by area.

    Parameters
    ----------
    turned
        deg by which the measured angles are turned, where it is not known how the part was held.
    """
    n = len(marks)
    found = [_one(surface, marks, i, turned) for i in range(n)]
    first = np.concatenate([[0], np.cumsum([len(at) for at, _, _ in found])]).astype(np.int64)
    pieces = np.concatenate([at.piece for at, _, _ in found] or [np.empty(0, np.int64)])
    shares = np.concatenate([at.share for at, _, _ in found] or [np.empty(0)])
    weight = np.concatenate([w for _, w, _ in found] or [np.empty(0)])
    at = Points(pieces, shares)
    here = surface.position(at)
    round_ = surface.angle_of(here)
    best = np.array([a + int(np.argmax(weight[a:b])) if b > a else -1 for a, b in pairwise(first.tolist())], int)
    on = best >= 0
    shown = np.full((4, n), np.nan)
    shown[:, on] = np.vstack([here[best[on], 2], round_[best[on]], here[best[on], 0], here[best[on], 1]])
    line = np.zeros(n, np.int64)
    line[on] = surface.job.file.moves.line[surface.move[pieces[best[on]]]]
    turns = np.zeros(n, np.int64)
    for i in np.flatnonzero(on):
        here_ = slice(first[i], first[i + 1])
        turns[i] = np.count_nonzero(np.bincount(surface.layer[pieces[here_]], weight[here_]) > 0.01)
    off = np.array([d for _, _, d in found])
    return Candidates(at, weight, first), Placed(shown[0], shown[1], shown[2], shown[3], line, off, turns)


def _one(surface: Surface, marks: Marks, i: int, turned: float) -> tuple[Points, Floats, float]:
    """Return points and weights of one mark, none where it lies off the part, and mm to the nearest point."""
    height, err = float(marks.height[i]), float(marks.height_err[i])
    pieces = surface.between(height - REACH * err, height + REACH * err)
    none = Points(np.empty(0, np.int64), np.empty(0))
    if not len(pieces):
        return none, np.empty(0), float(max(surface.low.min() - height, height - surface.high.max(), 0.0))
    flat = np.isfinite(marks.x[i])
    angle = float(marks.angle[i]) + turned
    if flat:
        reach = REACH * float(marks.place_err[i]) + surface.length[pieces]
        middle = (surface.start[pieces, :2] + surface.end[pieces, :2]) / 2
        gap = np.hypot(middle[:, 0] - marks.x[i], middle[:, 1] - marks.y[i])
        near, step = gap <= reach, STEP * max(float(marks.place_err[i]), LEAST_ARC_MM)
    elif np.isfinite(angle):
        start, end = surface.angle_of(surface.start[pieces]), surface.angle_of(surface.end[pieces])
        half = np.abs(_wrapped(end - start)) / 2
        middle_angle = start + _wrapped(end - start) / 2
        near = np.abs(_wrapped(middle_angle - angle)) <= REACH * float(marks.angle_err[i]) + half
        radius = np.hypot(*(surface.start[pieces, :2] - surface.axis).T)
        step = STEP * max(np.radians(float(marks.angle_err[i])) * float(np.median(radius)), LEAST_ARC_MM)
        gap = np.abs(_wrapped(middle_angle - angle)) - half
        gap = np.radians(np.maximum(gap, 0.0)) * radius
    else:
        near, step, gap = np.ones(len(pieces), bool), LEAST_ARC_MM, np.zeros(len(pieces))
    if not near.any():
        return none, np.empty(0), float(gap.min())
    pieces = pieces[near]
    at, part = _cut(surface, pieces, max(step, float(surface.length[pieces].sum()) / MOST_POINTS))
    here = surface.position(at)
    odd = ((here[:, 2] - height) / err) ** 2
    if flat:
        apart = np.hypot(here[:, 0] - marks.x[i], here[:, 1] - marks.y[i])
        odd = odd + (apart / float(marks.place_err[i])) ** 2
        off = np.hypot(apart, here[:, 2] - height)
    elif np.isfinite(angle):
        turn = _wrapped(surface.angle_of(here) - angle)
        radius = np.hypot(here[:, 0] - surface.axis[0], here[:, 1] - surface.axis[1])
        spread = np.hypot(float(marks.angle_err[i]), np.degrees(LEAST_ARC_MM / np.maximum(radius, LEAST_ARC_MM)))
        odd = odd + (turn / spread) ** 2
        off = np.hypot(np.radians(np.abs(turn)) * radius, here[:, 2] - height)
    else:
        off = np.abs(here[:, 2] - height)
    nearest = int(np.argmin(odd))
    if odd[nearest] > REACH**2:
        return none, np.empty(0), float(off[nearest])
    weight = part * np.exp(-0.5 * (odd - odd[nearest]))
    keep = weight > 1e-6 * weight.max()
    return Points(at.piece[keep], at.share[keep]), weight[keep] / weight[keep].sum(), float(off[nearest])


def _cut(surface: Surface, pieces: Ints, step: float) -> tuple[Points, Floats]:
    """Return the middles of parts of pieces no longer than a step, and the area of each part."""
    parts = np.ceil(surface.length[pieces] / step).astype(np.int64)
    parts = np.maximum(parts, 1)
    piece = np.repeat(pieces, parts)
    number = np.arange(len(piece)) - np.repeat(np.cumsum(parts) - parts, parts)
    count = np.repeat(parts, parts)
    return Points(piece, (number + 0.5) / count), surface.area[piece] / count


def _wrapped(angle: Floats) -> Floats:
    """Return angles in deg from -180 to 180."""
    found: Floats = (angle + 180.0) % 360.0 - 180.0
    return found
