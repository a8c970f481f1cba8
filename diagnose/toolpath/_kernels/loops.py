"""Closed loops, their nesting, and the spacing of what is drawn between them."""

from __future__ import annotations

import numpy as np

from diagnose.toolpath._kernels import kernel
from diagnose.toolpath.columns import Bools, Bytes, Floats, Int32s, Ints

FLAT_MM = 1e-6
LEAST_RAMP = 3
BACK_MM = 0.05
"""From where a loop began to where it ends, in height."""
LEAST_LOOP = 6.0
"""A loop is longer than this many gaps it may leave open."""
LEAST_WIDTH_MM = 0.15
"""Twice the area over the length: narrower ones are a line drawn forth and back."""
WIPED_SHARE = 0.5
"""Of a loop's drawn length, that moves which draw nothing, or the first of the next layer, may add to close it."""
EARLY_SHARE = 0.15
"""Of a loop's length, that may be missing where drawing simply stops early and lets the pressure fill the rest."""
MOST_LINKS = 3
"""Moves of a drawn way from one loop to the next."""
ROUNDNESS = 0.2
"""4 pi area / length^2 of such a loop: 1 for a circle, 0.79 for a square, near 0 for lines drawn to and fro."""


@kernel
def once_round(x: Floats, y: Floats, sx: float, sy: float, first: int, last: int) -> bool:
    """Return whether the heading turns about once over the moves, less what the closing corner may add."""
    bends = 0.0
    hx, hy = x[first] - sx, y[first] - sy
    for i in range(first + 1, last + 1):
        dx, dy = x[i] - x[i - 1], y[i] - y[i - 1]
        bends += np.arctan2(hx * dy - hy * dx, hx * dx + hy * dy)
        hx, hy = dx, dy
    return 1.2 * np.pi <= abs(bends) <= 2.5 * np.pi


@kernel
def follow(
    start: Floats, x: Floats, y: Floats, z: Floats, length: Floats, kind: Bytes, skip: Bools, gap: float, drop: float,
    climb: float, back: float, first: int,
) -> tuple[int, int, float]:  # fmt: skip
    """Follow what is drawn from a move on; return the move that closes a loop (-1: none), where it ends, and its area.

    A loop comes back to where it began within `gap` mm; the point closest to the beginning closes it. Where drawing
    ends short of it, moves that follow may close it. Area in mm2, positive when the loop runs anticlockwise. On the way
    its height may fall by `drop` mm and rise by `climb` mm below and above its beginning, at the end by `back` mm.
    """
    n = len(x)
    sx, sy, sz = (x[first - 1], y[first - 1], z[first - 1]) if first > 0 else (start[0], start[1], start[2])
    near = gap * gap
    path = area = 0.0
    px, py = sx, sy
    j = first
    while j < n and kind[j] == 1 and not skip[j] and -drop <= z[j] - sz <= climb:
        area += ((px - sx) * (y[j] - sy) - (x[j] - sx) * (py - sy)) / 2.0
        path += length[j]
        px, py = x[j], y[j]
        away = (px - sx) ** 2 + (py - sy) ** 2
        if away <= near and z[j] - sz <= back and path > LEAST_LOOP * gap and 2.0 * abs(area) >= LEAST_WIDTH_MM * path:
            nearer = (
                j + 1 < n and kind[j + 1] == 1 and not skip[j + 1] and -drop <= z[j + 1] - sz <= climb
                and (x[j + 1] - sx) ** 2 + (y[j + 1] - sy) ** 2 < away
            )  # fmt: skip
            if not nearer:
                return j, j + 1, area
        j += 1
    if path > LEAST_LOOP * gap and once_round(x, y, sx, sy, first, j - 1):
        # Drawing may stop early: the head then follows the loop to its beginning, or another loop begins.
        away = np.hypot(px - sx, py - sy)
        if away <= EARLY_SHARE * path and 4.0 * np.pi * abs(area) >= ROUNDNESS * path * path:
            return j - 1, j, area
        on = abs(area) >= LEAST_WIDTH_MM * path
        left = WIPED_SHARE * path
        k = j
        while on and k < n and kind[k] != 3:
            left -= length[k]
            if left < 0.0:
                break
            if (x[k] - sx) ** 2 + (y[k] - sy) ** 2 <= near:
                return j - 1, j, area
            on = kind[k] != 1
            k += 1
    return -1, j, area


@kernel
def trace(
    start: Floats, x: Floats, y: Floats, z: Floats, length: Floats, kind: Bytes, skip: Bools, gap: float, drift: float, ramp: float,
    loop_first: Ints, loop_last: Ints, loop_area: Floats, open_first: Ints, open_last: Ints,
) -> tuple[int, int]:  # fmt: skip
    """Cut what is drawn at one height into closed loops and open runs; return how many of each.

    `drift` is how far, in mm, the height may stray within a loop, `ramp` how far a loop may climb while it begins.
    """
    n = len(x)
    loops = opens = 0
    i = int(np.int64(0))  # of one type from the start, lest callees are compiled twice
    while i < n:
        below = z[i - 1] if i > 0 else start[2]
        if kind[i] != 1 or skip[i]:
            i += 1
            continue
        drop, climb, back = drift, drift, BACK_MM
        if abs(z[i] - below) > drift:
            # Several pieces that climb are the ramp of a loop; a lone drawn rise is a way from layer to layer.
            j = i
            while j < n and kind[j] == 1 and not skip[j] and z[j] > below and z[j] - below <= ramp and (
                j == i or z[j] > z[j - 1]
            ):  # fmt: skip
                j += 1
            if j - i < LEAST_RAMP:
                i += 1
                continue
            drop, climb, back = FLAT_MM, ramp, ramp
        closed, end, area = follow(start, x, y, z, length, kind, skip, gap, drop, climb, back, i)
        if closed < 0 and loops > 0 and loop_last[loops - 1] == i - 1:
            # A short drawn way may join this loop to the one before.
            for link in range(1, min(MOST_LINKS, end - i - 1) + 1):
                closed, _end, area = follow(start, x, y, z, length, kind, skip, gap, drop, climb, back, i + link)
                if closed >= 0:
                    open_first[opens], open_last[opens] = i, i + link - 1
                    opens += 1
                    i += link
                    break
        if closed >= 0:
            loop_first[loops], loop_last[loops], loop_area[loops] = i, closed, area
            loops += 1
            i = closed + 1
        else:
            open_first[opens], open_last[opens] = i, end - 1
            opens += 1
            i = end
    return loops, opens


@kernel
def describe(
    x: Floats, y: Floats, length: Floats, first: Ints, last: Ints,
    path: Floats, cx: Floats, cy: Floats, box: Floats,
) -> None:  # fmt: skip
    """Write length, centre of the line, and bounding box (low x, low y, high x, high y) of every loop."""
    for k in range(len(first)):
        p = sx = sy = 0.0
        lx = ly = np.inf
        hx = hy = -np.inf
        for i in range(first[k], last[k] + 1):
            p += length[i]
            j = i - 1 if i > first[k] else last[k]
            sx += length[i] * (x[i] + x[j]) / 2.0
            sy += length[i] * (y[i] + y[j]) / 2.0
            lx, hx = min(lx, x[i]), max(hx, x[i])
            ly, hy = min(ly, y[i]), max(hy, y[i])
        path[k] = p
        cx[k], cy[k] = sx / p, sy / p
        box[k, 0], box[k, 1], box[k, 2], box[k, 3] = lx, ly, hx, hy


@kernel
def inside(px: float, py: float, x: Floats, y: Floats, first: int, last: int) -> bool:
    """Return whether a point lies inside the polygon of the ends of moves `first` to `last` (even-odd rule)."""
    within = False
    ax, ay = x[last], y[last]
    for i in range(first, last + 1):
        bx, by = x[i], y[i]
        if (by > py) != (ay > py) and px < (ax - bx) * (py - by) / (ay - by) + bx:
            within = not within
        ax, ay = bx, by
    return within


@kernel
def nest(
    x: Floats, y: Floats, first: Ints, last: Ints, area: Floats, box: Floats, bounds: Ints,
    runs_first: Ints, runs_bounds: Ints, effort: float, depth: Int32s, parent: Ints, filled: Bools,
    held: Bools,
) -> None:  # fmt: skip
    """Write how many loops of its layer hold each loop, the smallest that does, which loops hold open runs, and
    which runs are held (true too where that was not looked at).

    Loops and runs come sorted by layer; those of layer k are `bounds[k]` to `bounds[k + 1]`. `effort` bounds the work
    of a layer in vertices tested per move; past it only bounding boxes are compared.
    """
    for layer in range(len(bounds) - 1):
        low, high = bounds[layer], bounds[layer + 1]
        moves = 0.0
        for k in range(low, high):
            moves += last[k] - first[k] + 1
        left = effort * moves + 1e5
        for k in range(low, high):
            depth[k], parent[k] = 0, -1
            smallest = np.inf
            px, py = x[first[k]], y[first[k]]
            for m in range(low, high):
                if (
                    m == k or abs(area[m]) <= abs(area[k])
                    or box[k, 0] < box[m, 0] or box[k, 1] < box[m, 1] or box[k, 2] > box[m, 2] or box[k, 3] > box[m, 3]
                ):  # fmt: skip
                    continue
                if left > 0:
                    left -= last[m] - first[m] + 1
                    if not inside(px, py, x, y, first[m], last[m]):
                        continue
                depth[k] += 1
                if abs(area[m]) < smallest:
                    smallest, parent[k] = abs(area[m]), m
        for q in range(runs_bounds[layer], runs_bounds[layer + 1]):
            px, py = x[runs_first[q]], y[runs_first[q]]
            smallest = np.inf
            holder = -1
            for m in range(low, high):
                if abs(area[m]) >= smallest or px < box[m, 0] or py < box[m, 1] or px > box[m, 2] or py > box[m, 3]:
                    continue
                if left <= 0:
                    held[q] = True
                    break
                left -= last[m] - first[m] + 1
                if inside(px, py, x, y, first[m], last[m]):
                    smallest, holder = abs(area[m]), m
            if holder >= 0:
                filled[holder] = held[q] = True


@kernel
def spacing(
    start: Floats, x: Floats, y: Floats, layer: Int32s, first: Ints, last: Ints, least: float, farthest: float,
    out: Floats, parallel: Floats,
) -> None:  # fmt: skip
    """Write the mean distance in mm between neighbouring parallel lines of every open run; NaN where it has none;
    and the share of its path that such lines are.

    Lines are the straight pieces longer than `least`; each is held against the one drawn before it in its layer.
    A run without them that winds round at least three times fills the ellipse in its bounding box: area over length. One
    that waves to and fro fills that box, unless it is narrower than two lines.
    """
    here = -1
    ux = uy = ax = ay = 0.0
    known = False
    for k in range(len(first)):
        total = weight = whole = 0.0
        if layer[first[k]] != here:
            here = layer[first[k]]
            known = False
        for i in range(first[k], last[k] + 1):
            qx, qy = (x[i - 1], y[i - 1]) if i > 0 else (start[0], start[1])
            dx, dy = x[i] - qx, y[i] - qy
            run = np.sqrt(dx * dx + dy * dy)
            whole += run
            if run < least:
                continue
            dx, dy = dx / run, dy / run
            if known and abs(ux * dy - uy * dx) < 0.1:
                apart = abs((qx + x[i] - 2.0 * ax) * -uy + (qy + y[i] - 2.0 * ay) * ux) / 2.0
                if 1e-3 < apart <= farthest:
                    total += apart * run
                    weight += run
            ux, uy = dx, dy
            ax, ay = (qx + x[i]) / 2.0, (qy + y[i]) / 2.0
            known = True
        out[k] = total / weight if weight > 0 else np.nan
        parallel[k] = weight / whole
        if weight == 0.0:
            bends = wobble = path = hx = hy = 0.0
            lx = ly = np.inf
            gx = gy = -np.inf
            for i in range(first[k] + 1, last[k] + 1):
                dx, dy = x[i] - x[i - 1], y[i] - y[i - 1]
                bend = np.arctan2(hx * dy - hy * dx, hx * dx + hy * dy)
                bends += bend
                wobble += abs(bend)
                hx, hy = dx, dy
                path += np.hypot(dx, dy)
                lx, gx, ly, gy = min(lx, x[i]), max(gx, x[i]), min(ly, y[i]), max(gy, y[i])
            if abs(bends) > 6.0 * np.pi:
                out[k] = np.pi / 4.0 * (gx - lx) * (gy - ly) / path
            elif wobble > 2.0 * np.pi and min(gx - lx, gy - ly) > 0.7 * least:
                out[k] = (gx - lx) * (gy - ly) / path


@kernel
def paint(first: Ints, last: Ints, value: Bytes, role: Bytes) -> None:
    """Write a role over the moves of every stretch."""
    for k in range(len(first)):
        for i in range(first[k], last[k] + 1):
            role[i] = value[k]


@kernel
def corners(
    start: Floats, x: Floats, y: Floats, first: Ints, last: Ints, sharp: float, at_seam: Bools, share: Floats
) -> None:
    """Write whether each loop begins at a corner, and which share of its joints are corners (bend over `sharp`)."""
    least = np.cos(sharp)
    least *= least  # a bend within a right angle is sharp where its cosine lies below
    for k in range(len(first)):
        a, b = first[k], last[k]
        qx, qy = (x[a - 1], y[a - 1]) if a > 0 else (start[0], start[1])
        fx, fy = x[a] - qx, y[a] - qy
        px, py = fx, fy
        sharp_ones = joints = 0
        for i in range(a + 1, b + 1):
            dx, dy = x[i] - x[i - 1], y[i] - y[i - 1]
            if dx == 0.0 and dy == 0.0:
                continue
            joints += 1
            along = px * dx + py * dy
            if along <= 0.0 or along * along < least * (px * px + py * py) * (dx * dx + dy * dy):
                sharp_ones += 1
            px, py = dx, dy
        # Between end and beginning there may be a gap; its chord is a piece of the outline.
        gx, gy = qx - x[b], qy - y[b]
        if gx * gx + gy * gy < 0.0025:
            gx, gy = px, py
        bend = max(
            abs(np.arctan2(px * gy - py * gx, px * gx + py * gy)), abs(np.arctan2(gx * fy - gy * fx, gx * fx + gy * fy))
        )
        at_seam[k] = bend > sharp
        share[k] = (sharp_ones + at_seam[k]) / (joints + 1)


@kernel
def link(bounds: Ints, cx: Floats, cy: Floats, area: Floats, effort: float, group: Ints, before: Ints) -> int:
    """Join loops of neighbouring layers whose centres agree to columns; return how many columns there are.

    `before` is the loop below each loop, or -1. Layers with so many loops that comparing all would take more than
    `effort` pairs begin new columns.
    """
    count = 0
    below_low = below_high = 0
    for layer in range(len(bounds) - 1):
        low, high = bounds[layer], bounds[layer + 1]
        if low == high:
            continue
        compare = (high - low) * (below_high - below_low) <= effort
        for k in range(low, high):
            nearest = np.inf
            before[k] = -1
            if compare:
                for m in range(below_low, below_high):
                    ratio = abs(area[k]) / abs(area[m])
                    away = np.hypot(cx[k] - cx[m], cy[k] - cy[m])
                    if 0.5 < ratio < 2.0 and away < 0.25 * np.sqrt(abs(area[k])) and away < nearest:
                        nearest, before[k] = away, m
            if before[k] >= 0:
                group[k] = group[before[k]]
            else:
                group[k] = count
                count += 1
        below_low, below_high = low, high
    return count
