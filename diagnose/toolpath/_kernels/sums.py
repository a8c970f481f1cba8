"""Kernels of the stage `sums`: one pass over the moves for everything that is told layer by layer."""

from __future__ import annotations

import numpy as np

from diagnose.toolpath._kernels import kernel
from diagnose.toolpath.columns import Bools, Bytes, Floats, Int32s, Ints, Singles


@kernel
def by_layer(
    layer: Int32s, role: Bytes, outer: int, length: Floats, filament: Floats, feed: Singles, x: Floats, y: Floats, z: Floats,
    slowest: float, sums: Floats, box: Floats, ends: Ints,
) -> tuple[float, float]:  # fmt: skip
    """Add up by layer; return s of the whole job at the speeds asked for, and the most filament pushed by any moment, mm.

    `sums` (8, layers) takes: moves that draw, their s, s of all moves; path, filament and path times speed of the outer
    contour; path and path times speed of everything drawn. `box` (3, 2) takes least and greatest x, y, z of what is
    drawn in layers, as it was where nothing is; `ends` (2,) the first and the last move that draws, -1 for none.
    """
    total = pushed = most = 0.0
    ends[0] = ends[1] = -1
    # Sums of the layer drawn just now stand in registers.
    here = -1
    count = 0
    drawn_s = every_s = wall = wall_filament = wall_feed = drawn = drawn_feed = 0.0
    lx, hx = box[0, 0], box[0, 1]
    ly, hy = box[1, 0], box[1, 1]
    lz, hz = box[2, 0], box[2, 1]
    for i in range(len(layer) + 1):
        k = layer[i] if i < len(layer) else -1
        if k != here:
            if here >= 0:
                sums[0, here] += count
                sums[1, here] += drawn_s
                sums[2, here] += every_s
                sums[3, here] += wall
                sums[4, here] += wall_filament
                sums[5, here] += wall_feed
                sums[6, here] += drawn
                sums[7, here] += drawn_feed
            here = k
            count = 0
            drawn_s = every_s = wall = wall_filament = wall_feed = drawn = drawn_feed = 0.0
        if i == len(layer):
            break
        path = length[i]
        draws = path > 0.0 and filament[i] > 0.0
        asked = feed[i] if feed[i] > slowest else slowest  # an unknown speed is the slowest
        seconds = (path if path > 0.0 else abs(filament[i])) / asked
        total += seconds
        pushed += filament[i]
        most = max(most, pushed)
        every_s += seconds
        if not draws:
            continue
        if ends[0] < 0:
            ends[0] = i
        ends[1] = i
        if k < 0:
            continue
        known = feed[i] if feed[i] > 0.0 else 0.0
        count += 1
        drawn_s += seconds
        drawn += path
        drawn_feed += path * known
        if role[i] == outer:
            wall += path
            wall_filament += filament[i]
            wall_feed += path * known
        lx, hx = min(lx, x[i]), max(hx, x[i])
        ly, hy = min(ly, y[i]), max(hy, y[i])
        lz, hz = min(lz, z[i]), max(hz, z[i])
    box[0, 0], box[0, 1] = lx, hx
    box[1, 0], box[1, 1] = ly, hy
    box[2, 0], box[2, 1] = lz, hz
    return total, most


@kernel
def reserve_by_layer(
    layer: Int32s, length: Floats, filament: Floats, settled: Bools, reserve: Floats, least: Floats, sums: Floats
) -> None:
    """Lower `least` (layers,) to the least settled reserve of moves that draw; add all of theirs to `sums` (layers,)."""
    here, lowest, total = -1, np.inf, 0.0
    for i in range(len(layer)):
        k = layer[i]
        if k >= 0 and length[i] > 0.0 and filament[i] > 0.0:
            if k != here:
                if here >= 0:
                    least[here] = min(least[here], lowest)
                    sums[here] += total
                here, lowest, total = k, np.inf, 0.0
            total += reserve[i]
            if settled[i]:
                lowest = min(lowest, reserve[i])
    if here >= 0:
        least[here] = min(least[here], lowest)
        sums[here] += total
