"""What hangs over nothing, against a plain search of all pairs, and on parts whose overhang is known."""

from __future__ import annotations

import math
import random

import numpy as np
import pytest

from diagnose.coupons.spiral import SpiralJob, tube, write
from diagnose.toolpath.columns import Moves, Role
from diagnose.toolpath.shape import Shape, shape
from tests.toolpath.jobs import circle, layered, motion, ring, shape_of, square

WIDTH = 0.44
"""mm, what a nozzle of 0.4 mm draws."""


def plain_hanging(moves: Moves, found: Shape, sample: float) -> np.ndarray:
    """Return (layers,) mm of outer contour with no line of the layer below within half a width: every pair compared."""
    before = np.column_stack([np.concatenate([[start], axis[:-1]]) for axis, start in
                              zip((moves.x, moves.y), np.nan_to_num(moves.start[:2]), strict=True)])  # fmt: skip
    after = np.column_stack([moves.x, moves.y])
    drawn = (moves.e > 0) & (found.length > 0) & (found.layer >= 0) & (found.role != Role.PRIME)
    hanging = np.zeros(len(found.layer_z))
    for layer in range(1, len(hanging)):
        lower = np.flatnonzero(drawn & (found.layer == layer - 1))
        a, u = before[lower], after[lower] - before[lower]
        for i in np.flatnonzero(drawn & (found.layer == layer) & (found.role == Role.OUTER)):
            steps = max(1, math.ceil(found.length[i] / sample))
            for s in range(steps):
                p = before[i] + (s + 0.5) / steps * (after[i] - before[i])
                t = np.clip(((p - a) * u).sum(axis=1) / (u * u).sum(axis=1), 0, 1)
                away = np.hypot(*(p - a - t[:, None] * u).T).min(initial=np.inf)
                hanging[layer] += found.length[i] / steps * (away > WIDTH / 2)
    return hanging


def leaning(step: float, layers: int = 20, facets: int = 60) -> str:
    """Return a funnel that grows by so many mm a layer."""
    return layered([ring(circle(10 + step * layer, facets)) for layer in range(layers)])


@pytest.mark.parametrize("step", [0.0, 0.1, 0.19, 0.25, 0.3, 0.6, -0.25])
def test_a_funnel_hangs_when_it_leans_out_by_more_than_half_a_line(step: float) -> None:
    """The first layer lies on the bed, every other on the one below it or not."""
    found = shape_of(leaning(step))
    expected = [0.0] + [1.0 if abs(step) > WIDTH / 2 else 0.0] * 19
    assert found.overhang.share_by_layer == pytest.approx(expected, abs=1e-9)
    first = np.flatnonzero(found.overhang.first >= 0)
    assert first.tolist() == np.flatnonzero(expected).tolist()
    assert found.layer[found.overhang.first[first]].tolist() == first.tolist()


@pytest.mark.parametrize("lean", [0.1, 0.3])
def test_a_spiral_hangs_when_it_leans_out_by_more_than_half_a_line(lean: float) -> None:
    job = SpiralJob(
        title="funnel", radius=lambda z, angle: 10 + lean / 0.2 * z, facets=lambda z: 80, speed=lambda z: 50.0,
        height=4.0, layer_height=0.2, line_width=0.45,
    )  # fmt: skip
    found = shape_of(write(job))
    assert found.overhang.share == (pytest.approx(1.0, abs=0.08) if lean > WIDTH / 2 else pytest.approx(0.0, abs=0.01))


@pytest.mark.parametrize("seed", range(6))
def test_hanging_path_agrees_with_comparing_every_pair(seed: int) -> None:
    """Wobbling outlines with inner walls and fill: the grid knows one line a cell, so the two differ by a few places."""
    rng = random.Random(seed)
    layers = []
    for _ in range(12):
        cx, cy, r = 100 + rng.uniform(-0.5, 0.5), 100 + rng.uniform(-0.5, 0.5), rng.uniform(6, 6.8)
        layer = [*ring(circle(r, rng.choice([12, 40, 150]), cx, cy)), *ring(circle(r - 0.45, 40, cx, cy))]
        for k in range(6):
            y = cy - 4 + 1.5 * k
            layer += [f"G0 X{cx - 4:.3f} Y{y:.3f}", f"G1 X{cx + 4:.3f} Y{y:.3f} E0.3"]
        layers.append(layer)
    read = motion(layered(layers))
    found = shape(read.moves, read.events, 0.4)
    plain = plain_hanging(read.moves, found, 0.05)
    assert plain.sum() > 30
    assert found.overhang.hanging == pytest.approx(plain, abs=0.05 * float(found.overhang.path.max()))
    assert found.overhang.hanging.sum() == pytest.approx(plain.sum(), rel=0.03)


def test_a_column_left_out_for_a_storey_holds_nothing() -> None:
    """Three layers of nothing between a plate and what is drawn above it."""
    text = layered([ring(square(10))] * 3 + [ring(square(10, cx=140))] * 3 + [[*ring(square(10, cx=140)), *ring(square(10))]] * 2)
    found = shape_of(text)
    assert found.overhang.share_by_layer.tolist() == pytest.approx([0, 0, 0, 1, 0, 0, 0.5, 0])


def doorway(gap: float, layers: int = 10, filled: bool = True) -> str:
    """Return two posts 10 mm deep, `gap` mm apart, and at last a roof of straight lines from one to the other."""
    posts = []
    for cx in (95 - gap / 2, 105 + gap / 2):
        posts += [*ring(square(5, cx=cx)), *ring(square(4.55, cx=cx))]
        for k in range(20):
            posts += [f"G0 X{cx - 4:.3f} Y{95.45 + 0.45 * k:.3f}", f"G1 X{cx + 4:.3f} Y{95.45 + 0.45 * k:.3f} E0.3"]
    left, right = 90 - gap / 2, 110 + gap / 2
    outline = [(left, 95.0), (right, 95.0), (right, 105.0), (left, 105.0)]
    roof = ring(outline)
    for k in range(20 if filled else 0):
        roof += [f"G0 X{left + 0.45:.3f} Y{95.45 + 0.45 * k:.3f}", f"G1 X{right - 0.45:.3f} Y{95.45 + 0.45 * k:.3f} E1"]
    return layered([posts] * layers + [roof])


@pytest.mark.parametrize("gap", [8.0, 30.0])
def test_a_roof_over_two_posts_is_bridged_line_by_line(gap: float) -> None:
    """Two outer sides and twenty lines of fill; half a line at each end rests on the posts' edge."""
    found = shape_of(doorway(gap)).overhang
    assert len(found.bridge) == 22
    # Long lines are looked at every 0.44 mm.
    assert found.bridge_length == pytest.approx(np.full(22, gap - WIDTH), abs=0.6)
    assert found.hanging[-1] == pytest.approx(2 * (gap - WIDTH), abs=1.0)


def test_posts_without_a_roof_have_no_bridge() -> None:
    assert len(shape_of(layered([ring(square(5))] * 10)).overhang.bridge) == 0


def test_a_ledge_held_at_one_end_is_no_bridge() -> None:
    plate = [(90.0, 95.0), (120.0, 95.0), (120.0, 105.0), (90.0, 105.0)]
    found = shape_of(layered([ring(square(5, cx=95))] * 6 + [ring(plate)])).overhang
    assert found.hanging[-1] == pytest.approx(50 - WIDTH, abs=0.6) and len(found.bridge) == 0


def test_lines_over_a_sparse_fill_are_no_bridge() -> None:
    """Gaps of 3 mm between the lines below."""
    def zigzag(apart: float, along_x: bool) -> list[str]:
        lines = []
        for k in range(int(18 / apart)):
            at = 91 + apart * k
            a, b = ((91, at), (109, at)) if along_x else ((at, 91), (at, 109))
            lines += [f"G0 X{a[0]:.3f} Y{a[1]:.3f}", f"G1 X{b[0]:.3f} Y{b[1]:.3f} E0.5"]
        return lines

    layers = [[*ring(square(10)), *zigzag(3.0, k % 2 == 0)] for k in range(6)] + [[*ring(square(10)), *zigzag(0.45, True)]]
    assert len(shape_of(layered(layers)).overhang.bridge) == 0


def test_objects_printed_one_after_the_other_stand_on_the_bed_each() -> None:
    lines = ["M83"]
    for cx in (60, 140):
        for layer in range(5):
            lines += [f"G0 Z{0.3 * (layer + 1):.1f}", *ring(square(10, cx=cx))]
    found = shape_of("\n".join(lines))
    assert found.overhang.share == 0.0 and found.overhang.path.sum() == pytest.approx(10 * 80)


def test_a_plate_far_wider_than_any_printer_is_looked_at_in_coarser_cells() -> None:
    found = shape_of(layered([ring(square(20_000, steps=20))] * 3)).overhang
    assert found.cell > 4.0 and found.share < 1e-3


def test_a_tube_hangs_nowhere() -> None:
    assert shape_of(write(tube(radius=20, height=6, facets=150, speed=60))).overhang.share == pytest.approx(0.0, abs=1e-3)
