"""Lengths, kinds of moves, spiral stretches, and layers."""

from __future__ import annotations

import numpy as np

from diagnose.toolpath._kernels import kernel
from diagnose.toolpath.columns import Bools, Bytes, Floats, Int32s

# What a move does, before any shape is known.
TRAVELS, DRAWS, PULLS, PUSHES = range(4)

TWO_PI = 2.0 * np.pi
LEVEL_MM = 1e-6
"""Heights closer than this are the same: rounding of sums, far below any printed digit."""
STEEPEST = 0.5
"""Rise over run above which a drawn move is a lift rather than a spiral."""
FLAT_TURN = 1.1 * np.pi
"""A spiral may have flat pieces where its height is printed with few digits, but not round half a turn."""
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
def spiral(
    start: Floats, x: Floats, y: Floats, z: Floats, length: Floats, kind: Bytes, prime: Bools, largest_pitch: float,
    turn: Int32s, turn_z: Floats,
) -> tuple[int, float]:  # fmt: skip
    """Find the stretches that climb while they turn; return (turns, their path in mm).

    A stretch is drawn without a break, never falls, and has no flat piece that turns as far as half a loop. It is a
    spiral when it turns at least one and a half times, rises several times a turn, and by a plausible height. The share
    of the path that rises tells nothing: heights printed with few digits rise in steps of several moves.
    The turn is counted from the net change of heading, whatever the outline: it is 2 pi for any closed loop.
    `turn` gets the number of the turn of every move in a spiral, else -1; `turn_z` the height at the end of each turn.
    """
    n = len(x)
    turns = 0
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
        if not (dz > LEVEL_MM and dz <= STEEPEST * np.sqrt(dx * dx + dy * dy)):
            turn[i] = -1
            i += 1
            continue
        bottom = qz
        heading_x, heading_y = dx, dy
        total = last_total = flat_turn = 0.0
        reach = last_reach = length[i]
        rises = 1
        last = i
        j = i + 1
        while j < n and kind[j] == 1 and not prime[j]:
            dx, dy, dz = x[j] - x[j - 1], y[j] - y[j - 1], z[j] - z[j - 1]
            if dz < -LEVEL_MM or dz > STEEPEST * np.sqrt(dx * dx + dy * dy):
                break
            bend = np.arctan2(heading_x * dy - heading_y * dx, heading_x * dx + heading_y * dy)
            heading_x, heading_y = dx, dy
            total += bend
            reach += length[j]
            if dz > LEVEL_MM:
                rises += 1
                last, last_total, last_reach, flat_turn = j, total, reach, 0.0
            else:
                flat_turn += bend
                if abs(flat_turn) > FLAT_TURN:
                    break
            j += 1
        round_ = abs(last_total) / TWO_PI
        height = z[last] - bottom
        if round_ >= LEAST_TURNS and rises >= LEAST_RISES * round_ and height <= largest_pitch * round_:
            sign = 1.0 if last_total > 0 else -1.0
            total = 0.0
            farthest = 0.0
            here = turns
            most = turns + max(int(np.ceil(round_ - PART_TURN)), 1) - 1
            for k in range(first, last + 1):
                if k > first:
                    dx, dy = x[k] - x[k - 1], y[k] - y[k - 1]
                    bend = np.arctan2(heading_x * dy - heading_y * dx, heading_x * dx + heading_y * dy)
                    heading_x, heading_y = dx, dy
                    total += bend * sign
                    farthest = max(farthest, total)
                else:
                    heading_x = x[k] - (x[k - 1] if k > 0 else start[0])
                    heading_y = y[k] - (y[k - 1] if k > 0 else start[1])
                here = min(turns + int(farthest / TWO_PI + 1e-6), most)
                turn[k] = here
                turn_z[here] = z[k]
            turns = here + 1
            path += last_reach
        else:
            for k in range(first, last + 1):
                turn[k] = -1
        i = last + 1
    return turns, path


@kernel
def heights(z: Floats, length: Floats, kind: Bytes, turn: Int32s, prime: Bools, at: Floats, path: Floats) -> int:
    """Write the height and path of every stretch drawn at one height outside spirals; return how many."""
    count = 0
    for i in range(len(z)):
        if kind[i] != 1 or turn[i] >= 0 or prime[i]:
            continue
        if count and abs(z[i] - at[count - 1]) <= LEVEL_MM:
            path[count - 1] += length[i]
        else:
            at[count] = z[i]
            path[count] = length[i]
            count += 1
    return count


@kernel
def assign(
    z: Floats, length: Floats, kind: Bytes, turn: Int32s, prime: Bools, level_z: Floats, level_layer: Int32s,
    turn_layer: Int32s, layer: Int32s, layer_path: Floats,
) -> None:  # fmt: skip
    """Write the layer of every move: that of the nearest level for a drawn one, the last one reached for others."""
    here = -1
    last_z = np.nan
    last_layer = -1
    for i in range(len(z)):
        if kind[i] == 1 and not prime[i]:
            if turn[i] >= 0:
                here = turn_layer[turn[i]]
            elif len(level_z):
                if z[i] != last_z:
                    k = np.searchsorted(level_z, z[i])
                    if k == len(level_z) or (k > 0 and z[i] - level_z[k - 1] <= level_z[k] - z[i]):
                        k -= 1
                    last_z, last_layer = z[i], level_layer[k]
                here = last_layer
            if here >= 0:
                layer_path[here] += length[i]
        layer[i] = here


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
