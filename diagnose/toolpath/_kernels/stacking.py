"""Layers of jobs whose layers are not flat: by what lies upon what."""

from __future__ import annotations

import numpy as np

from diagnose.toolpath._kernels import kernel
from diagnose.toolpath.columns import Bools, Bytes, Floats, Int32s, Ints

STEEPEST = 0.5
"""Rise over run above which a drawn move is a lift."""
LEVEL_MM = 1e-6
UPON_MM = 0.05
"""What lies lower than this is of a lower layer: less than the thinnest line, more than a wave within one cell."""
CHUNK_MM = 20.0
"""Path that is given its layer as one."""
LEAST_SHARE = 0.1
"""Of a chunk's path, that lies upon a layer."""
DEPTH = 64
"""Layers below the highest that are told apart."""
BED = 1.5
"""What is drawn no higher than so many times the first chunk, upon nothing, lies on the bed."""


@kernel
def slopes(
    start: Floats, z: Floats, length: Floats, kind: Bytes, turn: Int32s, prime: Bools, deep: float
) -> tuple[float, float, float]:  # fmt: skip
    """Return mm drawn, mm drawn flat, and mm drawn in falls of more than `deep` mm, outside spirals."""
    total = flat = falling = 0.0
    drop = path = 0.0
    pz = start[2]
    for i in range(len(z)):
        dz = z[i] - pz
        pz = z[i]
        if kind[i] != 1 or turn[i] >= 0 or prime[i]:
            drop = path = 0.0
            continue
        total += length[i]
        if abs(dz) <= LEVEL_MM:
            flat += length[i]
            continue
        if dz > 0.0 or abs(dz) > STEEPEST * length[i]:
            drop = path = 0.0
            continue
        drop -= dz
        path += length[i]
        if drop > deep:
            falling += path
            path = 0.0
    return total, flat, falling


@kernel
def stack(
    start: Floats, x: Floats, y: Floats, z: Floats, length: Floats, kind: Bytes, prime: Bools,
    cell: float, left: float, low: float, columns: int, rows: int, layer: Int32s,
) -> int:  # fmt: skip
    """Write the layer of every move, -1 before the first; return how many layers there are.

    What is drawn is cut into chunks of some 20 mm. A chunk lies one layer above the highest layer that a tenth of it
    passes over, in a grid seen from above that keeps layer and height of what was drawn last; upon nothing it belongs
    to the layer drawn before it, or to the first where it is as low as that.
    """
    top = np.full(columns * rows, -1, np.int32)
    high = np.zeros(columns * rows, np.float32)
    votes = np.zeros(DEPTH)
    inverse = 1.0 / cell
    here = -1
    count = 0
    ground = -1.0
    n = len(x)
    i = 0
    while i < n:
        if kind[i] != 1 or prime[i]:
            layer[i] = here
            i += 1
            continue
        # A chunk from i up to j; its samples first look, then take their cells.
        first = i
        total = over = 0.0
        highest = -np.inf
        votes[:] = 0.0
        while i < n and kind[i] == 1 and not prime[i] and total < CHUNK_MM:
            ax, ay, az = (x[i - 1], y[i - 1], z[i - 1]) if i > 0 else (start[0], start[1], start[2])
            steps = int(length[i] * inverse) + 1
            share = 1.0 / steps
            for s in range(steps):
                t = (s + 0.5) * share
                at = int((ay + t * (y[i] - ay) - low) * inverse) * columns + int((ax + t * (x[i] - ax) - left) * inverse)
                if top[at] >= 0:
                    upon = az + t * (z[i] - az) - high[at]
                    # Beside its own layer it is of that layer, above it of the next.
                    level = top[at] + 1 if upon > UPON_MM else top[at]
                    if upon > -UPON_MM:
                        votes[min(max(count - level, 0), DEPTH - 1)] += length[i] * share
                        over += length[i] * share
            total += length[i]
            highest = max(highest, z[i], az)
            i += 1
        if over >= LEAST_SHARE * total:
            seen = 0.0
            for k in range(DEPTH):
                seen += votes[k]
                if seen >= LEAST_SHARE * total:
                    here = count - k
                    break
        elif here < 0 or highest <= BED * ground:
            here = 0
        if here == 0:
            ground = max(ground, highest) if ground < 0.0 else ground
        count = max(count, here + 1)
        for j in range(first, i):
            ax, ay, az = (x[j - 1], y[j - 1], z[j - 1]) if j > 0 else (start[0], start[1], start[2])
            steps = int(length[j] * inverse) + 1
            share = 1.0 / steps
            for s in range(steps):
                t = (s + 0.5) * share
                at = int((ay + t * (y[j] - ay) - low) * inverse) * columns + int((ax + t * (x[j] - ax) - left) * inverse)
                top[at] = here
                high[at] = az + t * (z[j] - az)
            layer[j] = here
    return count


@kernel
def tops(z: Floats, length: Floats, kind: Bytes, prime: Bools, layer: Int32s, top: Floats, path: Floats) -> None:
    """Write the greatest height at which each layer was drawn, mm, and its path."""
    top[:] = -np.inf
    path[:] = 0.0
    for i in range(len(z)):
        if kind[i] == 1 and not prime[i]:
            top[layer[i]] = max(top[layer[i]], z[i])
            path[layer[i]] += length[i]


@kernel
def objects(start: Floats, z: Floats, kind: Bytes, prime: Bools, bed: float, climb: float, first: Ints) -> int:
    """Write the first move of each object of a job that draws object after object; return how many there are.

    A new object begins where drawing is back at the bed, no higher than `bed` mm, after it climbed by `climb` mm.
    """
    count = 0
    top = -np.inf
    for i in range(len(z)):
        if kind[i] != 1 or prime[i]:
            continue
        begin = z[i - 1] if i > 0 else start[2]
        lower = min(begin, z[i])
        if count == 0 or (lower <= bed and top - lower > climb):
            if count < len(first):
                first[count] = i
                count += 1
            top = -np.inf
        top = max(top, z[i])
    return count
