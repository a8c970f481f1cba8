"""The writer of spiral jobs, held to the geometry it claims and to the trade's rules of thumb."""

from __future__ import annotations

import math
import re

import numpy as np
import pytest

from diagnose.coupons.spiral import SHADE_BODY, SpiralJob, lamp_shade, spiral, tube, write

WORD = re.compile(r"([XYZEF])(-?\d+\.?\d*)")


def drawn(text: str) -> list[dict[str, str]]:
    """Read the X Y Z E lines back with a reader that owes nothing to the engine: words as printed."""
    return [dict(WORD.findall(line)) for line in text.splitlines() if line.startswith("G1 X")]


def half_digit(printed: str) -> float:
    return 0.5 * 10.0 ** -len(printed.partition(".")[2]) + 1e-12


def circle(facets: int) -> str:
    return write(tube(radius=20.0, height=2.4, facets=facets, speed=60.0))


@pytest.mark.parametrize(("facets", "kilobytes"), [(150, 6.0), (50, 2.0)])
def test_a_layer_of_a_circle_weighs_what_the_trade_says(facets: int, kilobytes: float) -> None:
    """Common practice, no source: 150 moves a layer are about 6 kB, 50 about 2 kB."""
    lines = [line for line in circle(facets).splitlines(keepends=True) if line.startswith("G1 X")]
    layers = len(lines) / facets
    assert layers == 11
    assert sum(map(len, lines)) / layers == pytest.approx(kilobytes * 1000, rel=0.2)


def test_three_times_the_facets_ask_three_times_the_moves_per_second() -> None:
    def moves_per_second(facets: int) -> float:
        run = next(spiral(tube(radius=20.0, height=2.4, facets=facets, speed=60.0)))
        ends = np.vstack([run.entry, np.column_stack([run.x, run.y, run.z])])
        return facets / (np.linalg.norm(np.diff(ends, axis=0), axis=1).sum() / run.speed)

    assert moves_per_second(150) / moves_per_second(50) == pytest.approx(3.0, rel=0.002)


@pytest.mark.parametrize("job", [tube(radius=7.0, height=3.0, facets=31, speed=20.0), lamp_shade()])
def test_every_line_is_38_to_42_bytes_long(job: SpiralJob) -> None:
    lengths = {len(line) for line in write(job).splitlines() if line.startswith("G1 X")}
    assert lengths and min(lengths) >= 38 and max(lengths) <= 42


def test_the_facets_end_on_the_helix_to_the_last_printed_digit() -> None:
    job = tube(radius=20.0, height=4.0, facets=48, speed=60.0)
    places = drawn(write(job))
    assert len(places) == 48 * job.turns
    for k, place in enumerate(places, start=1):
        angle, height = 2 * math.pi * k / 48, 0.2 + 0.2 * k / 48
        assert float(place["X"]) == pytest.approx(110 + 20 * math.cos(angle), abs=half_digit(place["X"]))
        assert float(place["Y"]) == pytest.approx(110 + 20 * math.sin(angle), abs=half_digit(place["Y"]))
        assert float(place["Z"]) == pytest.approx(height, abs=half_digit(place["Z"]))


def test_the_lamp_shade_ends_its_facets_on_its_own_surface() -> None:
    job = lamp_shade()
    places = drawn(write(job))
    x, y, z = (np.array([float(place[axis]) for place in places]) for axis in "XYZ")
    radius = np.hypot(x - job.centre[0], y - job.centre[1])
    angle = np.arctan2(y - job.centre[1], x - job.centre[0])
    wall = slice(-5000, None)
    assert np.abs(radius - job.radius(z, angle))[wall].max() < 1e-3


def test_a_move_gets_the_filament_of_its_bead() -> None:
    """w * h * L / (pi d^2 / 4); the rounding of one word is made good by the next, so sums are exact."""
    job = tube(radius=20.0, height=4.0, facets=48, speed=60.0)
    filament = np.array([float(place["E"]) for place in drawn(write(job))])
    rise, chord = 0.2 / 48, 2 * 20.0 * math.sin(math.pi / 48)
    closed_form = 0.45 * 0.2 * math.hypot(chord, rise) / (math.pi * 1.75**2 / 4)
    assert filament == pytest.approx(np.full(len(filament), closed_form), abs=1e-5)
    assert np.cumsum(filament) == pytest.approx(closed_form * np.arange(1, len(filament) + 1), abs=0.5e-5 + 1e-9)


def test_the_first_turn_on_a_base_fills_a_wedge_half_a_layer_high() -> None:
    job = SpiralJob(
        title="wedge", radius=lambda z, angle: np.full(len(z), 20.0), facets=lambda z: 60, speed=lambda z: 40.0,
        height=2.0, layer_height=0.2, line_width=0.4, base_layers=2, base_rings=3,
    )  # fmt: skip
    first, second = (run for _, run in zip(range(2), spiral(job), strict=False))
    assert first.filament.sum() == pytest.approx(second.filament.sum() / 2, rel=1e-12)
    assert first.filament[-1] == pytest.approx(second.filament[0] * (1 - 0.5 / 60), rel=1e-9)


def test_base_rings_close_and_lie_one_line_width_apart() -> None:
    job = SpiralJob(
        title="base", radius=lambda z, angle: np.full(len(z), 10.0), facets=lambda z: 36, speed=lambda z: 40.0,
        height=2.0, layer_height=0.2, line_width=0.4, base_layers=1, base_rings=100,
    )  # fmt: skip
    text = write(job)
    starts = [dict(WORD.findall(line)) for line in text.splitlines() if line.startswith("G0 ")]
    radii = [float(start["X"]) - 110 for start in starts]
    assert np.diff(radii[:-1]) == pytest.approx(-0.4, abs=1e-4)
    assert radii[-2] >= 0.4, "rings stop short of the axis"
    places = drawn(text)
    assert places[35]["X"] == starts[0]["X"] and places[35]["Y"] == starts[0]["Y"]


def test_the_spiral_climbs_evenly_and_never_lifts() -> None:
    text = write(tube(radius=20.0, height=4.0, facets=48, speed=60.0))
    heights = [float(place["Z"]) for place in drawn(text)]
    assert np.diff(heights) == pytest.approx(0.2 / 48, abs=2e-5)
    assert sum(line.startswith("G0") for line in text.splitlines()) == 1


def test_speed_follows_height() -> None:
    job = lamp_shade()
    speeds = [float(m.group(1)) for m in re.finditer(r"^G1 F(\d+)$", write(job), re.M)]
    assert speeds[-2:] == [55 * 60, 100 * 60]


def test_the_lamp_shade_is_calm_below_its_rim_and_busy_in_it() -> None:
    """What the demo stands on: sixteen moves of the body last for seconds, sixteen of the rim a tenth of one."""
    job = lamp_shade()
    longest, shortest = 0.0, math.inf
    for run in spiral(job):
        step = float(np.median(np.hypot(np.diff(run.x), np.diff(run.y))))
        queued = 16 * step / run.speed
        if run.z[0] < SHADE_BODY:
            shortest = min(shortest, queued)
        else:
            longest = max(longest, queued)
    assert shortest > 2.0 and longest < 0.15


def test_the_lamp_shade_says_that_it_is_invented_and_stays_small() -> None:
    text = write(lamp_shade())
    assert text.splitlines()[0].startswith("; INVENTED EXAMPLE")
    assert len(text) < 2_000_000
