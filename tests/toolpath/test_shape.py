"""Layers, spirals, loops, roles, seams and facets of parts whose shape is known."""

from __future__ import annotations

import math
import random

import numpy as np
import pytest
from hypothesis import given, settings

from diagnose.coupons.spiral import SpiralJob, lamp_shade, tube, write
from diagnose.toolpath.columns import Role
from diagnose.toolpath.seams import rayleigh
from diagnose.toolpath.shape import Shape, shape
from tests.toolpath.jobs import circle, job_files, layered, motion, ring, shape_of, square


def role_path(found: Shape, role: Role) -> float:
    return float(found.length[found.role == role].sum())


# Spirals and layers.


def test_a_tube_in_spiral_mode_has_no_seam() -> None:
    found = shape_of(write(tube(radius=20, height=10, facets=150, speed=60)))
    assert found.spiral.share >= 0.9
    assert len(found.seams.move) == 0 and found.seam_style == "none"


@pytest.mark.parametrize("facets", [3, 4, 24, 150, 700])
def test_every_turn_of_a_spiral_is_a_layer(facets: int) -> None:
    found = shape_of(write(tube(radius=20, height=4, facets=facets, speed=60)))
    assert found.spiral.turns == len(found.layer_z) == 19
    assert found.layer_z == pytest.approx(0.4 + 0.2 * np.arange(19), abs=1e-3)
    assert found.layer_height[1:] == pytest.approx(np.full(18, 0.2), abs=2e-3)
    assert found.layer_path == pytest.approx(np.full(19, facets * 40 * math.sin(math.pi / facets)), rel=2e-3)
    # The first turn holds one facet more or less: its heading is first known at the end of its first facet.
    assert np.abs(np.bincount(found.layer[found.spiral.mask]) - facets).max() <= 1


def test_a_spiral_printed_with_few_digits_of_height_is_still_a_spiral() -> None:
    """Heights in hundredths rise only every eighth facet."""
    lines = [f"G1 X{x:.3f} Y{y:.3f} Z{0.2 + k / 150 * 0.2:.2f} E0.03" for k, (x, y) in enumerate(circle(20, 150) * 20)]
    found = shape_of("\n".join(["M83", *lines]))
    assert found.spiral.share > 0.9 and found.spiral.turns == pytest.approx(20, abs=1)


def test_a_spiral_of_a_concave_outline_counts_its_turns_by_heading() -> None:
    job = SpiralJob(
        title="star", radius=lambda z, angle: 20 + 6 * np.cos(5 * angle), facets=lambda z: 200, speed=lambda z: 50.0,
        height=4.0, layer_height=0.2, line_width=0.45,
    )  # fmt: skip
    found = shape_of(write(job))
    assert found.spiral.share > 0.9 and found.spiral.turns == job.turns


def test_a_spiral_on_a_base_begins_where_the_base_ends() -> None:
    job = lamp_shade()
    found = shape_of(write(job))
    assert 0.9 < found.spiral.share < 1.0
    assert found.spiral.from_mm == pytest.approx(job.first_z, abs=0.01)
    assert found.spiral.to_mm == pytest.approx(job.height, abs=0.01)
    assert len(found.layer_z) == job.base_layers + job.turns


def test_spirals_side_by_side_share_their_layers() -> None:
    one = write(tube(radius=20, height=4, facets=90, speed=60)).splitlines()
    other = [line.replace("X1", "X2") for line in one]
    found = shape_of("\n".join([*one, "G0 Z20", *other]))
    assert found.spiral.share > 0.99 and found.spiral.turns == 38 and len(found.layer_z) == 19


def test_layers_joined_by_a_drawn_rise_are_no_spiral() -> None:
    """A vase in layers: the nozzle never stops drawing, and only the seam rises."""
    lines = ["M83", "G0 X120 Y100 Z0.2"]
    for layer in range(20):
        lines += [f"G1 X{x:.3f} Y{y:.3f} E0.05" for x, y in circle(20, 60)[1:]]
        lines += [f"G1 X120 Y100 Z{0.2 * (layer + 2):.2f} E0.05"]
    found = shape_of("\n".join(lines))
    assert found.spiral.share == 0.0 and found.spiral.turns == 0


def test_loops_that_ramp_up_at_their_start_are_no_spiral() -> None:
    ramped = []
    for layer in range(20):
        points = circle(20, 60)
        rises = [f" Z{0.2 * layer + 0.2 * min(k + 1, 15) / 15:.4f}" for k in range(60)]
        ends = points[1:] + points[:1]
        ramped += ["G0 X120 Y100", *(f"G1 X{x:.3f} Y{y:.3f}{z} E0.05" for (x, y), z in zip(ends, rises, strict=True))]
    assert shape_of("\n".join(["M83", *ramped])).spiral.share == 0.0


def test_lifts_while_travelling_make_no_layers() -> None:
    layer = [*ring(square(10)), "G0 Z9", "G0 X150 Y150", "G0 Z0.2"]
    found = shape_of(layered([layer] + [ring(square(10))] * 4))
    assert found.layer_z == pytest.approx([0.2, 0.4, 0.6, 0.8, 1.0])
    assert found.layer_height == pytest.approx([0.2] * 5)


def test_travels_belong_to_the_layer_drawn_before_them() -> None:
    found = shape_of(layered([ring(square(10)), ring(square(10))]))
    drawn = np.flatnonzero(found.layer >= 0)
    assert np.all(np.diff(found.layer[drawn[0] :]) >= 0) and np.all(found.layer[: drawn[0]] == -1)


def test_parts_printed_one_after_the_other_share_their_layers() -> None:
    lines = ["M83"]
    for cx in (60, 140):
        for layer in range(5):
            lines += [f"G0 Z{0.3 * (layer + 1):.1f}", *ring(square(10, cx=cx))]
    found = shape_of("\n".join(lines))
    assert found.layer_z == pytest.approx([0.3, 0.6, 0.9, 1.2, 1.5])
    assert len(found.seams.move) == 10 and found.seam_style == "aligned"


# Loops and roles.


def test_walls_nest_and_only_the_outside_and_holes_are_outer() -> None:
    spokes = [line for a in circle(1, 12, 0, 0) for line in (f"G0 X{100 + 9 * a[0]:.3f} Y{100 + 9 * a[1]:.3f}",
                                                            f"G1 X{100 + 19 * a[0]:.3f} Y{100 + 19 * a[1]:.3f} E0.3")]  # fmt: skip
    layer = [
        *ring(circle(20, 90)), *ring(circle(19.55, 90)), *spokes, *ring(circle(8.45, 60)), *ring(circle(8, 60)),
        *ring(circle(3, 40)),
    ]  # fmt: skip
    found = shape_of(layered([layer] * 3))
    first = found.loops.layer == 0
    assert found.loops.depth[first].tolist() == [0, 1, 2, 3, 4]
    assert found.loops.outer[first].tolist() == [True, False, False, True, True]
    assert found.loops.parent[first].tolist() == [-1, 0, 1, 2, 3]
    assert np.abs(found.loops.area[first][0]) == pytest.approx(math.pi * 400, rel=2e-3)


def test_a_tube_within_a_tube_has_four_surfaces() -> None:
    rings = [line for radius in (20, 19.55, 8.45, 8) for line in ring(circle(radius, 90))]
    assert shape_of(layered([rings] * 3)).loops.outer.all()


def test_a_wall_filled_from_inside_is_no_hole() -> None:
    zigzag = ["G0 X91 Y91"]
    for k in range(40):
        y = 91 + 0.45 * k
        zigzag += [f"G1 X{109 if k % 2 == 0 else 91} Y{y:.2f} E0.5", f"G1 X{109 if k % 2 == 0 else 91} Y{y + 0.45:.2f} E0.02"]
    layer = [*ring(square(10)), *ring(square(9.55)), *zigzag]
    found = shape_of(layered([layer] * 4))
    assert found.loops.outer[:2].tolist() == [True, False]
    assert role_path(found, Role.OUTER) == pytest.approx(4 * 80)
    assert role_path(found, Role.INNER) == pytest.approx(4 * 8 * 9.55)
    assert role_path(found, Role.SOLID) == pytest.approx(4 * (40 * 18 + 40 * 0.45), rel=0.05)


@pytest.mark.parametrize(("apart", "role"), [(0.45, Role.SOLID), (2.0, Role.SPARSE)])
def test_fill_is_told_by_the_distance_of_its_lines(apart: float, role: Role) -> None:
    fill = []
    for k in range(8):
        y = 95 + apart * k
        fill += [f"G0 X92 Y{y:.2f}", f"G1 X108 Y{y:.2f} E0.5"]
    found = shape_of(layered([[*ring(square(10)), *fill]] * 3))
    assert role_path(found, role) >= 3 * 7 * 16


def test_lines_drawn_to_and_fro_are_no_loop() -> None:
    fill = ["G0 X92 Y95", "G1 X108 Y95 E0.5", "G1 X108 Y95.45 E0.1", "G1 X92 Y95.45 E0.5"]
    assert len(shape_of(layered([fill] * 3)).loops) == 0


@pytest.mark.parametrize("missing", [0.0, 0.1, 0.2])
def test_a_loop_may_stop_a_hair_before_its_beginning(missing: float) -> None:
    layer = ring(square(10), closed=False)
    layer.append(f"G1 X90.000 Y{90 + missing:.3f} E0.05")
    found = shape_of(layered([layer] * 3))
    assert len(found.loops) == 3 and found.loops.area == pytest.approx(np.full(3, 400.0), rel=0.02)


def test_a_loop_that_stops_drawing_early_is_closed_by_the_travel_along_it() -> None:
    points = circle(10, 60)
    layer = ring(points[:52], closed=False) + [f"G0 X{x:.3f} Y{y:.3f}" for x, y in [*points[52:], points[0]]]
    found = shape_of(layered([layer] * 3))
    assert len(found.loops) == 3 and found.loops.outer.all()


def test_a_loop_drawn_past_its_beginning_has_one_seam_and_a_tail_of_its_own_role() -> None:
    layer = [*ring(square(10, steps=10)), "G1 X92 Y90 E0.05", "G1 X94 Y90 E0.05"]
    found = shape_of(layered([layer] * 4))
    assert len(found.seams.move) == 4
    assert role_path(found, Role.OUTER) == pytest.approx(4 * 84)


def test_loops_joined_by_a_drawn_link_are_two_loops() -> None:
    layer = [*ring(square(9.5, steps=5)), *ring(square(10, steps=5))]
    layer = [line.replace("G0", "G1") + (" E0.05" if line.startswith("G0") and k else "") for k, line in enumerate(layer)]
    found = shape_of(layered([layer] * 4))
    assert found.loops.depth.tolist() == [1, 0] * 4
    assert found.loops.area == pytest.approx(np.tile([361.0, 400.0], 4), rel=0.01)


def test_what_is_drawn_beside_the_part_first_is_priming_and_no_layer() -> None:
    prime = ["G0 X5 Y5 Z0.35", "G1 X5 Y150 E12", "G0 X5.5 Y150", "G1 X5.5 Y5 E12"]
    body = layered([ring(circle(20, 60))] * 20).splitlines()
    found = shape_of("\n".join([*body[:5], *prime, *body[5:]]))
    assert role_path(found, Role.PRIME) == pytest.approx(290)
    assert found.layer_z[0] == pytest.approx(0.2) and len(found.layer_z) == 20


def test_retraction_and_restart_are_told_from_drawing() -> None:
    read = motion("M83\nG1 X0 Y0 Z0.2\nG1 E-2\nG0 X10\nG1 E2\nG1 X20 E0.5\nG1 X15 E-0.5\n")
    found = shape(read.moves, read.events, None)
    expected = [Role.RETRACT, Role.TRAVEL, Role.RESTART, Role.UNKNOWN, Role.RETRACT]
    assert found.role.tolist() == [int(role) for role in expected]


# Seams.


def test_seams_one_above_the_other_are_aligned() -> None:
    found = shape_of(layered([ring(circle(20, 90), begin=17)] * 30))
    assert found.seam_style == "aligned"
    assert found.seam_pattern.resultant > 0.999 and found.seam_pattern.p_uniform < 1e-6
    assert len(found.seams.move) == 30
    assert found.seams.angle == pytest.approx(np.full(30, 2 * math.pi * 17 / 90), abs=1e-3)
    assert found.seams.x == pytest.approx(100 + 20 * np.cos(found.seams.angle), abs=2e-3)
    assert found.seams.y == pytest.approx(100 + 20 * np.sin(found.seams.angle), abs=2e-3)
    assert found.seams.z == pytest.approx(0.2 * np.arange(1, 31))


def test_seams_anywhere_on_a_circle_are_scattered() -> None:
    rng = random.Random(7)
    found = shape_of(layered([ring(circle(20, 90), begin=rng.randrange(90)) for _ in range(60)]))
    assert found.seam_style == "scattered"
    assert found.seam_pattern.resultant < 0.4 and found.seam_pattern.p_uniform > 1e-3


def test_seams_that_jump_from_corner_to_corner_are_told() -> None:
    rng = random.Random(3)
    layers = [ring(square(15, steps=20), begin=20 * rng.randrange(4)) for _ in range(40)]
    found = shape_of(layered(layers))
    assert found.seam_style == "corners"
    assert found.seam_pattern.corner_share == 1.0 and found.seam_pattern.corner_chance == pytest.approx(4 / 80)


def test_a_box_of_four_moves_tells_nothing_by_its_corners() -> None:
    """Every joint is a corner, so beginning at one is no choice."""
    rng = random.Random(5)
    assert shape_of(layered([ring(square(15), begin=rng.randrange(4)) for _ in range(60)])).seam_style == "scattered"


def test_a_seam_that_wanders_slowly_round_the_part_is_one_line() -> None:
    found = shape_of(layered([ring(circle(20, 180), begin=2 * layer) for layer in range(90)]))
    assert found.seam_pattern.resultant < 0.1 and found.seam_pattern.stepwise > 0.99
    assert found.seam_style == "aligned"


def test_each_part_of_a_plate_has_its_own_column_of_seams() -> None:
    layer = [*ring(circle(8, 40, cx=60), begin=0), *ring(circle(8, 40, cx=140), begin=20)]
    found = shape_of(layered([layer] * 12))
    assert sorted(np.bincount(found.seams.column).tolist()) == [12, 12]
    assert found.seam_style == "aligned"


def test_the_rayleigh_chance_is_the_published_one() -> None:
    """T-01: Zar 2010, examples 26.2 and 27.1: eight angles, mean 99 degrees, r 0.82522, p 0.00185164."""
    angles = np.radians([45, 55, 81, 96, 110, 117, 132, 154])
    resultant = abs(np.exp(1j * angles).mean())
    assert resultant == pytest.approx(0.8252177, abs=1e-7)
    assert rayleigh(resultant, 8) == pytest.approx(0.00185164, abs=1e-8)


def test_mean_and_resultant_agree_with_a_reference_library() -> None:
    from astropy.stats import circstats

    rng = random.Random(11)
    begins = [rng.randrange(90) for _ in range(40)]
    found = shape_of(layered([ring(circle(20, 90), begin=b) for b in begins]))
    angles = 2 * np.pi * np.array(begins) / 90
    assert found.seam_pattern.resultant == pytest.approx(1 - float(circstats.circvar(angles)), abs=1e-4)


# Facets.


@pytest.mark.parametrize("facets", [24, 150, 500])
def test_facets_of_a_tube_are_as_long_as_its_chords(facets: int) -> None:
    found = shape_of(write(tube(radius=20, height=4, facets=facets, speed=60)))
    chord = 40 * math.sin(math.pi / facets)
    assert found.facet_median == pytest.approx(chord, rel=5e-3)
    assert found.facet_p05 == pytest.approx(chord, rel=2e-2)


def test_pieces_of_an_arc_are_no_facets_of_the_job() -> None:
    layer = ["G0 X90 Y90", "G1 X110 Y90 E1", "G3 X110 Y110 I0 J10 E1", "G1 X90 Y110 E1", "G1 X90 Y90 E1"]
    assert shape_of(layered([layer] * 4)).facet_median == pytest.approx(20.0)


def test_a_job_that_draws_nothing_has_no_layers_loops_or_facets() -> None:
    found = shape_of("G1 X0 Y0 Z5\nG1 X10\nG1 Y10\n")
    assert (len(found.layer_z), len(found.loops), found.seam_style) == (0, 0, "none")
    assert math.isnan(found.facet_median) and math.isnan(found.spiral.from_mm)


def test_a_job_without_any_move_has_an_empty_shape() -> None:
    assert len(shape_of("M104 S200\n").length) == 0


@settings(max_examples=100, derandomize=True, deadline=None)
@given(job_files())
def test_whatever_is_drawn_every_move_has_a_role_and_every_layer_its_path(text: str) -> None:
    read = motion(text)
    found = shape(read.moves, read.events, 0.4)
    assert found.role.max(initial=0) <= max(Role)
    assert np.all(np.diff(found.layer_z) > 0)
    drawn = (read.moves.e > 0) & (found.role != Role.RESTART) & ((found.role != Role.PRIME) | (found.layer >= 0))
    assert found.layer_path.sum() == pytest.approx(found.length[drawn].sum())
    assert 0 <= found.spiral.share <= 1
    for first, last in zip(found.loops.first, found.loops.last, strict=True):
        assert np.all(read.moves.e[first : last + 1] > 0)
        level = np.ptp(read.moves.z[first : last + 1]) <= 1e-6 and read.moves.z[max(first - 1, 0)] == read.moves.z[first]
        assert not (level and found.flat_layers) or len(set(found.layer[first : last + 1].tolist())) == 1


PIECES = [b"G2 I5 R", b"G91\n", b"G92\n", b"E-", b"\n", b"G18\n", b"1e300", b"F1e999", b"G10\n", b"T9", b"(", b"G20\n"]


def test_no_damage_to_a_job_breaks_a_stage() -> None:
    rng = random.Random(1)
    whole = write(tube(radius=5, height=1, facets=30, speed=60)) + layered([ring(circle(9, 20)), ring(square(4))] * 4)
    for _ in range(400):
        data = bytearray(whole.encode())
        for _ in range(rng.choice([1, 5, 50])):
            at = rng.randrange(len(data))
            way = rng.randrange(3)
            if way == 0:
                data[at] = rng.randrange(256)
            elif way == 1:
                del data[at : at + rng.randrange(1, 20)]
            else:
                data[at:at] = rng.choice(PIECES)
        read = motion(bytes(data))
        found = shape(read.moves, read.events, 0.4)
        for column in (read.moves.x, read.moves.y, read.moves.z, read.moves.e, read.moves.feed, found.length):
            assert np.isfinite(column).all()
        assert read.moves.bytes_all.sum() <= len(data) and read.moves.bytes_code.min(initial=0) >= 0
        assert np.all(np.diff(found.layer_z) > 0) and 0 <= found.spiral.share <= 1 + 1e-9
