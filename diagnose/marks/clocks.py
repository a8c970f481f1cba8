"""How well marks keep time with a clock: the Bayes factor of a beat against anywhere on the surface.

A beat of period P and phase phi leaves marks where the clock, folded, lies near phi; one in so many marks is something else:

    r_i = (1 - h) + h (g_i + floor) / (fbar + floor)

g_i is the wrapped normal (sd sigma) averaged over the pieces of surface that mark i may lie on, fbar(P, phi) its mean over the
whole printed surface of the band, so r is exactly normalised on this surface, however unevenly the clock runs over it
(amended design, 1.9). The product over marks is integrated over phi, h, sigma, P (log-uniform) and for time a slow drift
(1.12); the mean of the factor over marks strewn on the surface is 1, hence P(factor > x) <= 1/x (Markov). A beat of a clock
that runs with the job is one moment, which leaves one mark at most: where marks are many and moments few, it says much that no
two of them share one.

The integral over periods is a sum over frequencies so close that no beat is stepped over. All are screened by Rayleigh's
statistic; the most telling are evaluated all, the rest by a systematic sample in proportion to their prior (stratified
sampling; Cochran 1977, from memory), so the sum is fair.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from diagnose.marks import _kernels as kernels
from diagnose.marks.model import Clock
from diagnose.marks.placing import Pieces
from diagnose.marks.surface import Surface
from diagnose.toolpath.columns import Bools, Floats, Int32s, Ints

SIGMA = np.array([0.012, 0.025, 0.05])
SIGMA_WEIGHT = np.array([0.3, 0.45, 0.25])
"""Sharpness of a beat, as a share of its period, and how far each is believed (common practice, no source)."""
HIT = np.array([0.5, 0.65, 0.78, 0.9])
HIT_WEIGHT = np.array([0.1, 0.25, 0.35, 0.3])
"""Share of the marks that keep the beat: who marks a pattern marks mostly it (common practice, no source)."""
FLOOR = 0.02
"""Share of marks of the beat that fall at any phase: keeps phases at which nothing is printed harmless."""
MOMENTS = ("time", "path", "filament")
"""Clocks that run with the job: each beat is one moment and leaves one mark at most."""
PHASES = 64
STEP = 0.1
"""Turns of phase over the span of the marks from one frequency to the next: at its ends a beat is met within a quarter of it."""
LEAST_FACTOR = 1e-12
"""Of the greatest; lesser ones add nothing, whatever is made of them."""
TOP, REST = 1600, 1000
"""Frequencies evaluated: the most telling, and a sample of the others."""
MOST_BEATS = 6_000
"""Beats over the span of the marks; shorter periods are not looked at."""
USUAL: Mapping[Clock, tuple[float, float]] = {
    "time": (1.5, 120.0), "path": (40.0, 8000.0), "filament": (6.0, 100.0), "height": (0.8, 12.0), "layer": (3.0, 40.0),
    "angle": (30.0, 360.0), "x": (5.0, 60.0), "y": (5.0, 60.0),
}  # fmt: skip
"""Beats of printers, in the clock's unit: saves and heaters, gears, screws, pulleys (common practice, no source)."""
LEAST_BEATS: Mapping[Clock, float] = {"x": 1.1, "y": 1.1}
"""Beats that the span of the surface must hold, 2.5 where not said: across a part there are few."""
DRIFT = np.array([0.0, -2.0, -1.4, -0.9, -0.45, 0.45, 0.9, 1.4, 2.0])
"""Standard deviations of the drift that are tried; half the belief is on none, for the card may be right."""
DRIFT_SD = {True: 0.015, False: 0.03}
"""Planned time errs by so much at one end of the band, as much the other way at the other; with a run, and without."""
PAD = 8
"""Times its length that what is laid out is padded, so that its spectrum may be read between the lines; twice that for short ones, half for long ones."""
FINE: dict[Clock, int] = {"time": 24, "path": 24, "filament": 24}
"""Bins a shortest period in which the surface is laid out, 160 where not said: layers and flat sides are points in height or
x, and need their harmonics."""
MOST_BINS = 1 << 21
FACET_DEG = 4.0
"""Round so much of a turn the angle runs evenly along a straight wall, within a thousandth."""


@dataclass(frozen=True, slots=True)
class Spectrum:
    """Characteristic function of a clock over the surface, about `centre`, at multiples of `grid`."""

    real: Floats
    imag: Floats
    grid: float


@dataclass(frozen=True, slots=True)
class Beat:
    """A period and phase in one drift, and how the marks fall on it."""

    frequency: float
    phase: float
    """Turns from the centre."""
    drift: float
    sigma: float
    hit: float
    ratio: Floats
    """(n,) r of each mark with a hit rate of one, NaN of marks without a say."""
    folded: Floats
    """(n,) turns from the beat, -0.5 to 0.5."""


@dataclass(frozen=True, slots=True, eq=False)
class Sweep:
    """Everything that was evaluated of one clock: (k,) frequencies with belief and factor."""

    clock: Clock
    frequency: Floats
    number: Ints
    """Frequencies of one number are one period, with different drifts."""
    drift: Floats
    prior: Floats
    """Adds up to 1."""
    factor: Floats
    loose: Floats
    """The same as if a beat might leave any number of marks: how well its folds alone fit."""
    step: float
    lowest: float
    highest: float
    centre: float
    span: float
    bounds: Ints
    u: Floats
    spread: Floats
    weight: Floats
    spectra: dict[float, Spectrum]
    says: Bools
    """(n,) marks with a say."""

    def decibans(self, low: float | None = None, high: float | None = None, *, loose: bool = False) -> float:
        """Return 10 log10 of the Bayes factor for periods within bounds, log-uniform; what cannot be seen there counts 1."""
        first, last = 1.0 / (high or 1.0 / self.lowest), 1.0 / (low or 1.0 / self.highest)
        inside = (self.frequency >= first * (1 - 1e-9)) & (self.frequency <= last * (1 + 1e-9))
        seen = max(0.0, np.log(min(last, self.highest) / max(first, self.lowest))) if first < self.highest else 0.0
        total = np.log(last / first) if last > first else 0.0
        if not inside.any() or total <= 0 or seen <= 0:
            return 0.0
        share = min(1.0, seen / total)
        prior = self.prior[inside]
        factor = float((prior * (self.loose if loose else self.factor)[inside]).sum() / prior.sum())
        return float(10 * np.log10(max(share * factor + 1 - share, 1e-30)))


def sweep(
    clock: Clock, surface: Surface, pieces: Pieces, *, within: tuple[float, float] | None = None, known: tuple[float, float] | None = None,
    ground: tuple[Floats, Floats, Floats] | None = None, weight: Floats | None = None, drift: bool | None = None,
    top: int = TOP, measured: Bools | None = None,
) -> Sweep | None:  # fmt: skip
    """Hold the marks against every period of one clock; None where the band holds no two beats.

    Parameters
    ----------
    ground, weight
        For beats that only leave marks where something else allows them to: (k,) what the clock shows at the ends of each place
        that does and how much it counts, in place of the surface, and (c,) how much more than average each piece counts.
    within, known
        Bounds of the period in the clock's unit, in place of the usual ones: `within` is narrowed by the band and the errors
        of marks, `known` is not.
    drift
        Whether the clock may drift; by default time does.
    measured
        (n,) marks that have a say in this clock; all by default.
    """
    says = np.diff(pieces.bounds) > 0
    says &= True if measured is None else measured
    chosen = says[pieces.mark]
    u, spread = (column[chosen] for column in pieces.of(clock))
    own = pieces.weight[chosen]
    if says.sum() < 2 or not len(surface):
        return None
    bounds = np.concatenate(([0], np.cumsum(np.bincount(pieces.mark[chosen], minlength=len(says))))).astype(np.int64)
    u0, u1, mass = ground or (*surface.ends(clock), surface.area)
    if not mass.sum() > 0:
        return None
    circle = clock == "angle"
    if circle:
        u, low, high = u % 360.0, 0.0, 360.0
    else:
        low, high = float(min(u0.min(), u1.min())), float(max(u0.max(), u1.max()))
        low, high = min(low, float(u.min())), max(high, float(u.max()))
    centre, span = (low + high) / 2, max(high - low, 1e-9)
    reach = max(float(u.max() - u.min()), 0.2 * span)
    blur = float(np.median(np.sqrt(_by_mark(spread**2, own, bounds, says))))
    least, most = within or USUAL[clock]
    least = max(least, 3.0 * blur)
    if not circle:
        least, most = max(least, reach / MOST_BEATS), min(most, min(span, 1.25 * reach) / LEAST_BEATS.get(clock, 2.5))
    if known is not None:
        least, most = known
    if least >= most:
        return None
    step = 1 / 360.0 if circle else STEP / reach
    first = 1.0 / most
    count = max(1, int((1.0 / least - first) / step + 1e-6) + 1)
    grid_f: Floats = first + step * np.arange(count, dtype=np.float64)
    drifts = DRIFT if (clock == "time" if drift is None else drift) else DRIFT[:1]
    believed = np.exp(-0.5 * drifts**2)
    believed[0] = believed[1:].sum() if len(drifts) > 1 else 1.0
    believed /= believed.sum()
    amount = drifts * DRIFT_SD[surface.job.run is not None]
    bins = int(min(MOST_BINS, max(512, FINE.get(clock, 160) * span / least)))
    width = span / bins
    laid = np.zeros(bins + 2)
    if circle:
        _deposit_angles(surface, mass, width, laid)
    else:
        kernels.deposit(u0, u1, mass, low, width, laid)
    laid /= laid.sum()
    moments = clock in MOMENTS and ground is None
    own_weight = own if weight is None else own * weight[chosen]
    prior_f = 1.0 / grid_f
    prior_f /= prior_f.sum()
    size, turned = _transforming(len(laid), width, low - centre)
    spectra: dict[float, Spectrum] = {}
    warped: dict[float, Floats] = {}
    score = np.empty((len(drifts), count))
    for k, slope in enumerate(amount.tolist()):
        spectra[slope] = _spectrum(_warped_bins(laid, width, span, low, slope), width, size, turned)
        warped[slope] = _warp(u, low, span, slope) - centre
        s = spectra[slope]
        kernels.screen(
            first, step, warped[slope], spread, own_weight, float(says.sum()), s.real, s.imag, s.grid, score[k]
        )  # fmt: skip
    shared = _shared(laid, width, float(SIGMA[-1]) / first) if moments else (np.empty(0), np.empty(0))
    prior = (believed[:, None] * prior_f[None, :]).ravel()
    at, scaled = _chosen(score.ravel(), prior, top)
    k_of, m_of = np.divmod(at, count)
    factor, loose = np.empty(len(at)), np.empty(len(at))
    for k, slope in enumerate(amount.tolist()):
        mine = np.flatnonzero(k_of == k)
        if not len(mine):
            continue
        s, out, best = spectra[slope], np.empty(len(mine)), np.empty((len(mine), 4))
        kernels.evaluate(
            grid_f[m_of[mine]], warped[slope], spread, own_weight, bounds, s.real, s.imag, s.grid, SIGMA, SIGMA_WEIGHT,
            HIT, HIT_WEIGHT, FLOOR, PHASES, out, best,
        )  # fmt: skip
        loose[mine] = out
        if moments:
            tells = np.flatnonzero(out > LEAST_FACTOR * out.max())
            f, best, change = grid_f[m_of[mine[tells]]], best[tells], np.empty(len(tells))
            many = 1.0 + _moments(shared, best[:, 1] / f, best[:, 1]) * np.maximum(1.0 / best[:, 3] - FLOOR, 0.0)
            kernels.once(f, warped[slope], spread, own_weight, bounds, best, FLOOR, many, change)
            out[tells] *= change
        factor[mine] = out
    return Sweep(
        clock, grid_f[m_of], m_of, amount[k_of], scaled, factor, loose, step, first, float(grid_f[-1]) if count > 1 else 1 / least,
        centre, span, bounds, u, spread, own_weight, spectra, says,
    )  # fmt: skip


def _shared(laid: Floats, width: float, most: float) -> tuple[Floats, Floats]:
    """Return by how much moments stray, up to `most`, and the sum of the squared shares of the surface in bins as wide."""
    total = np.concatenate(([0.0], np.cumsum(laid)))
    steps = np.unique(np.geomspace(1, max(2.0, np.sqrt(12.0) * most / width + 1), 40).astype(np.int64))
    squares = [float((np.diff(total[:: int(step)], append=1.0) ** 2).sum()) for step in steps]
    return steps * width / np.sqrt(12.0), np.array(squares)  # an even density of this width strays as much


def _moments(shared: tuple[Floats, Floats], strays: Floats, sigma: Floats) -> Floats:
    """Return (k,) how many moments of a beat may leave marks on the surface, on average over its phase.

    A moment `strays` by sigma of a period, so it may or may not come while the surface is printed. Of moments with chances p_b so
    many count as (sum p)^2 / sum p^2; with p_b what of the clock goes to the surface in a bin as wide as a moment strays, that
    is the bin over the period over the sum of the squared shares of the surface in bins.
    """
    squares = np.exp(np.interp(np.log(strays), np.log(shared[0]), np.log(shared[1])))
    return np.asarray(np.sqrt(12.0) * sigma / squares)


def _chosen(score: Floats, prior: Floats, top: int) -> tuple[Ints, Floats]:
    """Return which cells are evaluated and the prior that each stands for: the best by score, and a sample of the rest."""
    if len(score) <= top + REST:
        return np.arange(len(score)), prior
    # Belief counts: a cell of little prior must be more telling.
    rank = 0.5 * np.asarray(score) ** 2 + 0.5 * np.log(prior)
    best = np.argpartition(rank, -top)[-top:]
    rest = np.ones(len(score), np.bool_)
    rest[best] = False
    others = np.flatnonzero(rest)
    total = np.cumsum(prior[others])
    drawn = np.searchsorted(total, total[-1] * (np.arange(REST) + 0.5) / REST)
    drawn, times = np.unique(drawn, return_counts=True)
    at = np.concatenate((best, others[drawn]))
    return at, np.concatenate((prior[best], total[-1] * times / REST))


def _by_mark(values: Floats, weight: Floats, bounds: Ints, says: Bools) -> Floats:
    total = np.concatenate(([0.0], np.cumsum(values * weight)))
    scale = np.concatenate(([0.0], np.cumsum(weight)))
    mean: Floats = (total[bounds[1:]] - total[bounds[:-1]])[says] / (scale[bounds[1:]] - scale[bounds[:-1]])[says]
    return np.maximum(mean, 0.0)


def _warp(u: Floats, low: float, span: float, slope: float) -> Floats:
    """Return the clock with a rate that differs by `slope` at one end and by as much the other way at the other."""
    s = np.clip((u - low) / span, 0.0, 1.0)
    return np.asarray(u + slope * span * s * (1 - s))


def _warped_bins(laid: Floats, width: float, span: float, low: float, slope: float) -> Floats:
    if slope == 0.0:
        return laid
    at = _warp(low + width * np.arange(len(laid), dtype=np.float64), low, span, slope)
    out = np.zeros_like(laid)
    kernels.deposit(at, at, laid, low, width, out)
    return out


def _deposit_angles(surface: Surface, mass: Floats, width: float, laid: Floats) -> None:
    """Lay out angles, wrapped. Along a straight wall the angle runs unevenly: long moves are laid out in pieces."""
    a0, a1 = surface.ends("angle")
    pieces = np.maximum(1, np.ceil(np.abs(a1 - a0) / FACET_DEG)).astype(np.int64)
    at = np.repeat(np.arange(len(a0)), pieces)
    begin = (np.arange(len(at)) - np.repeat(np.cumsum(pieces) - pieces, pieces)) / pieces[at]
    (x0, x1), (y0, y1) = surface.ends("x"), surface.ends("y")

    def angle(share: Floats) -> Floats:
        x, y = x0[at] + share * (x1 - x0)[at] - surface.axis[0], y0[at] + share * (y1 - y0)[at] - surface.axis[1]
        turned: Floats = (np.degrees(np.arctan2(y, x)) - a0[at] + 180.0) % 360.0 - 180.0
        return a0[at] + turned

    from_, to = angle(begin), angle(begin + 1 / pieces[at])
    for turn in (-360.0, 0.0, 360.0):
        kernels.deposit(from_ + turn, to + turn, mass[at] / pieces[at], 0.0, width, laid)
    laid[-2:] = 0.0  # a whole turn: it was laid out where the first one begins


def _transforming(bins: int, width: float, offset: float) -> tuple[int, NDArray[np.complex128]]:
    """Return to what length bins are padded, and what turns their transform into one from the centre, undone of the sharing."""
    from scipy import fft

    size = fft.next_fast_len((2 * PAD if bins < MOST_BINS // 32 else PAD // 2) * bins, real=True)
    at = np.arange(size // 2 + 1) * (np.pi / size)
    # What was laid out is shared between two bins, which blurs by sinc^2 (Hockney & Eastwood 1988, 5; from memory).
    blur = np.sin(at) / np.maximum(at, 1e-300)
    blur[0] = 1.0
    return size, np.exp((2j * offset / width) * at) / blur**2


def _spectrum(laid: Floats, width: float, size: int, turned: NDArray[np.complex128]) -> Spectrum:
    """Return E[e^(2 pi i f u)] on a grid of frequencies, u from the centre."""
    from scipy import fft

    transform = np.conj(fft.rfft(laid, size)) * turned
    return Spectrum(transform.real.copy(), transform.imag.copy(), 1.0 / (size * width))


def wrapped_normal(turns: Floats, sd: Floats) -> Floats:
    """Return the density of the wrapped normal at turns from its middle, in units of the uniform (Mardia & Jupp 2000, 3.5)."""
    far = int(min(3.0, np.ceil(5.0 * np.max(sd, initial=0.0) + 0.5)))
    k = np.arange(-far, far + 1).reshape(-1, *([1] * np.ndim(turns)))
    off = turns - np.round(turns)
    narrow = np.exp(-0.5 * ((off + k) / sd) ** 2).sum(axis=0) / (np.sqrt(2 * np.pi) * sd)
    return np.asarray(narrow)


def ratios(found: Sweep, frequency: float, drift: float, sigma: float, phase: Floats) -> Floats:
    """Return (n, phases) r of each mark at a hit rate of one: plain, the twin of the kernel; 1 for marks without a say."""
    low = found.centre - found.span / 2
    u = _warp(found.u, low, found.span, drift) - found.centre
    s = found.spectra[drift]
    mean = np.ones(len(phase))
    for k in range(1, int(0.6 / sigma) + 1):
        if (damp := 2 * np.exp(-2 * (np.pi * k * sigma) ** 2)) < 2e-3:
            break
        at = k * frequency / s.grid
        b = int(at)
        if b + 1 >= len(s.real):
            break
        value = complex(s.real[b] + (at - b) * (s.real[b + 1] - s.real[b]), s.imag[b] + (at - b) * (s.imag[b + 1] - s.imag[b]))
        mean += damp * (value * np.exp(-2j * np.pi * k * phase)).real
    wide = np.sqrt(sigma**2 + (found.spread * frequency) ** 2)
    g = found.weight[:, None] * wrapped_normal(phase[None, :] - frequency * u[:, None], wide[:, None])
    total = np.concatenate((np.zeros((1, len(phase))), np.cumsum(g, axis=0)))
    by_mark = total[found.bounds[1:]] - total[found.bounds[:-1]]
    r = (by_mark + FLOOR) / (np.maximum(mean, 0.0) + FLOOR)
    r[np.diff(found.bounds) == 0] = 1.0
    return np.asarray(r)


def best_beat(found: Sweep, frequency: float, drift: float, *, exact: bool = False) -> Beat:
    """Return the likeliest beat near a frequency (within a step either way), or at just that one."""
    phase = np.arange(PHASES) / PHASES
    best: tuple[float, Beat] | None = None
    fixed = exact or found.clock == "angle"
    tries = [frequency] if fixed else (frequency + found.step * np.linspace(-1.0, 1.0, 17)).tolist()
    for f in tries:
        for sigma in SIGMA.tolist():
            r = ratios(found, f, drift, sigma, phase)
            product = np.log1p(HIT[:, None, None] * (r[None] - 1)).sum(axis=1)
            h, j = np.unravel_index(int(np.argmax(product)), product.shape)
            if best is None or product[h, j] > best[0]:
                beat = Beat(f, float(phase[j]), drift, sigma, float(HIT[h]), r[:, j], np.empty(0))
                best = (float(product[h, j]), beat)
    assert best is not None
    beat = best[1]
    return Beat(
        beat.frequency, beat.phase, drift, beat.sigma, beat.hit, np.where(found.says, beat.ratio, np.nan), _folded(found, beat)
    )  # fmt: skip


def _folded(found: Sweep, beat: Beat) -> Floats:
    """Return (n,) where each mark falls on the beat, at the piece that suits the beat best."""
    u = _warp(found.u, found.centre - found.span / 2, found.span, beat.drift) - found.centre
    off = beat.frequency * u - beat.phase
    off = off - np.round(off)
    wide = np.sqrt(beat.sigma**2 + (found.spread * beat.frequency) ** 2)
    suits = found.weight * wrapped_normal(off, wide)
    out = np.full(len(found.bounds) - 1, np.nan)
    for i, (a, b) in enumerate(zip(found.bounds[:-1], found.bounds[1:], strict=True)):
        if b > a:
            out[i] = off[a + int(np.argmax(suits[a:b]))]
    return out


__all__ = ["Beat", "Int32s", "Sweep", "best_beat", "ratios", "sweep", "wrapped_normal"]
