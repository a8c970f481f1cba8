"""Kernels of the stage `ease`: which corners of a path one longer move may leave out, and where its own must lie."""

from __future__ import annotations

import math

from diagnose.toolpath._kernels import kernel
from diagnose.toolpath.columns import Bools, Bytes, Floats, Int32s

JOINS, LENGTHS, PLACED = 2, 8, 16
"""Flags of moves as in `ease`; the compiler's cache of this file would not see them change there."""

CHOICES = 5
"""Places tried for an end: where it is, and two to either side."""
FITS, NEARLY, NEVER = range(3)
"""One move may stand for others; not so; not even if either of its ends is shifted."""


@kernel
def fits(
    i: int, j: int, ax: float, ay: float, az: float, dx: float, dy: float, x: Floats, y: Floats, z: Floats,
    length: Floats, pushed: Floats, lengths: bool, bounds: Floats, fineness: Floats,
) -> int:  # fmt: skip
    """Return whether one straight move FITS moves i to j, or will NEVER: from (ax, ay, az) to the end of j shifted by (dx, dy).

    Its Fréchet distance from them must not exceed the tolerance: places within it of the corners left out are passed in
    order [1]_. `bounds` are the tolerance in mm; the share by which the path may get shorter or longer; and, beyond what
    rounding of the written words explains, the shares by which filament per mm and rise per mm may differ from a common
    value. `fineness` is one unit of the last written digit of X and Y, Z, E.

    .. [1] Alt and Godau, "Computing the Fréchet distance between two polygonal curves", Int. J. Comput. Geom. Appl. 5
       (1995) 75: for a segment and a chain the free space is one interval a corner (from memory).
    """
    tolerance, other, bead, slope = bounds[0], bounds[1], bounds[2], bounds[3]
    cx, cy, cz = x[j] + dx - ax, y[j] + dy - ay, z[j] - az
    chord = math.sqrt(cx * cx + cy * cy + cz * cz)
    if not chord > 0.0:
        return NEARLY
    cx, cy, cz = cx / chord, cy / chord, cz / chord
    unsure = math.sqrt(2.0) * fineness[0]  # half a digit of either coordinate at either end
    unsure_e = fineness[2] * (0.5 if lengths else 1.0)
    least, most = 0.0, math.inf
    flattest, steepest = -math.inf, math.inf
    path = passed = 0.0
    below = az
    for k in range(i, j + 1):
        long = length[k]
        path += long
        if path > (1.0 + other) * chord:
            return NEARLY if path <= (1.0 + other) * (chord + 2.0 * tolerance) else NEVER
        if long > unsure:
            if pushed[k] > 0.0:
                least = max(least, (1.0 - bead) * (pushed[k] - unsure_e) / (long + unsure))
                most = min(most, (1.0 + bead) * (pushed[k] + unsure_e) / (long - unsure))
            climb = z[k] - below
            flattest = max(flattest, (climb - fineness[1] - slope * abs(climb)) / long)
            steepest = min(steepest, (climb + fineness[1] + slope * abs(climb)) / long)
        below = z[k]
        if least > most or flattest > steepest:
            return NEVER
        if k == j:
            break
        wx, wy, wz = x[k] - ax, y[k] - ay, z[k] - az
        along = wx * cx + wy * cy + wz * cz
        ox, oy, oz = wx - along * cx, wy - along * cy, wz - along * cz
        free = tolerance * tolerance - (ox * ox + oy * oy + oz * oz)
        if free < 0.0:  # a move whose ends are shifted by the tolerance shifts as much at most
            return NEARLY if free >= -3.0 * tolerance * tolerance else NEVER
        half = math.sqrt(free)
        passed = max(passed, along - half)
        if passed > min(chord, along + half):
            return NEARLY
    return FITS if chord <= (1.0 + other) * path else NEARLY


@kernel
def place(
    j: int, choice: int, x: Floats, y: Floats, kind: Bytes, bounds: Floats, fineness: Floats
) -> tuple[bool, int, int]:
    """Return whether the end of move j can be shifted so, and by how many last digits of X and Y.

    Choice 0 leaves it; then come all of the tolerance and half of it to either side. Only a place that the next line states
    anew can be shifted.
    """
    if choice == 0:
        return True, 0, 0
    if j + 1 >= len(kind) or not (kind[j] & PLACED and kind[j + 1] & JOINS and kind[j + 1] & PLACED):
        return False, 0, 0
    tx, ty = x[j + 1] - x[j - 1], y[j + 1] - y[j - 1]
    long = math.sqrt(tx * tx + ty * ty)
    if not long > 0.0:
        return False, 0, 0
    by = bounds[0] / (long * fineness[0]) * (1.0 if choice <= 2 else 0.5) * (1.0 if choice & 1 else -1.0)
    return True, int(ty * by), int(-tx * by)  # towards 0, so that the shift stays within the tolerance


@kernel
def choose(
    i: int, j: int, ax: float, ay: float, az: float, x: Floats, y: Floats, z: Floats, length: Floats, pushed: Floats,
    kind: Bytes, bounds: Floats, fineness: Floats,
) -> tuple[bool, int, int]:  # fmt: skip
    """Return whether one move may stand for moves i to j, and by how many last digits its end must be shifted for that.

    With corners shifted outwards and chords inside, a curve takes half as many of them, and the part keeps its size.
    """
    lengths = kind[i] & LENGTHS != 0
    for choice in range(CHOICES):
        free, kx, ky = place(j, choice, x, y, kind, bounds, fineness)
        if not free:
            break
        dx, dy = kx * fineness[0], ky * fineness[0]
        how = fits(i, j, ax, ay, az, dx, dy, x, y, z, length, pushed, lengths, bounds, fineness)
        if how == NEVER and choice == 0:
            break
        if how != FITS:
            continue
        # From a shifted end the next move must get on by itself, should nothing better be found for it.
        sx, sy, n = x[j] + dx, y[j] + dy, j + 1
        if choice == 0:
            return True, kx, ky
        if fits(n, n, sx, sy, z[j], 0.0, 0.0, x, y, z, length, pushed, lengths, bounds, fineness) == FITS:
            return True, kx, ky
    return False, 0, 0


@kernel
def make_room(
    i: int, ax: float, ay: float, az: float, x: Floats, y: Floats, z: Floats, length: Floats, pushed: Floats,
    kind: Bytes, bounds: Floats, fineness: Floats,
) -> tuple[int, int]:  # fmt: skip
    """Return by how many last digits of X and Y the end of a move joined to none is shifted, so that the next two can be joined."""
    lengths = kind[i] & LENGTHS != 0
    if fits(
        i + 1, i + 2, x[i], y[i], z[i], 0.0, 0.0, x, y, z, length, pushed, lengths, bounds, fineness
    ) == NEVER:  # fmt: skip
        return 0, 0
    for choice in range(CHOICES):
        free, kx, ky = place(i, choice, x, y, kind, bounds, fineness)
        if not free:
            break
        dx, dy = kx * fineness[0], ky * fineness[0]
        if fits(i, i, ax, ay, az, dx, dy, x, y, z, length, pushed, lengths, bounds, fineness) == FITS:
            ox, oy = x[i] + dx, y[i] + dy
            fit, _, _ = choose(i + 1, i + 2, ox, oy, z[i], x, y, z, length, pushed, kind, bounds, fineness)
            if fit:
                return kx, ky
    return 0, 0


@kernel
def simplify(
    kind: Bytes, start: Floats, x: Floats, y: Floats, z: Floats, length: Floats, pushed: Floats,
    bounds: Floats, fineness: Floats, dropped: Bools, shift: Int32s,
) -> None:  # fmt: skip
    """Fill dropped (n,): True where a move ends at a corner that is left out; the next move kept goes on to its own end,
    which is shifted by so many last digits of X and Y, shift (n, 2).

    Each joined move reaches as far as doubling steps and then halving find, in time n log n [1]_. Where a move can be
    joined to none, its end is shifted if the next two can be joined only then.

    .. [1] Agarwal, Har-Peled, Mustafa, Wang, "Near-linear time approximation algorithms for curve simplification",
       Algorithmica 42 (2005) 203, section 3, where corners stay in place (from memory).
    """
    n = len(kind)
    i = 0
    while i < n:
        stop = i + 1
        while stop < n and kind[stop] & JOINS:
            stop += 1
        if stop == i + 1:
            i = stop
            continue
        ax, ay, az = start[0], start[1], start[2]
        if i > 0:
            ax, ay, az = x[i - 1], y[i - 1], z[i - 1]
        while i < stop:
            good, bad, step = i, stop, 1
            gx = gy = 0
            while good + 1 < bad:
                reach = min(i + step, stop - 1) if bad == stop else (good + bad) // 2
                fit, kx, ky = choose(i, reach, ax, ay, az, x, y, z, length, pushed, kind, bounds, fineness)
                if fit:
                    good, gx, gy, step = reach, kx, ky, 2 * step
                else:
                    bad = reach
            if good == i and i + 2 < stop:
                gx, gy = make_room(i, ax, ay, az, x, y, z, length, pushed, kind, bounds, fineness)
            for k in range(i, good):
                dropped[k] = True
            shift[good, 0], shift[good, 1] = gx, gy
            ax, ay, az = x[good] + gx * fineness[0], y[good] + gy * fineness[0], z[good]
            i = good + 1
