"""Kernels of the findings: sums by layer, and where quantiles by weight lie, without sorting millions of moves."""

from __future__ import annotations

import numpy as np

from diagnose.toolpath._kernels import kernel
from diagnose.toolpath.columns import Floats, Int32s, Ints

BINS = 512
FEW = 4096
ROUNDS = 8


@kernel
def sums_by_layer(chosen: Ints, layer: Int32s, length: Floats, filament: Floats, feed: Floats, out: Floats) -> None:
    """Add path, filament, and path times feed of the chosen moves to out (3, layers)."""
    for i in chosen:
        k = layer[i]
        if k >= 0:
            out[0, k] += length[i]
            out[1, k] += filament[i]
            out[2, k] += length[i] * feed[i]


@kernel
def narrow(values: Floats, weight: Floats, share: float) -> tuple[float, float, float, float]:
    """Narrow down by histograms the least value up to which `share` of the weight lies.

    Both arrays (n,), n > 0, weights not negative, values finite. Returns the least and the greatest value it may be, the
    weight below them, and the weight sought.
    """
    total = 0.0
    low: float = values[0]
    high: float = values[0]
    for i in range(len(values)):
        total += weight[i]
        low, high = min(low, values[i]), max(high, values[i])
    below, count = 0.0, len(values)
    sums = np.empty(BINS)
    for _ in range(ROUNDS):
        if count <= FEW or not high > low:
            break
        width = (high - low) / BINS
        if not width > 0.0:
            break
        for k in range(BINS):
            sums[k] = 0.0
        for i in range(len(values)):
            if low <= values[i] <= high:
                k = min(BINS - 1, int((values[i] - low) / width))
                sums[k] += weight[i]
        k = 0
        while k < BINS - 1 and below + sums[k] < share * total:
            below += sums[k]
            k += 1
        # One width of room on either side, lest rounding puts a value beside its bin.
        lower, upper = low + (k - 1) * width, low + (k + 2) * width
        low, high = max(low, lower), min(high, upper)
        below, count = 0.0, 0
        for i in range(len(values)):
            if values[i] < low:
                below += weight[i]
            elif values[i] <= high:
                count += 1
    return low, high, below, share * total
