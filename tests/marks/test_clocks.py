"""Beats of clocks: kernels against slow twins, and what may be claimed of marks strewn about."""

from __future__ import annotations

import itertools
from pathlib import Path

import numpy as np
import pytest
from scipy import stats

from diagnose.marks import _kernels as kernels
from diagnose.marks.clocks import (
    FLOOR,
    HIT,
    HIT_WEIGHT,
    PHASES,
    SIGMA,
    SIGMA_WEIGHT,
    Sweep,
    _deposit_angles,
    ratios,
    sweep,
    wrapped_normal,
)
from diagnose.marks.model import Clock
from diagnose.marks.placing import place_marks
from diagnose.marks.readings import read_sweep
from diagnose.marks.surface import Surface, find_surface
from diagnose.toolpath.columns import Floats
from tests.marks.hand import boxes, marks, measured, spiral, strewn
from tests.toolpath import parts


def swept(surface: Surface, clock: Clock, seed: int = 3, count: int = 10) -> Sweep:
    random = np.random.default_rng(seed)
    band, pieces, _ = place_marks(surface, measured(surface, *strewn(surface, count, random), random))
    found = sweep(clock, band, pieces)
    assert found is not None
    return found


def factor_of(found: Sweep, frequency: float, drift: float = 0.0) -> float:
    spectrum, out = found.spectra[drift], np.empty(1)
    low = found.centre - found.span / 2
    s = np.clip((found.u - low) / found.span, 0, 1)
    u = found.u + drift * found.span * s * (1 - s) - found.centre
    kernels.evaluate(
        np.array([frequency]), u, found.spread, found.weight, found.bounds, spectrum.real, spectrum.imag, spectrum.grid,
        SIGMA, SIGMA_WEIGHT, HIT, HIT_WEIGHT, FLOOR, PHASES, out, np.empty((1, 4)),
    )  # fmt: skip
    return float(out[0])


@pytest.mark.parametrize("clock", ["time", "filament", "height", "angle", "x"])
@pytest.mark.parametrize("shape", [boxes, spiral])
def test_the_factor_of_one_period_is_that_of_a_plain_twin(tmp_path: Path, shape: object, clock: Clock) -> None:
    found = swept(find_surface(shape(tmp_path, on=parts.PLAIN)), clock)  # type: ignore[operator]
    phase = np.arange(PHASES) / PHASES
    drift = max(found.spectra)
    for frequency in np.geomspace(found.lowest, found.highest, 7).tolist():
        twin = sum(
            a * b * np.prod(1 + h * (ratios(found, frequency, drift, s, phase) - 1), axis=0).mean()
            for s, a in zip(SIGMA.tolist(), SIGMA_WEIGHT.tolist(), strict=True)
            for h, b in zip(HIT.tolist(), HIT_WEIGHT.tolist(), strict=True)
        )
        assert factor_of(found, frequency, drift) == pytest.approx(twin, rel=0.03)


@pytest.mark.parametrize("many", [9.0, 14.0, 300.0])
def test_marks_at_one_moment_exclude_each_other_as_a_plain_count_of_all_choices_says(many: float) -> None:
    """Slow twin: every way to give marks a moment each, or none, and no moment to two. Some marks may lie at either of two.

    The kernel takes pairs to share a moment independently of each other and of how many keep the beat: hence within a deciban.
    """
    random = np.random.default_rng(11)
    first = np.arange(5) + 0.02 * random.standard_normal(5)
    u = np.concatenate((first, [2.01, 0.4, 5.0, 6.02]))  # the sixth shares, the seventh is off, the last is at either of two
    bounds = np.array([0, 1, 2, 3, 4, 5, 6, 7, 9])
    weight = np.array([1, 1, 1, 1, 1, 1, 1, 0.5, 0.5])
    hit, sigma, mean, change = 0.78, 0.025, 1 / (0.9 + FLOOR), np.empty(1)
    best = np.array([[0.0, sigma, hit, mean]])
    kernels.once(np.ones(1), u, np.full(9, 0.01), weight, bounds, best, FLOOR, np.array([many]), change)
    g = weight * stats.norm.pdf(u - np.round(u), scale=np.hypot(sigma, 0.01))
    total, loose = 0.0, 1.0
    # Each mark: (odds, moment) of every choice; the floor is a moment of its own.
    choices = [
        [(1.0, None), *((hit * g[c] * mean / (1 - hit), round(float(u[c]))) for c in range(a, b)),
         (hit * FLOOR * mean / (1 - hit), -1 - i)]
        for i, (a, b) in enumerate(itertools.pairwise(bounds.tolist()))
    ]  # fmt: skip
    for one in itertools.product(*choices):
        moments = [at for _, at in one if at is not None]
        if len(set(moments)) == len(moments):
            total += np.prod([odds for odds, _ in one]) * np.prod([many / (many - j) for j in range(len(moments))])
    for choice in choices:
        loose *= sum(odds for odds, _ in choice)
    assert abs(10 * np.log10(change[0] / (total / loose))) < 1.0


def test_as_many_moments_as_marks_speak_for_a_beat_and_one_moment_for_many_against() -> None:
    spread, weight, change = np.full(10, 0.01), np.ones(10), np.empty(1)
    best = np.array([[0.0, 0.025, 0.78, 1.0]])
    for u, least, most in ((np.arange(10.0), 20.0, np.inf), (np.full(10, 4.0), 0.0, 1e-3)):
        kernels.once(np.ones(1), u, spread, weight, np.arange(11), best, FLOOR, np.array([11.0]), change)
        assert least < change[0] < most


@pytest.mark.parametrize("clock", ["time", "path", "height", "layer", "angle", "x"])
@pytest.mark.parametrize("shape", [boxes, spiral])
def test_the_mean_of_a_beat_over_the_surface_is_that_of_fine_samples(tmp_path: Path, shape: object, clock: Clock) -> None:
    surface = find_surface(shape(tmp_path, on=parts.PLAIN))  # type: ignore[operator]
    random = np.random.default_rng(5)
    given = measured(surface, *strewn(surface, 10, random), random)
    band, pieces, _ = place_marks(surface, given)
    found = sweep(clock, band, pieces)
    assert found is not None
    share = (np.arange(20) + 0.5) / 20
    u0, u1 = band.ends(clock)
    u = (u0[:, None] + share * (u1 - u0)[:, None]).ravel() - found.centre
    area = np.repeat(band.area / 20, 20)
    phase = np.array([0.0, 0.13, 0.5, 0.77])
    # A mark without error, alone on the surface at the phase asked for, shows the mean alone.
    tried = np.geomspace(found.lowest, min(found.highest, 40 * found.lowest), 6)
    for frequency in (np.unique(np.round(360 * tried)) / 360 if clock == "angle" else tried).tolist():
        for sigma in SIGMA.tolist():
            fine = np.array([np.average(wrapped_normal(p - frequency * u, np.full(len(u), sigma)), weights=area) for p in phase])
            r = ratios(found, frequency, 0.0, sigma, phase)
            wide = np.sqrt(sigma**2 + (found.spread * frequency) ** 2)
            g = found.weight[:, None] * wrapped_normal(phase[None] - frequency * (found.u - found.centre)[:, None], wide[:, None])
            by_mark = np.stack([g[a:b].sum(axis=0) for a, b in zip(found.bounds[:-1], found.bounds[1:], strict=True)])
            implied = (by_mark + FLOOR) / r - FLOOR
            np.testing.assert_allclose(implied[by_mark.max(axis=1) > 0], np.broadcast_to(fine, implied.shape)[by_mark.max(axis=1) > 0], rtol=0.05, atol=0.1)


def test_angles_along_straight_walls_are_laid_out_as_dense_samples_of_them_lie(tmp_path: Path) -> None:
    """A square of four moves a layer: halfway to a corner the angle has run through more than half of what is left."""
    surface = find_surface(parts.read(tmp_path, parts.layered(parts.square(30.0), 5)))
    bins = 90
    laid = np.zeros(bins + 2)
    _deposit_angles(surface, surface.area, 360.0 / bins, laid)
    assert laid.sum() == pytest.approx(surface.area.sum())  # nothing twice where a turn begins anew
    share = (np.arange(20_000) + 0.5) / 20_000
    (x0, x1), (y0, y1) = surface.ends("x"), surface.ends("y")
    x, y = x0[:, None] + share * (x1 - x0)[:, None], y0[:, None] + share * (y1 - y0)[:, None]
    angle = np.degrees(np.arctan2(y - surface.axis[1], x - surface.axis[0])) % 360.0
    weight = np.repeat(surface.area / len(share), len(share))

    def turns(at: Floats, mass: Floats, k: int) -> complex:
        return complex((mass * np.exp(1j * k * np.radians(at))).sum() / mass.sum())

    centres = 360.0 / bins * np.arange(bins + 2)
    a0, a1 = surface.ends("angle")
    evenly = (a0[:, None] + share * (a1 - a0)[:, None]).ravel()
    for k in (1, 2, 4, 8):
        dense = turns(angle.ravel(), weight, k)
        assert turns(centres, laid, k) == pytest.approx(dense, abs=0.004), k
    assert abs(turns(evenly, weight, 4) - turns(angle.ravel(), weight, 4)) > 0.02  # so the test can tell


def test_the_wrapped_normal_is_that_of_its_fourier_series() -> None:
    turns = np.linspace(-1, 1, 101)
    for sd in (0.02, 0.07, 0.25, 0.5):
        k = np.arange(1, 200)
        series = 1 + 2 * (np.exp(-2 * (np.pi * k * sd) ** 2) * np.cos(2 * np.pi * k * turns[:, None])).sum(axis=1)
        np.testing.assert_allclose(wrapped_normal(turns, np.full(101, sd)), series, atol=1e-9)


def test_the_screen_on_an_even_surface_is_rayleighs_statistic() -> None:
    """Against astropy's Rayleigh test, which takes p = e^-z (1 + ...) with z = n R^2 = score^2."""
    circstats = pytest.importorskip("astropy.stats.circstats")
    random = np.random.default_rng(8)
    u = random.uniform(0, 100, 400)
    frequency = 0.37
    score = np.empty(1)
    even = np.zeros(4)
    kernels.screen(frequency, 0.01, u, np.zeros(400), np.ones(400), 400.0, even, even, 1.0, score)
    angle = 2 * np.pi * frequency * u
    z = 1.02 * score[0] ** 2  # the guard against a surface all at one phase
    assert z == pytest.approx(400 * circstats.circmoment(angle)[1] ** 2, rel=1e-9)
    assert np.exp(-z) == pytest.approx(float(circstats.rayleightest(angle)), rel=0.02)


def test_the_screen_keeps_its_rotation_exact_over_many_frequencies() -> None:
    random = np.random.default_rng(9)
    u, spread = random.uniform(-50, 50, 30), random.uniform(0, 0.2, 30)
    score, zero = np.empty(3000), np.zeros(2)
    kernels.screen(0.1, 0.001, u, spread, np.full(30, 1 / 3), 10.0, zero, zero, 1e9, score)
    f = 0.1 + 0.001 * np.arange(3000)
    direct = np.exp(2j * np.pi * f[:, None] * u - 2 * (np.pi * f[:, None] * spread) ** 2).sum(axis=1) / 3
    np.testing.assert_allclose(score, np.abs(direct) / np.sqrt(10.2), rtol=1e-9, atol=1e-12)


@pytest.mark.parametrize("shape", [boxes, spiral])
def test_marks_strewn_about_are_claimed_no_oftener_than_markov_allows(tmp_path: Path, shape: object) -> None:
    surface = find_surface(shape(tmp_path, on=parts.PLAIN))  # type: ignore[operator]
    random = np.random.default_rng(11)
    clocks: tuple[Clock, ...] = ("time", "filament", "height", "x")
    found: dict[Clock, list[float]] = {clock: [] for clock in clocks}
    for _ in range(60):
        band, pieces, _ = place_marks(surface, measured(surface, *strewn(surface, 10, random), random))
        for clock in clocks:
            one = sweep(clock, band, pieces, top=600)
            assert one is not None
            found[clock].append(one.decibans())
    for clock in clocks:
        factor = 10 ** (np.array(found[clock]) / 10)
        for most in (3.0, 10.0, 30.0):
            times = int(np.count_nonzero(factor > most))
            assert stats.binom.sf(times - 1, 60, 1 / most) > 1e-3, f"{clock}: {times} of 60 above {most}"
        assert np.median(factor) < 1


def beats(surface: Surface, clock: Clock, period: float, count: int, random: np.random.Generator) -> tuple[Floats, Floats]:
    u0, u1 = surface.ends(clock)
    at = np.flatnonzero(np.floor(u0 / period) != np.floor(u1 / period))
    chosen = np.sort(random.choice(at, min(count, len(at)), replace=False))
    late = 0.02 * period * random.standard_normal(len(chosen))
    wanted = np.ceil(u0[chosen] / period) * period + late
    chosen = np.clip(np.searchsorted(u1, wanted), 0, len(u1) - 1)
    return chosen, np.clip((wanted - u0[chosen]) / (u1 - u0)[chosen], 0, 1)


@pytest.mark.parametrize(("clock", "period"), [("time", 7.3), ("path", 410.0), ("filament", 22.9)])
def test_the_period_of_a_beat_is_found_with_its_phase(tmp_path: Path, clock: Clock, period: float) -> None:
    surface = find_surface(boxes(tmp_path, layers=80, speed=lambda k: 40 + 30 * np.sin(k / 9), on=parts.PLAIN))
    random = np.random.default_rng(2)
    at, share = beats(surface, clock, period, 14, random)
    band, pieces, _ = place_marks(surface, measured(surface, at, share, random))  # type: ignore[arg-type]
    found = sweep(clock, band, pieces)
    assert found is not None and found.decibans() > 15
    read = read_sweep(found, band, {})
    assert read.period == pytest.approx(period, rel=0.01)
    assert read.low <= period <= read.high
    assert read.hits >= 12


def test_decibans_of_a_range_are_of_periods_in_it_and_of_one_where_nothing_is_seen(tmp_path: Path) -> None:
    found = swept(find_surface(spiral(tmp_path)), "height")
    whole = 10 ** (found.decibans() / 10)
    middle = 1 / np.sqrt(found.lowest * found.highest)
    halves = [10 ** (found.decibans(a, b) / 10) for a, b in ((1 / found.highest, middle), (middle, 1 / found.lowest))]
    assert np.mean(halves) == pytest.approx(whole, rel=0.1)
    assert found.decibans(1000.0, 2000.0) == 0.0
    tenth = 10 ** (found.decibans(1 / found.highest, (1 / found.lowest) * (found.highest / found.lowest)) / 10)
    assert tenth == pytest.approx(0.5 * whole + 0.5, rel=0.05)


def test_a_clock_that_shows_no_two_beats_says_nothing(tmp_path: Path) -> None:
    surface = find_surface(boxes(tmp_path))
    _, pieces, _ = place_marks(surface, marks([2.0, 2.0, 2.0, 2.0], [0, 90, 180, 270]))
    assert sweep("layer", surface.between(1.9, 2.1), pieces) is None
