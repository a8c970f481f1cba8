"""Marks on the printed surface."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from diagnose.errors import BadInput
from diagnose.marks.analysis import analyse
from diagnose.marks.placing import Pieces, place_marks
from diagnose.marks.surface import Surface, draw, find_surface
from diagnose.toolpath.columns import Floats
from tests.marks import parts as shapes
from tests.marks.hand import boxes, marks, measured, spiral, strewn
from tests.toolpath import parts


def plainly(surface: Surface, height: float, angle: float, eh: float, ea: float, steps: int = 40) -> tuple[Floats, Floats, Floats]:
    """Slow twin: (m * steps,) likelihood times surface, time and layer of fine samples of every move."""
    share = (np.arange(steps) + 0.5) / steps
    column = {}
    for clock in ("x", "y", "height", "time"):
        u0, u1 = surface.ends(clock)
        column[clock] = (u0[:, None] + share * (u1 - u0)[:, None]).ravel()
    turn = np.degrees(np.arctan2(column["y"] - surface.axis[1], column["x"] - surface.axis[0])) - angle
    turn = (turn + 180) % 360 - 180
    like = np.exp(-0.5 * ((column["height"] - height) / eh) ** 2 - 0.5 * (turn / ea) ** 2)
    return like * np.repeat(surface.area / steps, steps), column["time"], np.repeat(surface.layer[surface.ids], steps)


def layers_of(pieces: Pieces, i: int) -> tuple[Floats, Floats]:
    """Return the layers a mark may lie in and the weight of each; a corner is in pieces, one for each side."""
    a, b = pieces.bounds[i], pieces.bounds[i + 1]
    layer, at = np.unique(pieces.mean[a:b, 4], return_inverse=True)
    return layer, np.bincount(at, pieces.weight[a:b])


def test_heights_and_angles_are_sought_outside_and_places_in_hollows_too(tmp_path: Path) -> None:
    """An open box: from outside one wall a layer is seen, in its hollow another, a line to the inside."""
    random = np.random.default_rng(3)
    job = shapes.read(shapes.part("box", random), None, tmp_path)
    all_walls, seen = find_surface(job, outside=False), find_surface(job)
    above = job.file.shape.layer_z[all_walls.layer[all_walls.ids]] > 2.0
    hollow = all_walls.ids[above & ~np.isin(all_walls.ids, seen.ids)]
    x = job.file.moves.x
    assert len(hollow) and len(hollow) == pytest.approx(above.sum() / 2, rel=0.05)
    assert x[hollow].max() < x[seen.ids].max() - 0.3
    at = hollow[:: len(hollow) // 6]
    angle = np.degrees(np.arctan2(job.file.moves.y[at] - seen.axis[1], x[at] - seen.axis[0]))
    by_angle = marks(job.file.moves.z[at], angle)
    by_place = replace(by_angle, angle=np.full(len(at), np.nan), x=x[at], y=job.file.moves.y[at], place_err=np.full(len(at), 0.1))
    for given, there in ((by_angle, seen.ids), (by_place, hollow)):
        lines = analyse(job, given).placed.line
        assert np.isin(lines, job.file.moves.line[there]).all()


def test_a_mark_between_two_layers_belongs_to_either_by_its_error_in_height(tmp_path: Path) -> None:
    surface = find_surface(boxes(tmp_path))
    _, pieces, placed = place_marks(surface, marks([2.0, 4.05, 6.1, 8.0], [0, 90, 45, 200]))
    layer, weight = layers_of(pieces, 1)
    likelihood = np.exp(-0.5 * ((0.2 * (layer + 1) - 4.05) / 0.1) ** 2)
    np.testing.assert_allclose(weight, likelihood / likelihood.sum(), rtol=2e-3)
    _, halves = layers_of(pieces, 2)
    assert np.sort(halves)[-2:] == pytest.approx([0.5, 0.5], abs=0.01)
    assert (placed.off_mm < 0.2).all()


@pytest.mark.parametrize("shape", [boxes, spiral])
def test_weights_and_times_of_pieces_are_those_of_a_slow_twin(tmp_path: Path, shape: object) -> None:
    surface = find_surface(shape(tmp_path, on=parts.PLAIN))  # type: ignore[operator]
    given = marks([3.0, 5.03, 5.11, 8.0], [45, 77, 150, 301])
    band, pieces, _ = place_marks(surface, given)
    for i in range(len(given)):
        like, time, _ = plainly(band, given.height[i], given.angle[i], 0.1, 2.0)
        a, b = pieces.bounds[i], pieces.bounds[i + 1]
        mean = (like * time).sum() / like.sum()
        assert (pieces.weight[a:b] * pieces.mean[a:b, 0]).sum() == pytest.approx(mean, abs=0.05)
        near = np.argmin(np.abs(time[:, None] - pieces.mean[a:b, 0]), axis=1)
        for c in range(a, b):
            # Pieces too light to be kept lie beyond.
            own = (near == c - a) & (np.abs(time - pieces.mean[c, 0]) < 8 * pieces.spread[c, 0])
            if pieces.weight[c] > 0.05:
                assert like[own].sum() / like.sum() == pytest.approx(pieces.weight[c], abs=0.01)
                sd = np.sqrt(np.average((time[own] - pieces.mean[c, 0]) ** 2, weights=like[own]))
                assert pieces.spread[c, 0] == pytest.approx(sd, rel=0.05)


def test_round_a_corner_each_flat_side_is_a_piece_of_its_own_and_round_a_tube_none_is(tmp_path: Path) -> None:
    """A mark on a corner of a square of 30 mm about (x, y): one side is one x and spread in y, the other the reverse."""
    square, tube = (
        find_surface(parts.read(tmp_path, parts.layered(outline, 20)))
        for outline in (parts.square(30.0, pieces=20), parts.circle(15.0, 120))
    )
    for surface, sides in ((square, 2), (tube, 1)):
        _, pieces, _ = place_marks(surface, marks([2.0, 3.0], [45.0, 45.0]))
        _, at = np.unique(pieces.mean[:, 4], return_inverse=True)
        assert np.bincount(at).max() == sides, sides
        flat = np.minimum(pieces.of("x")[1], pieces.of("y")[1])
        wide = np.maximum(pieces.of("x")[1], pieces.of("y")[1])
        assert (wide > 0.1).all()
        assert (flat < 0.01).all() if sides == 2 else (flat > 0.1).all()
    _, pieces, _ = place_marks(square, marks([2.0, 3.0], [0.0, 0.0]))  # in the middle of a side there is one
    assert len(np.unique(pieces.mean[:, 4])) * 2 >= len(pieces.mark)
    assert (pieces.of("x")[1] < 0.01).all()


def test_a_sample_stands_for_the_whole_without_bias() -> None:
    """Twin: the sum itself. Lightest and heaviest, and any half of it, keep their share; those drawn stand for it all."""
    random = np.random.default_rng(4)
    weight = random.lognormal(0, 1.5, 50_000) * (1 + np.sin(np.arange(50_000) / 900))
    values = np.cos(np.arange(50_000) / 4000) + 2
    drawn, share = draw(weight, 5000)
    assert len(drawn) <= 5000 and (np.diff(drawn) > 0).all()
    assert share.sum() == pytest.approx(weight.sum(), rel=1e-12)
    # One from each of 5000 equal shares: what a part of the whole keeps is off by a share or two at its ends.
    one = weight.sum() / 5000
    for part in (slice(0, 25_000), slice(25_000, None), slice(13_000, 14_000)):
        inside = np.zeros(50_000, np.bool_)
        inside[part] = True
        assert share[inside[drawn]].sum() == pytest.approx(weight[inside].sum(), abs=2 * one)
    assert (share * values[drawn]).sum() == pytest.approx((weight * values).sum(), rel=2e-4)
    heavy = weight > np.median(weight)
    spread = one * np.sqrt(5000) / 2  # were all drawn independently of each other
    assert share[heavy[drawn]].sum() == pytest.approx(weight[heavy].sum(), abs=3 * spread)
    assert abs(weight.sum() * heavy[drawn].mean() - weight.sum() * heavy.mean()) > 10 * spread  # what drawing unweighted gives
    everything, same = draw(weight, 50_000)
    assert len(everything) == 50_000 and same is weight


def test_on_a_spiral_the_angle_pins_the_turn_to_a_place(tmp_path: Path) -> None:
    surface = find_surface(spiral(tmp_path))
    _, pieces, _ = place_marks(surface, marks([3.0, 6.0, 9.0, 12.0], [45, 90, 180, 270]))
    arc = np.radians(2.0) * 25.0
    assert pieces.spread[:, 1] == pytest.approx(arc, rel=0.15)
    assert len(pieces.weight) > 4
    np.testing.assert_allclose(np.bincount(pieces.mark, pieces.weight), 1.0)


def test_heights_alone_belong_to_whole_turns(tmp_path: Path) -> None:
    surface = find_surface(spiral(tmp_path))
    _, pieces, placed = place_marks(surface, marks([3.0, 6.0, 9.0, 12.0]))
    assert (np.diff(pieces.bounds) > 12).all()
    np.testing.assert_allclose(np.bincount(pieces.mark, pieces.weight * pieces.mean[:, 3]), [3, 6, 9, 12], atol=0.01)
    assert (placed.off_mm < 0.02).all()


def test_marks_off_the_part_are_set_aside_with_how_far(tmp_path: Path) -> None:
    surface = find_surface(boxes(tmp_path))
    band, pieces, placed = place_marks(surface, marks([2.0, 4.0, 6.0, 15.0, -0.5], [0, 90, 180, 270, 0]))
    assert placed.line.tolist()[3] == 0
    assert placed.off_mm[3] == pytest.approx(3.0, abs=0.05)
    assert np.isnan(placed.height[3]) and pieces.bounds[3] == pieces.bounds[4]
    assert band.high < 7
    assert placed.line[4] > 0, "half a millimetre below the first layer is a slip of the caliper"


def test_marks_given_by_x_and_y_lie_where_the_wall_is(tmp_path: Path) -> None:
    surface = find_surface(boxes(tmp_path))
    given = marks([2.0, 4.0, 6.0, 8.0])
    given.x[:], given.y[:], given.place_err[:] = [100.3, 130, 110, 115], [110, 115.2, 129.8, 115], 0.5
    _, _, placed = place_marks(surface, given)
    np.testing.assert_allclose(placed.x[:3], [100, 130, 110], atol=0.8)
    assert placed.line[3] == 0 and placed.off_mm[3] == pytest.approx(15, abs=0.5)


def test_marks_strewn_over_the_surface_are_found_again(tmp_path: Path) -> None:
    random = np.random.default_rng(4)
    surface = find_surface(spiral(tmp_path, on=parts.PLAIN))
    at, share = strewn(surface, 200, random)
    given = measured(surface, at, share, random)
    t0, t1 = surface.ends("time")
    true = np.sort(t0[at] + share * (t1 - t0)[at])  # a spiral rises with time
    _, pieces, _ = place_marks(surface, given)
    found = np.array([np.abs(pieces.mean[a:b, 0] - true[i]).min() for i, (a, b) in enumerate(zip(pieces.bounds[:-1], pieces.bounds[1:], strict=True))])
    arc_s = np.radians(2) * 25 / 50
    assert np.mean(found < 3 * arc_s) > 0.98


def test_a_job_without_walls_has_no_surface(tmp_path: Path) -> None:
    job = parts.read(tmp_path, "G21\nG90\nM83\nG28\nG1 F3000\nG0 X10 Y10 Z0.2\nG1 X30 E1\n")
    with pytest.raises(BadInput):
        find_surface(job)


def test_the_clocks_of_the_surface_run_as_the_run_says(tmp_path: Path) -> None:
    job = boxes(tmp_path, on=parts.PLAIN, retract=1.0)
    surface = find_surface(job)
    assert job.run is not None
    t0, t1 = surface.ends("time")
    np.testing.assert_allclose(t1, job.run.depart_s[surface.ids])
    np.testing.assert_allclose(t1 - t0, job.run.seconds[surface.ids], atol=1e-6)
    f0, f1 = surface.ends("filament")
    np.testing.assert_allclose(f1 - f0, job.file.moves.e[surface.ids], atol=1e-9)
    assert surface.wall[-1] - surface.wall[0] > surface.length[:-1].sum()
