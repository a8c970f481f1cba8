"""Quantiles of the lengths of many moves, without sorting or copying them."""

from __future__ import annotations

from diagnose.toolpath._kernels import kernel
from diagnose.toolpath.columns import Bools, Bytes, Floats, Ints

BINS = 4096


@kernel
def lengths(
    length: Floats, role: Bytes, wanted: int, arc: Bools, skip_arcs: bool, shares: Floats, coarse: Ints, fine: Ints,
    bins: Ints, rest: Ints, out: Floats,
) -> int:  # fmt: skip
    """Write the lengths below which each share of the moves of a role lies; return how many moves there are.

    Two histograms of 4096 bins, the second within the bin found in the first: right to the longest length / 1.6e7.
    Moves of no length do not count, nor pieces of arcs where `skip_arcs`.
    `coarse` (BINS + 1,) and `fine` (shares, BINS) begin at 0; `bins` and `rest` (shares,) are room to work in.
    """
    count = 0
    longest = 0.0
    for i in range(len(length)):
        if role[i] == wanted and length[i] > 0.0 and not (skip_arcs and arc[i]):
            count += 1
            longest = max(longest, length[i])
    if count == 0:
        return 0
    scale = BINS / longest
    for i in range(len(length)):
        if role[i] == wanted and length[i] > 0.0 and not (skip_arcs and arc[i]):
            coarse[int(length[i] * scale)] += 1
    for q in range(len(shares)):
        rest[q] = int(shares[q] * (count - 1))
        bins[q] = 0
        while rest[q] >= coarse[bins[q]]:
            rest[q] -= coarse[bins[q]]
            bins[q] += 1
    for i in range(len(length)):
        if role[i] == wanted and length[i] > 0.0 and not (skip_arcs and arc[i]):
            at = length[i] * scale
            for q in range(len(shares)):
                if int(at) == bins[q]:
                    fine[q, int((at - bins[q]) * BINS)] += 1
    for q in range(len(shares)):
        k = 0
        while rest[q] >= fine[q, k]:
            rest[q] -= fine[q, k]
            k += 1
        out[q] = (bins[q] + (k + 0.5) / BINS) / scale
    return count
