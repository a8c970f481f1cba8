"""Do marks keep time with a clock? Bayes factors against *anywhere on the printed surface of the marked region*.

A mark on a beat of period P and phase p lies at a place s of the surface with density (1 - h) + h f(s) / mean f, where f is a
wrapped normal in the phase of the clock's reading at s, its mean is taken over the surface of the region for this very period
and phase, and h is how many marks keep the beat. A measured mark is a mixture of the places where it may be. Period (log
uniform), phase (uniform), h (uniform), the width of the beat and, for time, a slow drift of planned times are integrated out;
so the Bayes factor of marks that lie anywhere has the mean 1, and exceeds x with a chance of 1 / x at most (Markov).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

import numpy as np

from diagnose.marks import _kernels as kernels
from diagnose.marks.model import UNIT, Ask, Clock, ClockReading
from diagnose.marks.placing import Candidates
from diagnose.marks.surface import Points, Surface
from diagnose.toolpath.columns import Bools, Floats, Ints

CLOCKS: tuple[Clock, ...] = ("time", "path", "filament", "height", "layer", "angle", "x", "y")
USUAL: Mapping[Clock, tuple[float, float]] = {
    "time": (1.0, 120.0), "path": (30.0, 6000.0), "filament": (5.0, 80.0), "height": (0.5, 10.0), "layer": (3.0, 40.0),
    "angle": (30.0, 360.0), "x": (2.0, 60.0), "y": (2.0, 60.0),
}  # fmt: skip
"""Periods believed where nobody says (common practice, no source)."""
WIDTHS = (0.03, 0.07)
"""Standard deviations of a beat as a share of its period, each as likely."""
STEP = 1.0
"""Widths that the phase may slip between two periods tried, at the ends of the region."""
LEAST_BEATS = 2.0
"""Periods that the marked region must hold at least."""
MOST_RATES, MOST_TRIALS = 24_000, 80_000
"""Periods tried, and periods times drifts."""
DRIFT, DRIFT_REACH = 0.015, 2.0
"""Standard deviation of the rate of planned time against true time, from one end of the region to its middle, and how many
of them are looked at: planned times err by some 3 %, unevenly."""
MOST_BENDS = 9
SAMPLE = 3000
"""Places that stand for the surface of the region."""
_NODES, _WEIGHTS = np.polynomial.legendre.leggauss(6)
HITS: Floats = (_NODES + 1) / 2
HIT_WEIGHTS: Floats = _WEIGHTS / 2
"""Nodes and weights of the integral over the hit rate."""
SURE = 0.9
ALIAS_SHARE = 0.05
SAME_PERIOD = 0.03
DB = 10.0 / math.log(10.0)


@dataclass(frozen=True, slots=True)
class Beats:
    """What every period of one clock comes to. (f,) each, periods falling."""

    rate: Floats
    """1 over the period."""
    likelihood: Floats
    """Of all marks against *anywhere*, phase, hit rate, width and drift integrated out."""
    best: Floats
    """(f, 4): phase, hit rate, drift and width of the likeliest beat."""
    middle: float
    """The reading about which the drift bends, and phases count."""

    def factor(self, low: float | None, high: float | None) -> float:
        """Return the Bayes factor of periods between low and high; 1 where the region holds none."""
        chosen = self._between(low, high)
        weight = self._prior()[chosen]
        return float(weight @ self.likelihood[chosen] / weight.sum()) if chosen.any() else 1.0

    def belief(self, low: float | None = None, high: float | None = None) -> Floats:
        """Return (f,) the share of each period in what is believed, given this clock; zeros where there is none."""
        joint: Floats = np.where(self._between(low, high), self._prior() * self.likelihood, 0.0)
        return joint / joint.sum() if joint.sum() > 0 else joint

    def _prior(self) -> Floats:
        return 1.0 / self.rate  # rates are evenly spaced, periods log-uniform: dP / P = d rate / rate

    def _between(self, low: float | None, high: float | None) -> Bools:
        period = 1.0 / self.rate
        tiny = 1e-9
        inside: Bools = (period >= (low or 0.0) * (1 - tiny)) & (period <= (high or math.inf) * (1 + tiny))
        return inside


@dataclass(frozen=True, slots=True)
class Field:
    """Marks and surface as one clock reads them."""

    shown: Floats
    weight: Floats
    first: Ints
    sample: Floats
    sample_weight: Floats


def readings(surface: Surface, clock: Clock, found: Candidates, sample: Points, weigh: Callable[[Points], Floats] | None = None) -> Field:
    """Return what a clock shows where marks may be, and on the surface; places of a mark that read alike are joined.

    ``weigh`` says how likely a beat leaves a mark at each place; everywhere alike by default.
    """
    on = found.on
    shown, first = surface.shown(clock, found.at), found.first
    weight = found.weight if weigh is None else found.weight * weigh(found.at)
    told, parts, ends = [], [], [0]
    for i in on:
        here = slice(first[i], first[i + 1])
        u, w = _joined(shown[here], weight[here])
        told.append(u)
        parts.append(w)
        ends.append(ends[-1] + len(u))
    sample_weight = np.full(len(sample), 1.0 / len(sample))
    if weigh is not None:
        sample_weight = sample_weight * weigh(sample)
    none = np.empty(0)
    return Field(
        np.concatenate(told or [none]), np.concatenate(parts or [none]), np.array(ends, np.int64),
        surface.shown(clock, sample), sample_weight,
    )  # fmt: skip


JOIN = 60
"""Cells that the readings of one mark are joined in at most, between gaps: far finer than any mark is placed."""


def _joined(shown: Floats, weight: Floats) -> tuple[Floats, Floats]:
    """Join readings that lie close together: neighbours in cells of their spread without its gaps."""
    order = np.argsort(shown, kind="stable")
    u, w = shown[order], weight[order]
    if len(u) <= JOIN:
        return u, w
    steps = np.diff(u)
    # Turns lie apart: gaps do not count towards the width of a cell.
    usual = 8 * max(float(np.median(steps)), 1e-12)
    width = float(np.minimum(steps, usual).sum()) / JOIN
    at = np.concatenate([[0.0], np.cumsum(np.where(steps > usual, np.maximum(width, usual) * 1.5, steps))])
    cell = np.floor(at / max(width, 1e-12)).astype(np.int64)
    _, cell = np.unique(cell, return_inverse=True)
    sums = np.bincount(cell, w)
    middle = np.bincount(cell, w * u) / np.maximum(sums, 1e-300)
    keep = sums > 0
    return middle[keep], sums[keep]


def try_periods(clock: Clock, field: Field, low: float, high: float) -> Beats | None:
    """Return what each period between low and high comes to; None where the region holds no two periods, or no mark."""
    if len(field.first) < 2 or not len(field.shown):
        return None
    ends = field.sample[field.sample_weight > 0]
    if not len(ends):
        return None
    bottom = min(float(ends.min()), float(field.shown.min()))
    top = max(float(ends.max()), float(field.shown.max()))
    span, middle = top - bottom, (top + bottom) / 2
    high = min(high, span / LEAST_BEATS) if clock != "angle" else min(high, 360.0)
    if not 0 < low < high * (1 + 1e-9) or not span > 0:
        return None
    if clock == "angle":
        rates: Floats = np.arange(1, int(360.0 / low) + 1) / 360.0  # a turn must hold a whole number of periods
        rates = rates[1.0 / rates <= high * (1 + 1e-9)]
    else:
        step = STEP * 2 * min(WIDTHS) / span
        count = min(MOST_RATES, math.ceil((1 / low - 1 / high) / step) + 1)
        rates = np.asarray(1 / high + step * np.arange(count), dtype=np.float64)
    if not len(rates):
        return None
    bends, bend_weight, counts = _bends(clock, rates, span)
    out, best = np.zeros(len(rates)), np.zeros((len(rates), 4))
    top_of = np.zeros(len(rates))
    for width in WIDTHS:
        told, chosen = _run(field, middle, rates, bends, bend_weight, counts, width)
        out += told / len(WIDTHS)
        better = told > top_of
        top_of[better] = told[better]
        best[better, :3], best[better, 3] = chosen[better], width
    return Beats(rates, out, best, middle)


def _run(
    field: Field, middle: float, rates: Floats, bends: Floats, bend_weight: Floats, counts: Ints, width: float
) -> tuple[Floats, Floats]:
    out, best = np.zeros(len(rates)), np.zeros((len(rates), 3))
    taps = ring(width)

    def some(part: slice) -> None:
        kernels.beats(
            field.shown, field.weight, field.first, field.sample, field.sample_weight, middle, rates[part], bends,
            bend_weight, counts[part], taps, HITS, HIT_WEIGHTS, out[part], best[part],
        )  # fmt: skip

    middle_of = len(rates) // 2
    if len(rates) < 64:
        some(slice(None))
    else:
        with ThreadPoolExecutor(2) as pool:
            list(pool.map(some, (slice(0, middle_of), slice(middle_of, None))))
    return out, best


def _bends(clock: Clock, rates: Floats, span: float) -> tuple[Floats, Floats, Ints]:
    """Return drifts (b,) of the rate over the reading, in 1 per unit, their weights, and how many are tried at each rate.

    Those of a faster beat come after those of slower ones, which are too fine for it: bends are ordered from none outwards.
    """
    half = span / 2
    if clock != "time" or not half > 0:
        return np.zeros(1), np.ones(1), np.ones(len(rates), np.int64)
    # A drift of k at the ends moves the phase there by k / 2 of the beats in the half; steps of one width of a beat.
    most = DRIFT * DRIFT_REACH
    shift = most / 2 * half * rates
    each_way = np.minimum(np.ceil(shift / (2 * max(WIDTHS))).astype(np.int64), (MOST_BENDS - 1) // 2)
    each_way = np.maximum(each_way, 1)
    if int((2 * each_way + 1).sum()) > MOST_TRIALS:
        each_way = np.ones_like(each_way)
    sides = int(each_way.max())
    steps = np.arange(1, sides + 1) / sides * most
    drifts = np.concatenate([[0.0], *([[+d, -d] for d in steps])])
    weight = np.exp(-0.5 * (drifts / DRIFT) ** 2)
    return drifts / (2 * half), weight, np.full(len(rates), len(drifts), np.int64)


def ring(width: float) -> Floats:
    """Return (2 BINS,) the wrapped normal of a standard deviation in turns, mean 1 over the ring, twice round."""
    k = np.arange(-kernels.BINS, kernels.BINS)
    turns = k[:, None] / kernels.BINS + np.arange(-3, 4)[None, :]
    taps = np.exp(-0.5 * (turns / width) ** 2).sum(axis=1)
    once = taps[kernels.BINS :]
    found: Floats = taps / once.mean()
    return found


def read_clock(
    clock: Clock, beats: Beats | None, field: Field, found: Candidates, count: int, low: float, high: float
) -> ClockReading:
    """Return the reading of one clock for people: its factor, best period with an interval, aliases, harmonics, hits."""
    folded = np.full(count, np.nan)
    if beats is None:
        return ClockReading(clock, 0.0, math.nan, UNIT[clock], math.nan, math.nan, 0.0, 0, folded)
    belief = beats.belief(low, high)
    if not belief.sum() > 0:
        return ClockReading(clock, 0.0, math.nan, UNIT[clock], math.nan, math.nan, 0.0, 0, folded)
    at = int(np.argmax(belief))
    period = 1.0 / float(beats.rate[at])
    near = np.abs(beats.rate * period - 1.0) <= SAME_PERIOD
    within = np.where(near, belief, 0.0)
    along = np.cumsum(within) / within.sum()
    edge = (1 - SURE) / 2
    bottom, top = (1.0 / float(beats.rate[int(np.searchsorted(along, q))]) for q in (1 - edge, edge))
    aliases = _aliases(beats, belief, near)
    phase, hit, bend, width = beats.best[at].tolist()
    folded[found.on], keeps = _folded(field, beats, float(beats.rate[at]), phase, hit, bend, width)
    return ClockReading(
        clock, DB * math.log(max(beats.factor(low, high), 1e-300)), period, UNIT[clock], bottom, top,
        _phase_from_zero(beats, period, phase), int(keeps.sum()), folded, _harmonics(period, aliases, UNIT[clock]), aliases,
    )  # fmt: skip


def _phase_from_zero(beats: Beats, period: float, phase: float) -> float:
    return (phase + beats.middle / period) % 1.0


def _folded(
    field: Field, beats: Beats, rate: float, phase: float, hit: float, bend: float, width: float
) -> tuple[Floats, Bools]:
    """Return where each mark on the part falls on a beat, -0.5 to 0.5 of the period, and whether it rather keeps it."""
    n = len(field.first) - 1
    g = np.empty((n, kernels.BINS))
    heap, mean = np.empty(kernels.BINS), np.empty(kernels.BINS)
    kernels.ratios(
        field.shown, field.weight, field.first, field.sample, field.sample_weight, rate, bend, beats.middle, ring(width),
        g, heap, mean,
    )  # fmt: skip
    own = g[:, round(phase * kernels.BINS) % kernels.BINS]
    keeps = hit * own > (1 - hit)
    folded = np.empty(n)
    off = field.shown - beats.middle
    turns = (rate * (off + bend * off * off) - phase + 0.5) % 1.0 - 0.5
    for i in range(n):
        here = slice(field.first[i], field.first[i + 1])
        # Of the places a mark may be at, the one that the beat itself would choose.
        likely = field.weight[here] * ((1 - hit) + hit * np.exp(-0.5 * (turns[here] / width) ** 2))
        folded[i] = turns[here][int(np.argmax(likely))]
    return folded, keeps


def _aliases(beats: Beats, belief: Floats, taken: Bools) -> tuple[tuple[float, float], ...]:
    """Return other periods that hold a share of the belief worth telling, largest first."""
    left: Floats = np.where(taken, 0.0, belief)
    found: list[tuple[float, float]] = []
    while len(found) < 5 and left.max(initial=0.0) > 0:
        at = int(np.argmax(left))
        near = np.abs(beats.rate / beats.rate[at] - 1.0) <= SAME_PERIOD
        share = float(left[near].sum())
        if share < ALIAS_SHARE:
            break
        found.append((1.0 / float(beats.rate[at]), share))
        left = np.where(near, 0.0, left)
    return tuple(found)


def _harmonics(period: float, aliases: Sequence[tuple[float, float]], unit: str) -> tuple[str, ...]:
    names = {2.0: "twice", 3.0: "three times", 0.5: "half of", 1 / 3: "a third of"}
    said = []
    for other, _ in aliases:
        for factor, name in names.items():
            if abs(other / period / factor - 1.0) < 0.02:
                said.append(f"{name} that, {other:.3g} {unit}, fits nearly as well")
    return tuple(said)


def range_of(clock: Clock, asks: Sequence[Ask]) -> tuple[float, float]:
    """Return the periods of a clock that any cause believes in, or the usual ones where none asks."""
    mine = [ask for ask in asks if ask.every == clock]
    low, high = USUAL[clock]
    if not mine:
        return low, high
    return min(ask.low or low for ask in mine), max(ask.high or high for ask in mine)
