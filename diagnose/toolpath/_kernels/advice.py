"""Kernel of the stage `advice`: which neighbouring moves one longer move could stand for."""

from __future__ import annotations

import math

from diagnose.toolpath._kernels import kernel
from diagnose.toolpath.columns import Bools, Floats, Int32s, Ints, Singles

LONGEST = 64  # moves in one; keeps the work bounded, and no cure needs more
SAME_BEAD = 0.05  # filament per mm may differ by this share


@kernel
def join(
    start: Floats, x: Floats, y: Floats, z: Floats, e: Floats, feed: Singles, accel: Floats, lines: Int32s, arc: Bools,
    places: Ints, tolerance: float, ends: Bools,
) -> None:  # fmt: skip
    """Fill ends (n,): True where a joined move ends. Corners left out lie within `tolerance` mm of the longer move.

    Joined are extruding moves of one line each, same speed, acceleration and bead, without a command (`places`) or a turn
    of more than a right angle between them.
    """
    n = len(x)
    paced = len(accel) > 0
    event = 0
    first = 0  # the first move of the run that move i may join
    for i in range(n):
        ends[i] = True
        while event < len(places) and places[event] < i:
            event += 1
        if i == 0:
            continue
        p = i - 1
        if event < len(places) and places[event] == i:
            first = i
            continue
        ax = x[first - 1] if first > 0 else start[0]
        ay = y[first - 1] if first > 0 else start[1]
        az = z[first - 1] if first > 0 else start[2]
        bx = x[p - 1] if p > 0 else start[0]
        by = y[p - 1] if p > 0 else start[1]
        bz = z[p - 1] if p > 0 else start[2]
        px, py, pz = x[p] - bx, y[p] - by, z[p] - bz
        qx, qy, qz = x[i] - x[p], y[i] - y[p], z[i] - z[p]
        before, here = math.sqrt(px * px + py * py + pz * pz), math.sqrt(qx * qx + qy * qy + qz * qz)
        fits = (
            i - first < LONGEST
            and not arc[i]
            and not arc[p]
            and lines[i] == 1
            and before > 0.0
            and here > 0.0
            and e[i] > 0.0
            and e[p] > 0.0
            and feed[i] == feed[p]
            and (not paced or accel[i] == accel[p] or (accel[i] != accel[i] and accel[p] != accel[p]))
            and abs(e[i] / here - e[p] / before) <= SAME_BEAD * e[p] / before
            and px * qx + py * qy + pz * qz > 0.0
        )
        if fits:
            cx, cy, cz = x[i] - ax, y[i] - ay, z[i] - az
            chord = math.sqrt(cx * cx + cy * cy + cz * cz)
            fits = chord > 0.0
            for k in range(first, i):
                if not fits:
                    break
                kx, ky, kz = x[k] - ax, y[k] - ay, z[k] - az
                along = (kx * cx + ky * cy + kz * cz) / chord
                off = kx * kx + ky * ky + kz * kz - along * along
                fits = off <= tolerance * tolerance and 0.0 <= along <= chord
        if fits:
            ends[p] = False
        else:
            first = i
