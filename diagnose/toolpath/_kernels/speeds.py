"""Kernels of the stage `speeds`: limits of each move, finite look-ahead, durations."""

from __future__ import annotations

import math

import numpy as np

from diagnose.toolpath._kernels import kernel
from diagnose.toolpath.columns import Bools, Floats, Ints, Singles

# Running sums of 2 a L are started afresh beyond this (mm2/s2), lest they swallow the digits of a slow speed.
FRESH_SUM = 1e6


@kernel
def limit_moves(
    start: Floats, x: Floats, y: Floats, z: Floats, e: Floats, feed: Floats, job_accel: Floats, waits: Ints,
    obeys: bool, print_accel: float, travel_accel: float, by_radius: bool,
    row_before: Ints, row_speed: Floats, row_accel: Floats, row_step: Floats, row_deviation: Floats, row_least: Floats,
    axis_speed: Floats, axis_accel: Floats, step: Floats,
    length: Singles, cap: Singles, accel: Singles, entry: Floats,
) -> None:  # fmt: skip
    """Fill length (mm), cap (mm/s), accel (mm/s2) and entry ((mm/s)2); `waits` (m,) are moves begun from rest.

    Row r of the limits holds from move row_before[r] on, the first from 0; `obeys`: the job's acceleration of a
    move counts, if it has one. `axis_speed`, `axis_accel` and `step` (4,) begin as the first row, and take the others in turn.
    """
    here_x, here_y, here_z = start[0], start[1], start[2]
    # Direction, cap and acceleration of the last move that had a length.
    px = py = pz = pe = 0.0
    before_cap = before_accel = 0.0
    before_kind = 0  # 0 none, 1 the head moves, 2 only filament moves
    wait = row = 0
    obeys = obeys and len(job_accel) > 0
    deviation, slowest_print, slowest_travel = row_deviation[0], row_least[0, 0], row_least[0, 1]
    for i in range(len(x)):
        while row + 1 < len(row_before) and row_before[row + 1] <= i:
            row += 1
            for axis in range(4):
                axis_speed[axis], axis_accel[axis] = row_speed[row, axis], row_accel[row, axis]
                step[axis] = row_step[row, axis]
            deviation, slowest_print, slowest_travel = row_deviation[row], row_least[row, 0], row_least[row, 1]
        dx, dy, dz, de = x[i] - here_x, y[i] - here_y, z[i] - here_z, e[i]
        # An axis whose place was never stated has not been seen to move.
        dx = dx if dx == dx else 0.0
        dy = dy if dy == dy else 0.0
        dz = dz if dz == dz else 0.0
        here_x, here_y, here_z = x[i], y[i], z[i]
        from_rest = i == 0
        while wait < len(waits) and waits[wait] <= i:
            from_rest = True
            wait += 1

        path = math.sqrt(dx * dx + dy * dy + dz * dz)
        kind = 1
        if path == 0.0:
            path = abs(de)
            kind = 2
        length[i] = path
        if path == 0.0:
            cap[i] = before_cap if before_cap > 0.0 else 1.0
            accel[i] = before_accel if before_accel > 0.0 else print_accel
            entry[i] = 0.0 if from_rest else before_cap * before_cap
            continue
        ux, uy, uz, ue = dx / path, dy / path, dz / path, de / path

        speed = feed[i] if feed[i] > 0.0 else np.inf
        speed = max(speed, slowest_print if de != 0.0 else slowest_travel)
        rate = job_accel[i] if obeys else 0.0
        if not rate > 0.0:
            rate = print_accel if de != 0.0 else travel_accel
        # Most moves are within what their axes may do: no division tells them so. Written out, for a call costs as much again.
        if speed * abs(ux) > axis_speed[0]:
            speed = axis_speed[0] / abs(ux)
        if rate * abs(ux) > axis_accel[0]:
            rate = axis_accel[0] / abs(ux)
        if speed * abs(uy) > axis_speed[1]:
            speed = axis_speed[1] / abs(uy)
        if rate * abs(uy) > axis_accel[1]:
            rate = axis_accel[1] / abs(uy)
        if speed * abs(uz) > axis_speed[2]:
            speed = axis_speed[2] / abs(uz)
        if rate * abs(uz) > axis_accel[2]:
            rate = axis_accel[2] / abs(uz)
        if speed * abs(ue) > axis_speed[3]:
            speed = axis_speed[3] / abs(ue)
        if rate * abs(ue) > axis_accel[3]:
            rate = axis_accel[3] / abs(ue)
        cap[i], accel[i] = speed, rate
        # The corner's speed is that of the cap as it is kept: a rounding apart, a move would take less than no time.
        speed = np.float64(cap[i])

        if from_rest or before_kind == 0:
            entry[i] = 0.0
        else:
            nominal = min(speed, before_cap)
            square = nominal * nominal
            cx, cy, cz, ce = ux - px, uy - py, uz - pz, ue - pe
            if by_radius:
                if kind != before_kind:
                    square = 0.0
                elif kind == 2:
                    square = square if ue * pe > 0.0 else 0.0
                else:
                    # s = sin(half the inner angle) = |u + p| / 2, and 1 - s2 = |u - p|2 / 4 without cancellation.
                    gap = 0.25 * (cx * cx + cy * cy + cz * cz)
                    if gap > 1e-20:
                        s = math.sqrt(max(0.0, 1.0 - gap))
                        size = 2.0 * math.sqrt(gap)
                        turn = min(rate, before_accel)
                        if turn * abs(cx) > axis_accel[0] * size:
                            turn = axis_accel[0] * size / abs(cx)
                        if turn * abs(cy) > axis_accel[1] * size:
                            turn = axis_accel[1] * size / abs(cy)
                        if turn * abs(cz) > axis_accel[2] * size:
                            turn = axis_accel[2] * size / abs(cz)
                        square = min(square, turn * deviation * s * (1.0 + s) / gap)
            else:
                if cx != 0.0:
                    square = min(square, (step[0] / cx) ** 2)
                if cy != 0.0:
                    square = min(square, (step[1] / cy) ** 2)
                if cz != 0.0:
                    square = min(square, (step[2] / cz) ** 2)
                if ce != 0.0:
                    square = min(square, (step[3] / ce) ** 2)
            entry[i] = square
        px, py, pz, pe = ux, uy, uz, ue
        before_cap, before_accel, before_kind = speed, rate, kind


@kernel
def duration(path: float, a: float, v: float, u0: float, u1: float) -> float:
    """Time (s) of a block by closed form: trapezoid where the cap v is reached, else triangle (check value M-01)."""
    path, a, v = np.float64(path), np.float64(a), np.float64(v)
    s0, s1 = math.sqrt(u0), math.sqrt(u1)
    peak = 0.5 * (u0 + u1) + a * path
    if peak > v * v:
        return (v - s0) / a + (v - s1) / a + (path - (2.0 * v * v - u0 - u1) / (2.0 * a)) / v
    return (2.0 * math.sqrt(peak) - s0 - s1) / a


@kernel
def held(length: Singles, accel: Singles, entry: Floats, u: Floats, share: float, most: Floats, out: Bools) -> None:
    """Tell of each block (n,) whether either of its ends is slower than with a queue that holds the whole job.

    u (n + 1,) are the squared entry speeds planned; slower is below `share` of the squared speed that two passes over the
    whole job give: from the end, what each entry must be to stop in time (`most` (n + 1,) takes it), then how fast the
    head can get there.
    """
    n = len(length)
    most[n] = 0.0
    for i in range(n - 1, -1, -1):
        most[i] = min(entry[i], most[i + 1] + 2.0 * accel[i] * length[i])
    now, before = 0.0, u[0] < 0.0
    for i in range(n):
        now = min(now + 2.0 * accel[i] * length[i], most[i + 1])
        after = u[i + 1] < share * now
        out[i] = before or after
        before = after


@kernel
def times(length: Singles, cap: Singles, accel: Singles, u: Floats, seconds: Floats) -> None:
    """Fill seconds (n,) of blocks with squared entry speeds u (n + 1,)."""
    for i in range(len(length)):
        seconds[i] = duration(length[i], accel[i], cap[i], u[i], u[i + 1])


@kernel
def plan_entries(
    length: Singles, cap: Singles, accel: Singles, entry: Floats, ahead: int, value: Floats, place: Ints, u: Floats
) -> None:
    """Fill u (n + 1,), the squared entry speeds for a queue that is always full.

    The board must be able to stop at the end of the last block it sees, and the minimum over the corners it sees
    slides along: a deque of candidates whose values rise from front to back holds it, each block pushed and dropped once.
    `value` and `place` are its room, a power of two longer than min(ahead, n).
    """
    n = len(length)
    mask = len(value) - 1
    front = back = 0
    end = 0
    lead = trail = 0.0  # sums of 2 a L up to the end of the window, and up to the end of block i
    u[0] = 0.0
    now = 0.0
    fresh = 0
    for i in range(n):
        while end < n and end < i + ahead:
            if end > i:
                corner = entry[end] + lead
                while back > front and value[(back - 1) & mask] >= corner:
                    back -= 1
                value[back & mask] = corner
                place[back & mask] = end
                back += 1
            lead += 2.0 * accel[end] * length[end]
            end += 1
        gain = 2.0 * accel[i] * length[i]
        trail += gain
        while back > front and place[front & mask] <= i:
            front += 1
        after = 0.0
        if end > i + 1:
            # The next corner itself is taken bare: a stop there must come out as an exact zero.
            after = max(0.0, min(now + gain, lead - trail, value[front & mask] - trail, entry[i + 1]))
        u[i + 1] = after
        now = after
        if trail > FRESH_SUM and i - fresh >= end - i:
            for k in range(front, back):
                value[k & mask] -= trail
            lead -= trail
            trail = 0.0
            fresh = i
