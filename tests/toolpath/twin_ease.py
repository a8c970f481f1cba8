"""Two paths held against each other by somebody else's geometry, and two jobs by a plain reader: the oracle for `ease`."""

from __future__ import annotations

import math
import re
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray

from tests.toolpath.plain_reader import Step, steps

Floats = NDArray[np.float64]
MOTION = re.compile(rb"^[ \t]*[Gg]0?1(?![0-9.])")
"""Lines of G1, the only ones that may go or change."""
LINE = re.compile(rb"[^\n]*\n|[^\n]+$")


@dataclass(frozen=True)
class Held:
    """How far two jobs lie apart that have all other lines in common."""

    deviation: float
    """Largest distance of any point of either path from the other path, mm."""
    width: float
    """Largest share by which a new move is longer or shorter than the stretch of the old path that got the same filament."""
    filament: tuple[float, float]
    moves: tuple[int, int]


def kept_lines(data: bytes) -> list[bytes]:
    """Return every line that is no G1, as it is, and an empty one for each stretch of G1 between them."""
    found: list[bytes] = []
    for line in LINE.findall(data):
        if MOTION.match(line):
            if not found or found[-1]:
                found.append(b"")
        else:
            found.append(line)
    return found


def apart(old: Floats, new: Floats, step: float = 0.02) -> float:
    """Return the largest distance in the plane of points of either path (n, 3) from the other, by shapely.

    Points are all corners and others every `step` mm at most; between two of them the distance is larger by a hair only.
    """
    worst = 0.0
    for one, other in ((old, new), (new, old)):
        line = shapely.LineString(other[:, :2]) if np.ptp(other[:, :2], axis=0).any() else shapely.Point(other[0, :2])
        worst = max(worst, float(shapely.distance(shapely.points(dense(one, step)[:, :2]), line).max()))
    return worst


def dense(path: Floats, step: float) -> Floats:
    """Return a path (n, 3) with points at most so many mm apart."""
    long = np.linalg.norm(np.diff(path, axis=0), axis=1)
    count = np.maximum(np.ceil(long / step).astype(int), 1)
    pieces = [path[i] + (path[i + 1] - path[i]) * np.arange(c)[:, None] / c for i, c in enumerate(count)]
    return np.vstack([*pieces, path[-1:]])


def hold(old: bytes, new: bytes, step: float = 0.02) -> Held:
    """Read both jobs plainly and hold them against each other; stretches of G1 between other lines go in pairs."""
    assert kept_lines(old) == kept_lines(new)
    a, b = (steps(data.decode("latin-1"), 0.01, 1.0, 35.0) for data in (old, new))
    assert _kinds(a) == _kinds(b)
    worst = width = 0.0
    for mine, his in zip(_stretches(old, a), _stretches(new, b), strict=True):
        assert np.allclose(mine[[0, -1]], his[[0, -1]], rtol=0, atol=1e-6)
        for one, other in between_common_corners(mine, his):
            if not np.array_equal(one[:, :3], other[:, :3]):
                worst = max(worst, apart(one[:, :3], other[:, :3], step), _heights(one, other))
                width = max(width, _widths(one, other))
    return Held(worst, width, (math.fsum(s.e for s in a), math.fsum(s.e for s in b)), (len(a), len(b)))


def between_common_corners(old: Floats, new: Floats) -> Iterator[tuple[Floats, Floats]]:
    """Yield both paths from each corner that they have in common to the next, so that no other turn is near enough to help.

    Common are corners at one place before which as much filament was pushed.
    """
    where: dict[tuple[float, ...], list[int]] = {}
    for i, place in enumerate(map(tuple, np.round(old[:, :3], 9).tolist())):
        where.setdefault(place, []).append(i)
    i = j = 0
    for k, place in enumerate(map(tuple, np.round(new[:, :3], 9).tolist())):
        at = next((a for a in where.get(place, ()) if a > i and abs(old[a, 3] - new[k, 3]) < 1e-6), None)
        if k > j and at is not None:
            yield old[i : at + 1], new[j : k + 1]
            i, j = at, k
    assert (i, j) == (len(old) - 1, len(new) - 1)


def _widths(old: Floats, new: Floats) -> float:
    """Return the largest share by which new moves that print are longer or shorter than what got their filament before."""
    if not (np.diff(old[:, 3]) > 0).all():
        assert np.ptp(old[:, 3]) < 1e-9  # a travel, all of it
        return 0.0
    gone, now = (np.concatenate(([0.0], np.cumsum(_long(path)))) for path in (old, new))
    before = np.diff(np.interp(new[:, 3], old[:, 3], gone))
    return float(np.abs(np.log(np.diff(now) / before)).max())


def _long(path: Floats) -> Floats:
    """Return the lengths (n,) of the moves of a path (n + 1, 4), mm."""
    return np.linalg.norm(np.diff(path[:, :3], axis=0), axis=1)


def _kinds(moves: list[Step]) -> list[tuple[float, int]]:
    """Return speed and sign of the filament of all moves in order, neighbours alike told once."""
    told: list[tuple[float, int]] = []
    for move in moves:
        kind = (round(move.feed, 9), (move.e > 1e-9) - (move.e < -1e-9))
        if not told or told[-1] != kind:
            told.append(kind)
    return told


def _heights(old: Floats, new: Floats) -> float:
    """Return how far heights differ at the same share of the way in the plane."""
    if np.ptp(old[:, 2]) == 0 == np.ptp(new[:, 2]):
        return 0.0 if old[0, 2] == new[0, 2] else math.inf
    gone = [np.concatenate(([0.0], np.cumsum(np.hypot(*np.diff(p[:, :2], axis=0).T)))) for p in (old, new)]
    shares = [g / g[-1] for g in gone]
    every = np.union1d(*shares)
    heights = [np.interp(every, share, path[:, 2]) for share, path in zip(shares, (old, new), strict=True)]
    return float(np.abs(heights[0] - heights[1]).max())


def _stretches(data: bytes, moves: list[Step]) -> list[Floats]:
    """Return the path of each stretch of G1 that other lines bound; the first begins where the head stands.

    Each is (k + 1, 4): X Y Z in mm, and the filament pushed since the stretch began.
    """
    group, groups = 0, [-1]
    for line in LINE.findall(data):
        group += not MOTION.match(line)
        groups.append(group if MOTION.match(line) else -1)
    found: dict[int, list[tuple[float, float, float, float]]] = {}
    before: tuple[float, float, float] | None = None
    for move in moves:
        place = (move.x, move.y, move.z)
        if groups[move.line] >= 0:
            path = found.setdefault(groups[move.line], [(*(before or place), 0.0)])
            path.append((*place, path[-1][3] + move.e))
        before = place
    return [np.array(path) for path in found.values()]
