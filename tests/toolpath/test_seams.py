"""The circular statistic of seams against published values and two libraries; seams of islands one by one."""

from __future__ import annotations

import math
import random

import numpy as np
import pytest

from diagnose.toolpath.seams import rayleigh
from tests.toolpath.jobs import circle, layered, ring, shape_of, square

EXAMPLES = {
    "T-01, Zar 2010, examples 26.2 and 27.1": ([45, 55, 81, 96, 110, 117, 132, 154], 0.8252177, 0.00185164, 1e-7),
    "T-03, Mardia & Jupp 2000, p. 93": ([55, 60, 65, 95, 100, 110, 260, 275, 285, 295], 0.2228717, 0.6201354, 2e-3),
    "T-02, documentation of a library": ([130, 90, 0, 145], None, 0.2563487733797317, 4e-3),
}
"""Angles in degrees, mean resultant length, chance, and how near: the last two are of a two-term series, not of Zar's form."""


@pytest.mark.parametrize("example", EXAMPLES)
def test_the_chance_of_a_resultant_is_the_published_one(example: str) -> None:
    angles, resultant, chance, within = EXAMPLES[example]
    found = abs(np.exp(1j * np.radians(angles)).mean())
    assert resultant is None or found == pytest.approx(resultant, abs=1e-7)
    assert rayleigh(found, len(angles)) == pytest.approx(chance, abs=within)


def test_six_tight_angles_are_judged_with_caution() -> None:
    """T-17: the exact chance (Kluyver 1905) is 1.521e-6, the form used here says 3.9e-4: the safe side."""
    assert rayleigh(0.99444, 6) == pytest.approx(3.9e-4, rel=0.02)


@pytest.mark.parametrize(("n", "kappa", "seed"), [(20, 0.0, 1), (40, 0.5, 2), (60, 2.0, 3), (100, 0.2, 4)])
def test_the_chance_agrees_with_a_library_for_random_angles(n: int, kappa: float, seed: int) -> None:
    from astropy import stats as astropy

    angles = np.random.default_rng(seed).vonmises(0.0, kappa, n)
    resultant = abs(np.exp(1j * angles).mean())
    assert rayleigh(resultant, n) == pytest.approx(float(astropy.rayleightest(angles)), abs=2e-3, rel=0.05)


def test_the_resultant_of_a_job_is_one_less_the_variance_of_scipy() -> None:
    from scipy.stats import circvar

    rng = random.Random(17)
    begins = [rng.randrange(90) for _ in range(40)]
    found = shape_of(layered([ring(circle(20, 90), begin=b) for b in begins]))
    assert found.seam_pattern.resultant == pytest.approx(1 - float(circvar(2 * np.pi * np.array(begins) / 90)), abs=1e-4)
    assert found.seam_pattern.p_uniform == pytest.approx(rayleigh(found.seam_pattern.resultant, 40), rel=1e-3)


def test_chance_is_even_under_chance() -> None:
    """Over many random parts of twenty seams the chance is as often below a level as the level says."""
    rng = np.random.default_rng(5)
    chances = np.array([rayleigh(abs(np.exp(2j * np.pi * rng.random(20)).mean()), 20) for _ in range(4000)])
    for level in (0.05, 0.2, 0.5):
        assert (chances < level).mean() == pytest.approx(level, abs=0.025)


def test_each_island_has_its_seams_round_its_own_middle() -> None:
    """Two posts begun on their far sides, one to the left, one to the right."""
    layer = [*ring(circle(8, 40, cx=60), begin=20), *ring(circle(8, 40, cx=140), begin=0)]
    found = shape_of(layered([layer] * 12)).seams
    for column, (x, angle) in enumerate([(52, math.pi), (148, 0.0)]):
        mine = found.column == column
        assert found.x[mine] == pytest.approx(np.full(12, x), abs=1e-3)
        assert np.abs(np.exp(1j * found.own_angle[mine]) - np.exp(1j * angle)).max() < 1e-3
    assert found.axis == pytest.approx((100.0, 100.0), abs=1e-2)


def test_a_seam_that_stays_in_one_corner_is_a_line() -> None:
    assert shape_of(layered([ring(square(15, steps=20), begin=20)] * 20)).seam_style == "aligned"


def test_one_part_aligned_among_scattered_ones_does_not_make_the_plate_aligned() -> None:
    rng = random.Random(2)
    layers = [
        [line for k in range(4) for line in ring(circle(8, 40, cx=40 + 30 * k), begin=rng.randrange(40) if k else 0)]
        for _ in range(30)
    ]
    assert shape_of(layered(layers)).seam_style == "scattered"
