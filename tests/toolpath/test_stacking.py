"""Layers that are not flat, and objects drawn one after the other."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
import pytest

from diagnose.coupons.spiral import tube, write
from diagnose.toolpath.columns import Role
from tests.toolpath.jobs import circle, layered, ring, shape_of, square

Surface = Callable[[float, float], float]


def swell(x: float, y: float) -> float:
    """Four mm from trough to crest, 40 mm long; slopes up to 0.31."""
    return 2.0 + 2.0 * math.sin(2 * math.pi * x / 40)


def curved_layer(surface: Surface, z: float, half: float = 20.0, apart: float = 1.0) -> list[str]:
    """Return a closed wall and parallel lines that follow a surface, in pieces of about a mm (relative filament)."""
    wall = square(half, 100, 100, steps=40)
    lines = [f"G0 X{wall[0][0]:.3f} Y{wall[0][1]:.3f} Z{z + surface(*wall[0]):.4f}"]
    lines += [f"G1 X{x:.3f} Y{y:.3f} Z{z + surface(x, y):.4f} E0.05" for x, y in [*wall[1:], wall[0]]]
    for k in range(int(2 * (half - 1) / apart)):
        y = 100 - half + 1 + apart * k
        xs = np.linspace(101 - half, 99 + half, 40)[:: 1 if k % 2 == 0 else -1]
        lines += [f"G0 X{xs[0]:.3f} Y{y:.3f} Z{z + surface(float(xs[0]), y):.4f}"]
        lines += [f"G1 X{x:.3f} Y{y:.3f} Z{z + surface(float(x), y):.4f} E0.05" for x in xs[1:]]
    return lines


def test_a_swell_printed_along_its_surface_has_as_many_layers_as_were_drawn() -> None:
    layers = 15
    found = shape_of("\n".join(["M83", *(line for k in range(layers) for line in curved_layer(swell, 0.2 * (k + 1)))]))
    assert len(found.layer_z) == layers
    assert found.layer_z == pytest.approx(4.0 + 0.2 * np.arange(1, layers + 1), abs=0.02)
    assert found.layer_path.max() == pytest.approx(found.layer_path.min(), rel=0.01)
    assert found.spiral.share == 0.0 and found.overhang.share == pytest.approx(0.0, abs=0.01)


def test_walls_of_curved_layers_are_loops_with_a_seam_each() -> None:
    found = shape_of("\n".join(["M83", *(line for k in range(8) for line in curved_layer(swell, 0.2 * (k + 1)))]))
    assert len(found.seams.move) == 8 and found.seam_style == "aligned" and found.islands.tolist() == [1] * 8
    outer = float(found.length[found.role == Role.OUTER].sum())
    assert outer == pytest.approx(8 * (80 + 2 * 40 * 1.024), rel=0.02)


def test_a_curved_skin_on_a_flat_body_is_layers_of_its_own() -> None:
    """Ten flat layers, then four that follow a shallow dome."""

    def dome(x: float, y: float) -> float:
        return 1.5 - 1.5 * ((x - 100) ** 2 + (y - 100) ** 2) / 800

    def flat(x: float, y: float) -> float:
        return 0.0

    lines = [line for k in range(10) for line in curved_layer(flat, 0.2 * (k + 1))]
    lines += [line for k in range(4) for line in curved_layer(dome, 2.2 + 0.2 * k)]
    found = shape_of("\n".join(["M83", *lines]))
    assert len(found.layer_z) == 14
    assert found.layer_z[:10] == pytest.approx(0.2 * np.arange(1, 11))
    assert np.allclose(found.layer_path, found.layer_path[0], rtol=0.02)


def test_a_job_of_ramps_at_the_seams_stays_flat() -> None:
    """Loops whose first quarter climbs from the layer below: twenty layers, no more."""
    ramped = []
    for layer in range(20):
        points = circle(20, 60)
        rises = [f" Z{0.2 * layer + 0.2 * min(k + 1, 15) / 15:.4f}" for k in range(60)]
        ends = points[1:] + points[:1]
        ramped += ["G0 X120 Y100", *(f"G1 X{x:.3f} Y{y:.3f}{z} E0.05" for (x, y), z in zip(ends, rises, strict=True))]
    found = shape_of("\n".join(["M83", "G0 Z0", *ramped]))
    assert found.layer_z == pytest.approx(0.2 * np.arange(1, 21))
    assert np.allclose(found.layer_path, found.layer_path[0], rtol=0.01)
    assert len(found.loops) == len(found.seams.move) == 20 and found.seam_style == "aligned"
    assert found.islands.tolist() == [1] * 20 and (found.role[found.length > 0] != Role.UNKNOWN).all()


def tower(cx: float, height: float, layers: int) -> list[str]:
    lines = []
    for layer in range(layers):
        lines += [f"G0 Z{height * (layer + 1):.3f}", *ring(circle(8, 40, cx=cx), begin=7)]
    return [*lines, f"G0 Z{height * layers + 5:.3f}"]


@pytest.mark.parametrize("heights", [(0.2, 0.2, 0.2), (0.2, 0.3, 0.1)], ids=["alike", "differing"])
def test_objects_are_counted_where_drawing_returns_to_the_bed(heights: tuple[float, ...]) -> None:
    lines = [line for k, height in enumerate(heights) for line in tower(60 + 40 * k, height, 15)]
    found = shape_of("\n".join(["M83", *lines]))
    assert found.objects == 3
    assert found.seam_style == "aligned" and found.overhang.share == 0.0
    assert sorted(np.bincount(found.seams.column).tolist()) == [15, 15, 15]


def test_a_plate_drawn_layer_by_layer_is_one_object() -> None:
    layer = [*ring(square(8, cx=60)), *ring(square(8, cx=140))]
    assert shape_of(layered([layer] * 12)).objects == 1


def test_spirals_one_after_the_other_are_objects_and_stretches() -> None:
    one = write(tube(radius=15, height=4, facets=60, speed=60)).splitlines()
    other = [line.replace("X1", "X2") for line in one]
    found = shape_of("\n".join([*one, "G0 Z20", *other]))
    assert found.objects == 2 and len(found.spiral.first) == 2
    assert found.spiral.bottom == pytest.approx([0.2, 0.2], abs=0.03)
    assert found.spiral.top == pytest.approx([4.0, 4.0], abs=0.03)
    assert found.islands.max() == 2


def test_a_spiral_above_layers_above_a_spiral_gives_two_stretches_with_their_heights() -> None:
    """A foot in spiral, a floor of loops, a body in spiral."""

    def turns(low: float, count: int) -> list[str]:
        points = circle(15, 60) * count
        begin = [f"G0 X115 Y100 Z{low:.3f}"]
        return begin + [f"G1 X{x:.3f} Y{y:.3f} Z{low + 0.2 * (k + 1) / 60:.4f} E0.03" for k, (x, y) in enumerate(points[1:])]

    floor = ["G0 Z2.400", *ring(circle(15, 60)), *ring(circle(14.5, 60)), "G0 Z2.600", *ring(circle(15, 60))]
    found = shape_of("\n".join(["M83", *turns(0.2, 10), *floor, *turns(2.6, 20)]))
    assert len(found.spiral.first) == 2
    assert found.spiral.bottom == pytest.approx([0.2, 2.6], abs=0.01)
    assert found.spiral.top == pytest.approx([2.2, 6.6], abs=0.01)
    assert found.spiral.from_mm == pytest.approx(0.2, abs=0.01) and found.spiral.to_mm == pytest.approx(6.6, abs=0.01)
