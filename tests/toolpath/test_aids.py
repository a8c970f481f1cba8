"""Brims, skirts, supports and the tower of tool changes, told from the motion; and parts that only look like them."""

from __future__ import annotations

import numpy as np
import pytest

from diagnose.toolpath.columns import Role
from diagnose.toolpath.shape import Shape
from tests.toolpath.jobs import circle, layered, ring, shape_of, square


def role_path(found: Shape, role: Role) -> float:
    return float(found.length[found.role == role].sum())


def lines(x0: float, x1: float, y0: float, y1: float, apart: float) -> list[str]:
    """Return parallel lines to and fro, each drawn on its own."""
    drawn = []
    for k in range(int((y1 - y0) / apart) + 1):
        a, b = (x0, x1) if k % 2 == 0 else (x1, x0)
        drawn += [f"G0 X{a:.3f} Y{y0 + apart * k:.3f}", f"G1 X{b:.3f} Y{y0 + apart * k:.3f} E{abs(x1 - x0) * 0.03:.4f}"]
    return drawn


def body() -> list[str]:
    """A box with two walls and solid lines."""
    return [*ring(square(10)), *ring(square(9.55)), *lines(91, 109, 91, 109, 0.45)]


def test_a_brim_is_no_outline_of_the_part() -> None:
    brim = [line for k in range(6, 0, -1) for line in ring(square(10 + 0.45 * k))]
    with_brim, without = (shape_of(layered([[*rings, *body()], *[body()] * 5])) for rings in (brim, []))
    assert role_path(with_brim, Role.SUPPORT) == pytest.approx(sum(8 * (10 + 0.45 * k) for k in range(1, 7)))
    assert role_path(with_brim, Role.OUTER) == pytest.approx(role_path(without, Role.OUTER)) == pytest.approx(6 * 80)
    assert len(with_brim.seams.move) == 6 and with_brim.islands.tolist() == [1] * 6
    assert role_path(without, Role.SUPPORT) == 0.0


@pytest.mark.parametrize("high", [1, 2, 3])
@pytest.mark.parametrize("rounds", [1, 2])
def test_a_skirt_is_told_however_high_it_is(high: int, rounds: int) -> None:
    skirt = [line for k in range(rounds) for line in ring(square(16 - 0.45 * k))]
    found = shape_of(layered([[*skirt, *body()]] * high + [body()] * (12 - high)))
    beside = role_path(found, Role.SUPPORT) + role_path(found, Role.PRIME)
    assert beside == pytest.approx(high * sum(8 * (16 - 0.45 * k) for k in range(rounds)))
    assert len(found.seams.move) == 12


def test_a_skirt_round_a_part_that_changes_at_once_is_told_by_the_empty_ring() -> None:
    """Nothing of the first layer goes on: the foot is wider than what stands on it."""
    foot = [*ring(square(12)), *ring(square(11.55)), *lines(89, 111, 89, 111, 0.45)]
    found = shape_of(layered([[*ring(square(18)), *foot], *[body()] * 8]))
    assert role_path(found, Role.SUPPORT) + role_path(found, Role.PRIME) == pytest.approx(144)
    assert role_path(found, Role.OUTER) == pytest.approx(96 + 8 * 80)


def test_a_plate_under_a_post_is_no_brim() -> None:
    """The plate is filled, and the post's outline is not drawn in it."""
    plate = [*ring(square(20)), *ring(square(19.55)), *lines(81, 119, 81, 119, 0.45)]
    found = shape_of(layered([plate, *[body()] * 8]))
    assert role_path(found, Role.SUPPORT) == 0.0 and role_path(found, Role.OUTER) == pytest.approx(160 + 8 * 80)


def test_a_tube_in_a_tube_is_no_skirt() -> None:
    layer = [line for r in (20, 19.55, 8.45, 8) for line in ring(circle(r, 60))]
    assert role_path(shape_of(layered([layer] * 12)), Role.SUPPORT) == 0.0


def test_a_foot_that_leans_in_is_no_brim() -> None:
    layers = [[*ring(square(10 - 0.4 * min(k, 3))), *ring(square(9.55 - 0.4 * min(k, 3)))] for k in range(8)]
    assert role_path(shape_of(layered(layers)), Role.SUPPORT) == 0.0


def test_sparse_lines_beside_the_part_and_below_it_are_support() -> None:
    """A post with a slab on top; beside the post, lines 2 mm apart carry the slab."""
    post, slab = ring(square(5)), [*ring(square(15)), *lines(86, 114, 86, 114, 0.45)]
    support = [*lines(108, 116, 88, 112, 2.0)]
    found = shape_of(layered([[*post, *support]] * 10 + [slab] * 3))
    drawn = 10 * 13 * 8
    assert role_path(found, Role.SUPPORT) == pytest.approx(drawn, rel=0.02)
    # They hold what lies on them, line by line.
    assert 0.8 < found.overhang.share_by_layer[10] < 0.98
    # Without the slab nothing rests on them: a grid is a part too.
    alone = shape_of(layered([[*post, *support]] * 13))
    assert role_path(alone, Role.SUPPORT) == 0.0


def test_sparse_fill_within_a_wall_is_no_support() -> None:
    layer = [*ring(square(10)), *lines(91, 109, 91, 109, 2.0)]
    found = shape_of(layered([layer] * 10 + [body()] * 2))
    assert role_path(found, Role.SUPPORT) == 0.0 and role_path(found, Role.SPARSE) > 1000


def two_tools(wiped: bool) -> str:
    """Return a box whose halves are drawn by two tools; after each change lines in a block beside it, where `wiped`."""
    layers = []
    for k in range(8):
        block = [*lines(141, 159, 91, 109, 0.6), *ring(square(10, cx=150))]
        first, second = (0, 1) if k % 2 == 0 else (1, 0)
        left, right = ring(square(6, cx=60)), ring(square(6, cx=80))
        layers.append([*left, f"T{second}", *(block if wiped else []), *right])
        del first
    return "T0\n" + layered(layers)


def test_the_block_where_tools_are_wiped_is_no_part() -> None:
    found, plain = shape_of(two_tools(wiped=True)), shape_of(two_tools(wiped=False))
    assert role_path(found, Role.PRIME) == pytest.approx(8 * (31 * 18 + 80), rel=0.01)
    assert role_path(found, Role.OUTER) == role_path(plain, Role.OUTER) == pytest.approx(8 * 96)
    assert len(found.seams.move) == 16 and found.islands.tolist() == [2] * 8
    assert role_path(plain, Role.PRIME) == 0.0


def test_two_colours_of_one_part_are_no_tower() -> None:
    """Every change begins in the same outline, but nothing stands beside it."""
    layers = []
    for k in range(8):
        layers.append([*ring(square(10)), f"T{(k + 1) % 2}", *lines(91, 109, 91, 109, 0.45)])
    found = shape_of("T0\n" + layered(layers))
    assert role_path(found, Role.PRIME) == 0.0 and np.all(found.islands == 1)
