"""Lengths, kinds of moves, spiral stretches, and layers."""

from __future__ import annotations

import numpy as np

from diagnose.toolpath._kernels import kernel
from diagnose.toolpath.columns import Bools, Bytes, Floats, Int32s, Ints

# What a move does, before any shape is known.
TRAVELS, DRAWS, PULLS, PUSHES = range(4)

TWO_PI = 2.0 * np.pi
LEVEL_MM = 1e-6
"""Heights closer than this are the same: rounding of sums, far below any printed digit."""
STEEPEST = 0.5
"""Rise over run above which a drawn move is a lift rather than a spiral."""
RAMP_MM = 0.005
"""A rise that ends so little above a level leads to that level."""
FLAT_TURN = 1.1 * np.pi
"""A spiral may have flat pieces where its height is printed with few digits, but not round half a turn."""
SLACK = 6e-6
"""rad that a heading may fall short of a whole turn."""
LEAST_TURNS = 1.5
"""A ramp at the start of a loop rises for less than a turn; a spiral for more."""
PART_TURN = 0.05
"""A last turn shorter than this belongs to the one before it: a wavy outline swings past its whole turns."""
LEAST_RISES = 2.5
"""Rising moves a turn: a triangle has three; loops joined by a ramp have one."""


@kernel
def measure(start: Floats, x: Floats, y: Floats, z: Floats, e: Floats, length: Floats, kind: Bytes) -> None:
    """Write (n,) path lengths in mm and kinds of moves."""
    px, py, pz = start[0], start[1], start[2]
    if px != px:
        px = 0.0
    if py != py:
        py = 0.0
    if pz != pz:
        pz = 0.0
    for i in range(len(x)):
        dx, dy, dz = x[i] - px, y[i] - py, z[i] - pz
        flat = dx * dx + dy * dy
        length[i] = np.sqrt(flat + dz * dz)
        if e[i] > 0:
            kind[i] = 1 if flat > 0 else 3
        else:
            kind[i] = 2 if e[i] < 0 else 0
        px, py, pz = x[i], y[i], z[i]


@kernel
def beside(
    start: Floats, x: Floats, y: Floats, length: Floats, kind: Bytes, body_share: float, margin: float, prime: Bools
) -> None:  # fmt: skip
    """Write which drawn moves lie beside the body of the part and come before anything else, seen from above.

    The body is the last `body_share` of the drawn path; its box is widened by `margin` mm.
    """
    n = len(x)
    total = 0.0
    drawn = 0
    for i in range(n):
        prime[i] = False
        if kind[i] == 1:
            total += length[i]
            drawn += 1
    if drawn < 2:
        return
    path = 0.0
    first = 0
    while kind[first] != 1 or path + length[first] < (1.0 - body_share) * total:
        path += length[first] if kind[first] == 1 else 0.0
        first += 1
    lx = hx = x[first - 1] if first > 0 else start[0]
    ly = hy = y[first - 1] if first > 0 else start[1]
    for i in range(first, n):
        if kind[i] == 1:
            lx, hx = min(lx, x[i]), max(hx, x[i])
            ly, hy = min(ly, y[i]), max(hy, y[i])
    i = 0
    while i < first:
        if kind[i] != 1:
            i += 1
            continue
        # What is drawn in one go lies wholly to one side of the body, or the part has begun.
        j = i
        rx = sx = x[i - 1] if i > 0 else x[i]
        ry = sy = y[i - 1] if i > 0 else y[i]
        while j < n and kind[j] == 1:
            rx, sx, ry, sy = min(rx, x[j]), max(sx, x[j]), min(ry, y[j]), max(sy, y[j])
            j += 1
        beyond = sx < lx - margin or rx > hx + margin or sy < ly - margin or ry > hy + margin
        if j > first or not beyond:
            return
        while i < j:
            prime[i] = True
            i += 1


@kernel
def spiral(
    start: Floats, x: Floats, y: Floats, z: Floats, length: Floats, kind: Bytes, prime: Bools, largest_pitch: float,
    turn: Int32s, turn_z: Floats, first_move: Ints, last_move: Ints,
) -> tuple[int, int, float]:  # fmt: skip
    """Find the stretches that climb while they turn; return (stretches, turns, their path in mm).

    A stretch is drawn without a break, never falls, and has no flat piece that turns as far as half a loop. It is a
    spiral when it turns at least one and a half times, rises several times a turn, and by a plausible height. The share
    of the path that rises tells nothing: heights printed with few digits rise in steps of several moves.
    The turn is counted from the net change of heading, whatever the outline: it is 2 pi for any closed loop. It is kept
    as whole turns, counted where the heading passes that of the stretch's first move, and the heading itself: no angle
    is taken for a move that rises.
    `turn` gets the number of the turn of every move in a spiral, else -1; `turn_z` the height at the end of each turn;
    `first_move` and `last_move` the ends of each stretch.
    """
    n = len(x)
    turns = stretches = 0
    path = 0.0
    i = 0
    while i < n:
        # A stretch begins with a rising move.
        first = i
        if kind[i] != 1 or prime[i]:
            turn[i] = -1
            i += 1
            continue
        qx, qy, qz = (x[i - 1], y[i - 1], z[i - 1]) if i > 0 else (start[0], start[1], start[2])
        dx, dy, dz = x[i] - qx, y[i] - qy, z[i] - qz
        if not (dz > LEVEL_MM and dz * dz <= STEEPEST * STEEPEST * (dx * dx + dy * dy)):
            turn[i] = -1
            i += 1
            continue
        # Headings are seen from the first one, a hair to its right: rounding must not put off the end of a turn.
        ax, ay = dx + SLACK * dy, dy - SLACK * dx
        pu, pv = dx * ax + dy * ay, dy * ax - dx * ay
        bottom = qz
        whole = last_whole = 0
        last_u, last_v = pu, pv
        hx, hy = dx, dy
        flat_turn = 0.0
        reach = last_reach = length[i]
        rises = 1
        last = i
        j = i + 1
        px, py, pz = x[i], y[i], z[i]
        while j < n and kind[j] == 1 and not prime[j]:
            dx, dy, dz = x[j] - px, y[j] - py, z[j] - pz
            if dz < -LEVEL_MM or (dz > 0.0 and dz * dz > STEEPEST * STEEPEST * (dx * dx + dy * dy)):
                break
            u, v = dx * ax + dy * ay, dy * ax - dx * ay
            if (pv < 0.0) != (v < 0.0):
                bend = pu * v - pv * u
                if pv < 0.0:
                    whole += bend > 0.0
                else:
                    whole -= bend < 0.0
            reach += length[j]
            if dz > LEVEL_MM:
                rises += 1
                last, last_whole, last_u, last_v, last_reach, flat_turn = j, whole, u, v, reach, 0.0
            else:
                flat_turn += np.arctan2(hx * dy - hy * dx, hx * dx + hy * dy)
                if abs(flat_turn) > FLAT_TURN:
                    break
            hx, hy = dx, dy
            pu, pv = u, v
            px, py, pz = x[j], y[j], z[j]
            j += 1
        heading = np.arctan2(last_v, last_u)
        total = TWO_PI * last_whole + (heading if heading >= 0.0 else heading + TWO_PI)
        round_ = abs(total) / TWO_PI
        height = z[last] - bottom
        if round_ >= LEAST_TURNS and rises >= LEAST_RISES * round_ and height <= largest_pitch * round_:
            sign = 1.0 if total > 0 else -1.0
            whole = farthest = 0
            here = turns
            most = turns + max(int(np.ceil(round_ - PART_TURN)), 1) - 1
            px, py = qx, qy
            dx, dy = x[first] - px, y[first] - py
            ax, ay = dx + sign * SLACK * dy, dy - sign * SLACK * dx
            pu, pv = dx * ax + dy * ay, sign * (dy * ax - dx * ay)
            for k in range(first, last + 1):
                dx, dy = x[k] - px, y[k] - py
                u, v = dx * ax + dy * ay, sign * (dy * ax - dx * ay)
                if (pv < 0.0) != (v < 0.0):
                    bend = pu * v - pv * u
                    if pv < 0.0:
                        whole += bend > 0.0
                        farthest = max(farthest, whole)
                    else:
                        whole -= bend < 0.0
                pu, pv = u, v
                px, py = x[k], y[k]
                here = min(turns + farthest, most)
                turn[k] = here
                turn_z[here] = z[k]
            turns = here + 1
            path += last_reach
            first_move[stretches], last_move[stretches] = first, last
            stretches += 1
        else:
            for k in range(first, last + 1):
                turn[k] = -1
        i = last + 1
    return stretches, turns, path


@kernel
def heights(
    start: Floats, z: Floats, length: Floats, kind: Bytes, turn: Int32s, prime: Bools, at: Floats, path: Floats
) -> int:  # fmt: skip
    """Write the height and path of every stretch drawn at one height outside spirals; return how many.

    Moves that rise or fall are ramps from one to another, and no height of their own.
    """
    count = 0
    here, drawn = np.inf, 0.0
    pz = start[2]
    for i in range(len(z)):
        level = abs(z[i] - pz) <= LEVEL_MM
        pz = z[i]
        if kind[i] != 1 or turn[i] >= 0 or prime[i] or not level:
            continue
        if not abs(pz - here) <= LEVEL_MM:
            if count:
                path[count - 1] = drawn
            at[count] = here = pz
            drawn = 0.0
            count += 1
        drawn += length[i]
    if count:
        path[count - 1] = drawn
    return count


@kernel
def assign(
    z: Floats, length: Floats, kind: Bytes, turn: Int32s, prime: Bools, level_z: Floats, level_layer: Int32s,
    turn_layer: Int32s, layer: Int32s, layer_path: Floats,
) -> None:  # fmt: skip
    """Write the layer of every move: that of the nearest level for a drawn one, the last one reached for others.

    A drawn rise leads up to its layer.
    """
    here = before = -1
    drawn = 0.0  # of the layer `before`
    last_z = np.nan
    pz = np.nan
    last_layer = -1
    for i in range(len(z)):
        if kind[i] == 1 and not prime[i]:
            if turn[i] >= 0:
                here = turn_layer[turn[i]]
            elif len(level_z):
                if z[i] != last_z:
                    rise = z[i] - pz > LEVEL_MM
                    sought = z[i] - RAMP_MM if rise else z[i]
                    k, past = 0, len(level_z)
                    while k < past:
                        middle = (k + past) // 2
                        if level_z[middle] < sought:
                            k = middle + 1
                        else:
                            past = middle
                    if k == len(level_z) or (not rise and k > 0 and z[i] - level_z[k - 1] <= level_z[k] - z[i]):
                        k -= 1
                    last_z, last_layer = z[i], level_layer[k]
                here = last_layer
            if here != before:
                if before >= 0:
                    layer_path[before] += drawn
                before, drawn = here, 0.0
            drawn += length[i]
        layer[i] = here
        pz = z[i]
    if before >= 0:
        layer_path[before] += drawn


@kernel
def merge(at: Floats, path: Floats, within: float, level: Floats, level_path: Floats) -> int:
    """Join ascending heights that lie within mm of the level below; return how many levels there are.

    The height with most path stands for those that lie together.
    """
    count = 0
    most = 0.0
    for k in range(len(at)):
        if count and at[k] - level[count - 1] <= within:
            if path[k] > most:
                level[count - 1], most = at[k], path[k]
            level_path[count - 1] += path[k]
        else:
            level[count], level_path[count], most = at[k], path[k], path[k]
            count += 1
    return count
