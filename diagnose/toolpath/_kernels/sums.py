"""Kernels of the stage `sums`: one pass over the moves for everything that is told layer by layer."""

from __future__ import annotations

from diagnose.toolpath._kernels import kernel
from diagnose.toolpath.columns import Bools, Bytes, Floats, Int32s, Ints


@kernel
def by_layer(
    layer: Int32s, role: Bytes, outer: int, length: Floats, filament: Floats, feed: Floats, x: Floats, y: Floats, z: Floats,
    slowest: float, sums: Floats, box: Floats, ends: Ints,
) -> tuple[float, float]:  # fmt: skip
    """Add up by layer; return s of the whole job at the speeds asked for, and the most filament pushed by any moment, mm.

    `sums` (8, layers) takes: moves that draw, their s, s of all moves; path, filament and path times speed of the outer
    contour; path and path times speed of everything drawn. `box` (3, 2) takes least and greatest x, y, z of what is
    drawn in layers, as it was where nothing is; `ends` (2,) the first and the last move that draws, -1 for none.
    """
    total = pushed = most = 0.0
    ends[0] = ends[1] = -1
    for i in range(len(layer)):
        path = length[i]
        draws = path > 0.0 and filament[i] > 0.0
        asked = feed[i] if feed[i] > slowest else slowest  # an unknown speed is the slowest
        seconds = (path if path > 0.0 else abs(filament[i])) / asked
        total += seconds
        pushed += filament[i]
        most = max(most, pushed)
        if draws:
            if ends[0] < 0:
                ends[0] = i
            ends[1] = i
        k = layer[i]
        if k < 0:
            continue
        sums[2, k] += seconds
        if not draws:
            continue
        known = feed[i] if feed[i] > 0.0 else 0.0
        sums[0, k] += 1.0
        sums[1, k] += seconds
        sums[6, k] += path
        sums[7, k] += path * known
        if role[i] == outer:
            sums[3, k] += path
            sums[4, k] += filament[i]
            sums[5, k] += path * known
        box[0, 0], box[0, 1] = min(box[0, 0], x[i]), max(box[0, 1], x[i])
        box[1, 0], box[1, 1] = min(box[1, 0], y[i]), max(box[1, 1], y[i])
        box[2, 0], box[2, 1] = min(box[2, 0], z[i]), max(box[2, 1], z[i])
    return total, most


@kernel
def reserve_by_layer(
    layer: Int32s, length: Floats, filament: Floats, settled: Bools, reserve: Floats, least: Floats, sums: Floats
) -> None:
    """Lower `least` (layers,) to the least settled reserve of moves that draw; add all of theirs to `sums` (layers,)."""
    for i in range(len(layer)):
        k = layer[i]
        if k >= 0 and length[i] > 0.0 and filament[i] > 0.0:
            sums[k] += reserve[i]
            if settled[i]:
                least[k] = min(least[k], reserve[i])
