"""What lies below each drawn move: a grid of the top two moves of every place."""

from __future__ import annotations

import numpy as np

from diagnose.toolpath._kernels import kernel
from diagnose.toolpath.columns import Bytes, Floats, Int32s, Ints

DRAWN, ASKED, WALL = 1, 2, 4
"""Bits of a move's part: it holds up others; it is asked whether something holds it; it counts as outer wall."""
STRAIGHT = 0.9962
"""Cosine of 5 degrees; pieces that bend less are one straight extrusion."""
LONG = 16
"""Cells a long move passes over."""
ANCHOR_REACH = 3
"""Cells of half a line: an end of a bridge rests on what lies within one and a half lines."""
MOVE = (1 << 32) - 1
"""Bits of a cell's entry that tell the move; its layer stands above them. An entry below 0 is none."""


@kernel
def sort_out(
    start: Floats, x: Floats, y: Floats, length: Floats, layer: Int32s, role: Bytes, of_short: Bytes, of_long: Bytes,
    least: float, part: Bytes, box: Floats,
) -> None:  # fmt: skip
    """Write the part of every move by its role, and whether it is `least` mm long; box of what is drawn.

    `of_short` and `of_long` (256,) give the bits of a role; `box` gets low x, low y, high x, high y.
    """
    lx = ly = np.inf
    hx = hy = -np.inf
    px, py = start[0], start[1]
    for i in range(len(x)):
        bits = of_long[role[i]] if length[i] >= least else of_short[role[i]]
        if layer[i] < 0 or not length[i] > 0.0:
            bits = np.uint8(0)
        part[i] = bits
        if bits:
            lx, hx = min(lx, px, x[i]), max(hx, px, x[i])
            ly, hy = min(ly, py, y[i]), max(hy, py, y[i])
        px, py = x[i], y[i]
    box[0], box[1], box[2], box[3] = lx, ly, hx, hy


@kernel
def held(
    px: float, py: float, pz: float, here: int, start: Floats, x: Floats, y: Floats, z: Floats,
    two: Ints, columns: int, rows: int, cx: int, cy: int, cells: int, reach: float, gap: float,
) -> bool:  # fmt: skip
    """Return whether a line of a lower layer passes within `reach` mm of a point, seen from above.

    Looks at the cells around (cx, cy) up to `cells` away. The line must lie below, by no more than `gap` mm.
    """
    for ring in range(cells + 1):
        for dy in range(-ring, ring + 1):
            row = cy + dy
            if row < 0 or row >= rows:
                continue
            step = 1 if abs(dy) == ring else 2 * ring
            for dx in range(-ring, ring + 1, step):
                column = cx + dx
                if column < 0 or column >= columns:
                    continue
                at = 2 * (row * columns + column)
                entry = two[at] if two[at] >> 32 < here else two[at + 1]
                if entry < 0 or entry >> 32 >= here:
                    continue
                m = entry & MOVE
                if pz - z[m] > gap:
                    continue
                ax, ay = (x[m - 1], y[m - 1]) if m > 0 else (start[0], start[1])
                ux, uy = x[m] - ax, y[m] - ay
                qx, qy = px - ax, py - ay
                square = ux * ux + uy * uy
                across, along = ux * qy - uy * qx, ux * qx + uy * qy
                if across * across > reach * reach * square:
                    continue
                # Past an end of the line its width reaches as far as beside it.
                if along < 0.0 and along * along > reach * reach * square:
                    continue
                past = along - square
                if past > 0.0 and past * past > reach * reach * square:
                    continue
                return True
    return False


@kernel
def below(
    start: Floats, x: Floats, y: Floats, z: Floats, length: Floats, part: Bytes, layer: Int32s, gap: Floats,
    cell: float, left: float, low: float, columns: int, rows: int, two: Ints, reach: float, least_bridge: float,
    path: Floats, hanging: Floats, first: Ints, bridge_move: Ints, bridge_length: Floats,
) -> int:  # fmt: skip
    """Add up outer wall and how much of it nothing holds, by layer; write the bridges; return how many there are.

    Moves are sampled at steps of a cell, long ones of two; each sample looks for a line of a lower layer, then takes its
    cell. Of long fill only every fourth sample looks, and those before it where it finds nothing.
    A cell keeps the last move of the layer drawn there and of the one before, in `two` (2 columns rows,), at first all
    -1. `gap` (layers,) is how far below, in mm,
    a line may lie, and the bed too. `first` gets the first hanging move of each layer, `bridge_move` and
    `bridge_length` straight pieces of at least `least_bridge` mm that hang between two held ends.
    """
    bridges = 0
    # The stretch that hangs just now: its length so far, whether its beginning is held, and its heading there.
    loose = 0.0
    anchored = False
    hx = hy = 0.0
    inverse = 1.0 / cell
    near, far = int(np.int64(1)), int(np.int64(ANCHOR_REACH))  # of one type, lest `held` is compiled twice
    for i in range(len(x)):
        bits = part[i]
        if bits == 0:
            loose, anchored = 0.0, False
            continue
        k = layer[i]
        ax, ay, az = (x[i - 1], y[i - 1], z[i - 1]) if i > 0 else (start[0], start[1], start[2])
        ux, uy, uz = x[i] - ax, y[i] - ay, z[i] - az
        run = length[i]
        steps = int(run * inverse) + 1
        ask = bits & ASKED
        wall = bits & WALL
        stride = 1
        if steps > LONG:
            # Every second cell is enough: whoever looks for this line looks at the cells around its own too.
            steps = steps // 2 + 1
            if not wall:
                stride = max(1, int(least_bridge * steps / run) - 1)
        if ask:
            if loose > 0.0 and hx * ux + hy * uy < STRAIGHT * run:
                # Bent: what hung so far ends here, and is a bridge if this corner is held.
                if anchored and loose >= least_bridge and bridges < len(bridge_move):
                    cx, cy = int((ax - left) * inverse), int((ay - low) * inverse)
                    if held(ax, ay, az, k, start, x, y, z, two, columns, rows, cx, cy, far,
                            ANCHOR_REACH * reach, gap[k]):  # fmt: skip
                        bridge_move[bridges], bridge_length[bridges] = i - 1, loose
                        bridges += 1
                loose, anchored = 0.0, False
        else:
            loose, anchored = 0.0, False
        share = 1.0 / steps
        gx, gy = (ax - left) * inverse, (ay - low) * inverse
        dx, dy = ux * inverse * share, uy * inverse * share
        mine = (np.int64(k) << 32) | i
        s = 0
        while s < steps:
            if ask:
                cx, cy = int(gx + (s + 0.5) * dx), int(gy + (s + 0.5) * dy)
                t = (s + 0.5) * share
                px, py, pz = ax + t * ux, ay + t * uy, az + t * uz
                rests = k == 0 or pz <= gap[k]
                if not rests:
                    # On a wall that stands upright the cell itself decides, and its line is near: no call, no ends.
                    at = 2 * (cy * columns + cx)
                    entry = two[at] if two[at] >> 32 != k else two[at + 1]
                    m = entry & MOVE
                    if entry >= 0 and m > 0 and entry >> 32 < k and pz - z[m] <= gap[k]:
                        qx, qy = x[m - 1], y[m - 1]
                        mx, my = x[m] - qx, y[m] - qy
                        across = mx * (py - qy) - my * (px - qx)
                        rests = across * across <= reach * reach * (mx * mx + my * my)
                if not rests:
                    rests = held(
                        px, py, pz, k, start, x, y, z, two, columns, rows, cx, cy, near, reach, gap[k]
                    )
                if wall:
                    path[k] += run * share
                    if not rests:
                        hanging[k] += run * share
                        if first[k] < 0:
                            first[k] = i
                if rests:
                    if anchored and loose >= least_bridge and bridges < len(bridge_move):
                        bridge_move[bridges], bridge_length[bridges] = i, loose
                        bridges += 1
                    loose, anchored = 0.0, True
                else:
                    if loose == 0.0:
                        hx, hy = ux / run, uy / run
                        # Where did it begin to hang, among the samples skipped?
                        for back in range(1, min(stride, s + 1)):
                            t = (s - back + 0.5) * share
                            px, py, pz = ax + t * ux, ay + t * uy, az + t * uz
                            bx, by = int((px - left) * inverse), int((py - low) * inverse)
                            if held(px, py, pz, k, start, x, y, z, two, columns, rows, bx, by, near, reach, gap[k]):
                                break
                            loose += run * share
                        if s == 0 and not anchored:
                            # Held by what it begins beside, a line or so behind.
                            bx, by = int((ax - left) * inverse), int((ay - low) * inverse)
                            anchored = held(ax, ay, az, k, start, x, y, z, two, columns, rows, bx, by,
                                            far, ANCHOR_REACH * reach, gap[k])  # fmt: skip
                    loose += run * share
            # Cells are taken up to the next sample that looks.
            until = steps
            if ask:
                until = s + 1 if loose > 0.0 else min(steps, s - s % stride + stride)
            while s < until:
                at = 2 * (int(gy + (s + 0.5) * dy) * columns + int(gx + (s + 0.5) * dx))
                if two[at] >> 32 != k:
                    two[at + 1] = two[at]
                two[at] = mine
                s += 1
        ends = i + 1 == len(x) or not part[i + 1] & ASKED
        if ask and ends and anchored and loose >= least_bridge and bridges < len(bridge_move):
            cx, cy = int((x[i] - left) * inverse), int((y[i] - low) * inverse)
            if held(x[i], y[i], z[i], k, start, x, y, z, two, columns, rows, cx, cy, far,
                    ANCHOR_REACH * reach, gap[k]):  # fmt: skip
                bridge_move[bridges], bridge_length[bridges] = i, loose
                bridges += 1
            loose, anchored = 0.0, False
    return bridges
