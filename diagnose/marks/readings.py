"""What one clock says, in numbers a person can use: best period, interval, harmonics, other periods, folded marks."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from diagnose.marks.clocks import SIGMA, STEP, Sweep, best_beat
from diagnose.marks.model import TRIED_DB, UNIT, Clock, ClockReading
from diagnose.marks.surface import Surface
from diagnose.marks.trains import part_behind
from diagnose.toolpath.columns import Floats, Ints

SURE = 0.9
"""Chance that the period lies in the interval."""
LEAST_SHARE = 0.05
"""Of belief; lesser periods are not listed."""
MOST_ALIASES = 4
NEIGHBOURS = int(np.ceil(2.5 * float(SIGMA[-1]) / STEP))
"""Frequencies to either side that belong to the same peak."""
NAMES = {2: "half", 3: "a third", 4: "a quarter", 5: "a fifth", 6: "a sixth"}
FOLDS = {2: "twice", 3: "three times", 4: "four times", 5: "five times", 6: "six times"}


def silent(clock: Clock, marks: int) -> ClockReading:
    """Return the reading of a clock that this band of surface holds no two beats of: it says nothing."""
    nan = float("nan")
    return ClockReading(clock, -TRIED_DB, nan, UNIT[clock], nan, nan, nan, 0, np.full(marks, np.nan))


def read_sweep(found: Sweep, surface: Surface, trains: Mapping[str, float]) -> ClockReading:
    """Return the reading of a clock from everything that was evaluated of it."""
    belief = found.prior * found.factor
    belief = belief / belief.sum()
    number, back = np.unique(found.number, return_inverse=True)
    mass: Floats = np.bincount(back, belief).astype(np.float64)
    frequency: Floats = np.zeros(len(number), np.float64)
    frequency[back] = found.frequency
    peaks = _peaks(number, mass, frequency, found.clock == "angle")
    first, last = peaks[0][2:]
    inside = (found.number >= first) & (found.number <= last)
    top = int(np.argmax(np.where(inside, belief, -1.0)))
    beat = best_beat(found, float(found.frequency[top]), float(found.drift[top]))
    period = 1.0 / beat.frequency
    own = (number >= first) & (number <= last)
    low, high = _interval(frequency[own], mass[own], found.step, beat.frequency, found.clock == "angle")
    hits = int(np.count_nonzero(beat.hit * beat.ratio > 1 - beat.hit))
    phase = (beat.phase + beat.frequency * found.centre) % 1.0
    aliases: list[tuple[float, float]] = []
    harmonics: list[str] = []
    unit = UNIT[found.clock]
    for share, f, *_ in peaks[1:]:
        if share < LEAST_SHARE or len(aliases) == MOST_ALIASES:
            break
        aliases.append((1.0 / f, float(share)))
        harmonic = _harmonic(f / beat.frequency)
        if harmonic:
            harmonics.append(f"{harmonic} the period, {1.0 / f:.3g} {unit}, fits nearly as well")
    part = part_behind(found.clock, period, low, high, trains)
    return ClockReading(
        found.clock, found.decibans() - TRIED_DB, period, unit, low, high, float(phase), hits, beat.folded, tuple(harmonics),
        tuple(aliases), part,
    )  # fmt: skip


def _peaks(number: Ints, mass: Floats, frequency: Floats, circle: bool) -> list[tuple[float, float, int, int]]:
    """Return (belief, mean frequency, first and last number) of peaks that do not overlap, most believed first."""
    reach = 0 if circle else NEIGHBOURS
    found: list[tuple[float, float, int, int]] = []
    left = mass.copy()
    total = np.concatenate(([0.0], np.cumsum(mass)))
    a, b = np.searchsorted(number, number - reach), np.searchsorted(number, number + reach, side="right")
    window = total[b] - total[a]
    # Peaks stand round the frequency believed most, not at the edge of a window that happens to hold it.
    for k in np.argsort(-(window + mass)).tolist():
        if len(found) > MOST_ALIASES + 1 or (found and window[k] < LEAST_SHARE / 2):
            break
        if left[k] < mass[k] or left[k] < 0:
            continue
        around = slice(a[k], b[k])
        if (left[around] < 0).any():
            continue
        share = float(mass[around].sum())
        mean = float((mass[around] * frequency[around]).sum() / max(share, 1e-300)) if share > 0 else float(frequency[k])
        found.append((share, mean, int(number[a[k]]), int(number[b[k] - 1])))
        left[around] = -1.0
    return found


def _interval(frequency: Floats, mass: Floats, step: float, best: float, circle: bool) -> tuple[float, float]:
    """Return the period's interval from the frequencies of the best peak alone: other peaks are told as aliases."""
    total = np.cumsum(mass) / max(float(mass.sum()), 1e-300)
    tail = (1 - SURE) / 2
    a = frequency[min(len(mass) - 1, int(np.searchsorted(total, tail)))]
    b = frequency[min(len(mass) - 1, int(np.searchsorted(total, 1 - tail)))]
    half = 0.0 if circle else step / 2
    slow, fast = min(a, best) - half, max(b, best) + half
    return 1.0 / float(fast), 1.0 / float(max(slow, 1e-3 * best))


def _harmonic(ratio: float) -> str:
    """Return how a period with this ratio of frequencies relates to the best one; empty for no harmonic."""
    for k in NAMES:
        if abs(ratio / k - 1) < 0.02:
            return f"{NAMES[k]} of"
        if abs(ratio * k - 1) < 0.02:
            return FOLDS[k]
    return ""
