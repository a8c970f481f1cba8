"""Kernels of the clocks: how likely marks are on a beat of every period tried."""

from __future__ import annotations

import math

import numpy as np

from diagnose.toolpath._kernels import kernel
from diagnose.toolpath.columns import Floats, Ints

BINS = 64
"""Phases of a beat."""
LEAST_MEAN = 1e-3


@kernel
def smeared(heap: Floats, taps: Floats, out: Floats) -> None:
    """Fold a ring of phases (BINS,) with taps (2 BINS,), taps[BINS + k] for a distance of k bins either way."""
    for k in range(BINS):
        out[k] = 0.0
    for k in range(BINS):
        if heap[k] != 0.0:
            w = heap[k]
            for j in range(BINS):
                out[j] += w * taps[BINS + j - k]


@kernel
def heaped(shown: Floats, weight: Floats, begin: int, end: int, rate: float, bend: float, middle: float, heap: Floats) -> None:
    """Fill a ring (BINS,) with the weights of places by phase: rate times the reading, bent about the middle.

    A reading u counts as u + bend (u - middle)^2. Each weight is shared by the two bins it lies between.
    """
    for k in range(BINS):
        heap[k] = 0.0
    for i in range(begin, end):
        off = shown[i] - middle
        turns = rate * (off + bend * off * off)
        at = (turns - math.floor(turns)) * BINS
        k = int(at)
        part = at - k
        heap[k & (BINS - 1)] += weight[i] * (1.0 - part)
        heap[(k + 1) & (BINS - 1)] += weight[i] * part


@kernel
def ratios(
    shown: Floats, weight: Floats, first: Ints, sample: Floats, sample_weight: Floats, rate: float, bend: float,
    middle: float, taps: Floats, g: Floats, heap: Floats, mean: Floats,
) -> None:  # fmt: skip
    """Fill g (n, BINS): for a beat of each phase, how much likelier a place of each mark is than anywhere on the surface."""
    heaped(sample, sample_weight, 0, len(sample), rate, bend, middle, heap)
    smeared(heap, taps, mean)
    for i in range(len(first) - 1):
        heaped(shown, weight, first[i], first[i + 1], rate, bend, middle, heap)
        smeared(heap, taps, g[i])
        for k in range(BINS):
            g[i, k] /= max(mean[k], LEAST_MEAN)


@kernel
def beats(
    shown: Floats, weight: Floats, first: Ints, sample: Floats, sample_weight: Floats, middle: float,
    rates: Floats, bends: Floats, bend_weight: Floats, count: Ints, taps: Floats, hit: Floats, hit_weight: Floats,
    out: Floats, best: Floats,
) -> None:  # fmt: skip
    """Fill out (f,): the likelihood of all marks against *anywhere*, for every rate, phases, hit rates and bends integrated.

    `shown`, `weight` (c,) are readings and weights of the places of marks, those of mark i from first[i] on; a weight of
    a mark off the part is not among them. `sample` (s,) is the surface, its weights add to 1. Of the bends the first
    count[f] are tried at rate f. `taps` (2 BINS,) is the wrapped normal, mean 1 over the ring. `best` (f, 3) takes the phase, the hit
    rate and the bend of the likeliest beat.
    """
    n = len(first) - 1
    g, heap, mean = np.empty((n, BINS)), np.empty(BINS), np.empty(BINS)
    product = np.empty(BINS)
    for f in range(len(rates)):
        total = whole = top = 0.0
        for b in range(count[f]):
            ratios(shown, weight, first, sample, sample_weight, rates[f], bends[b], middle, taps, g, heap, mean)
            whole += bend_weight[b]
            for q in range(len(hit)):
                h = hit[q]
                for k in range(BINS):
                    product[k] = 1.0
                for i in range(n):
                    for k in range(BINS):
                        product[k] *= (1.0 - h) + h * g[i, k]
                sum_ = 0.0
                for k in range(BINS):
                    sum_ += product[k]
                    if product[k] > top:
                        top = product[k]
                        best[f, 0], best[f, 1], best[f, 2] = k / BINS, h, bends[b]
                total += bend_weight[b] * hit_weight[q] * sum_ / BINS
        out[f] = total / whole
