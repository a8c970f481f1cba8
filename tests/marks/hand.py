"""Marks and jobs made by hand for the tests of the inference."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from diagnose.coupons.spiral import tube
from diagnose.marks.model import Marks
from diagnose.marks.surface import Surface
from diagnose.toolpath.columns import Floats, Ints
from diagnose.toolpath.job import Job
from diagnose.toolpath.machine import Machine
from tests.toolpath import parts


def marks(height: object, angle: object = None, *, height_err: float = 0.1, angle_err: float = 2.0) -> Marks:
    h = np.atleast_1d(np.asarray(height, float))
    nothing = np.full(len(h), np.nan)
    a = nothing if angle is None else np.asarray(angle, float) % 360.0
    return Marks(
        h, a, nothing, nothing.copy(), np.full(len(h), height_err), np.full(len(h), angle_err), nothing.copy(),
        nothing.copy(), np.arange(1, len(h) + 1, dtype=np.int32),
    )  # fmt: skip


def spiral(folder: Path, *, radius: float = 25.0, height: float = 30.0, facets: int = 120, on: Machine | None = None) -> Job:
    return parts.read(folder, tube(radius=radius, height=height, facets=facets, speed=50.0), on)


def boxes(folder: Path, *, layers: int = 60, on: Machine | None = None, **given: object) -> Job:
    """Return a square of 30 mm, one loop a layer, drawn in short pieces."""
    return parts.read(folder, parts.layered(parts.square(30.0, pieces=20), layers, **given), on)  # type: ignore[arg-type]


def strewn(surface: Surface, count: int, random: np.random.Generator) -> tuple[Ints, Floats]:
    """Return moves of a surface (positions in it) and shares, drawn evenly over the printed surface."""
    total = np.cumsum(surface.area)
    return np.searchsorted(total, random.uniform(0, total[-1], count)), random.uniform(size=count)


def measured(surface: Surface, at: Ints, share: Floats, random: np.random.Generator) -> Marks:
    """Return what a person measures of spots on a surface, with errors of 0.1 mm and 2 degrees."""
    x, y, z = (a + share * (b - a) for a, b in ((u[at] for u in surface.ends(c)) for c in ("x", "y", "height")))
    angle = np.degrees(np.arctan2(y - surface.axis[1], x - surface.axis[0]))
    n = len(at)
    order = np.argsort(z)
    return marks(z[order] + 0.1 * random.standard_normal(n), angle[order] + 2.0 * random.standard_normal(n))
