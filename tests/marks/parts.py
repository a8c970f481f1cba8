"""Parts drawn at random from what a workshop prints, written as jobs: tubes, vases, boxes, ordinary layered parts.

Nothing here knows of the inference. Sizes, speeds and printers are drawn from ranges of common practice, no source.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace
from itertools import pairwise
from pathlib import Path

import numpy as np

from diagnose.coupons.spiral import SpiralJob, write
from diagnose.toolpath.job import Job, read_job
from diagnose.toolpath.machine import Machine
from tests.toolpath.parts import PLAIN, Outline

SHAPES = ("tube", "vase", "box", "layered")
CENTRE = 110.0
FILAMENT_MM2 = math.pi * 1.75**2 / 4


def printer(random: np.random.Generator) -> Machine:
    """Return a board with a card, of numbers that boards have."""
    return replace(
        PLAIN,
        queue_moves=(queue := int(random.choice([16, 16, 32]))), queue_seen=queue,
        acceleration=(a := float(random.choice([800, 1000, 1500, 2500, 4000]))), travel_acceleration=a,
        corner_deviation=float(random.uniform(0.02, 0.08)), line_time=float(random.uniform(0.0005, 0.0015)),
        checkpoint_every=float(random.uniform(5, 20)), checkpoint_takes=float(random.uniform(0.15, 0.5)),
        hiccups_per_min=float(random.uniform(4, 12)), hiccup_takes=float(random.uniform(0.1, 0.3)),
    )  # fmt: skip


def other_than(machine: Machine, random: np.random.Generator) -> Machine:
    """Return a printer that differs from what its card says: acceleration by up to a fifth, and the other corner rule."""
    factor = float(random.uniform(0.8, 1.2))
    return replace(
        machine,
        acceleration=machine.acceleration * factor, travel_acceleration=machine.travel_acceleration * factor,
        corner_rule="step" if machine.corner_rule == "radius" else "radius",
    )  # fmt: skip


def quiet(machine: Machine) -> Machine:
    """Return the printer without saves and stalls: its head stands only by command."""
    return replace(machine, checkpoint_every=0.0, checkpoint_takes=0.0, hiccups_per_min=0.0)


def part(shape: str, random: np.random.Generator) -> str:
    """Return a job of this shape."""
    return {"tube": tube, "vase": vase, "box": box, "layered": ordinary}[shape](random)


def tube(random: np.random.Generator) -> str:
    """A plain tube in one spiral at one speed: time, path, filament, height and angle all run alike."""
    radius, speed = float(random.uniform(15, 45)), float(random.uniform(30, 80))
    facets = int(2 * math.pi * radius / random.uniform(0.6, 2.5))
    return write(_spiral(random, lambda z, a: np.full(len(z), radius), lambda z: facets, lambda z: speed))


def vase(random: np.random.Generator) -> str:
    """A spiral of varying radius, waved or not; small turns are drawn more slowly, as programs do to let them cool."""
    foot, swing = float(random.uniform(18, 35)), float(random.uniform(0.1, 0.4))
    waves = int(random.choice([0, 0, 5, 8, 12]))
    depth, long, begin = float(random.uniform(0.5, 2)), float(random.uniform(25, 90)), float(random.uniform(0, 6.28))
    speed, least_s = float(random.uniform(40, 90)), float(random.uniform(2, 6))
    facet = float(random.uniform(0.5, 2))

    def middle(z: float) -> float:
        return foot * (1 + swing * math.sin(begin + 2 * math.pi * z / long))

    def radius(z: np.ndarray, angle: np.ndarray) -> np.ndarray:
        round_ = foot * (1 + swing * np.sin(begin + 2 * np.pi * z / long))
        return round_ + (depth * np.cos(waves * angle) if waves else 0.0)

    def pace(z: float) -> float:
        return round(min(speed, 2 * math.pi * middle(z) / least_s), 1)

    return write(_spiral(random, radius, lambda z: max(24, int(2 * math.pi * middle(z) / facet)), pace))


def _spiral(
    random: np.random.Generator, radius: Callable, facets: Callable[[float], int], speed: Callable[[float], float]
) -> SpiralJob:  # fmt: skip
    return SpiralJob(
        title="a part", radius=radius, facets=facets, speed=speed, height=float(random.uniform(25, 70)),
        layer_height=float(random.choice([0.16, 0.2, 0.25, 0.3])), line_width=0.45, base_layers=3, base_rings=8,
    )  # fmt: skip


def rounded_box(half: float, corner: float, facet: float) -> Outline:
    """Return a square with rounded corners, counter-clockwise from the middle of its right side, flat sides as one move."""
    steps = max(3, int(math.pi / 2 * corner / facet))
    points: list[tuple[float, float]] = [(half, 0.0)]
    for quarter in range(4):
        turn = quarter * math.pi / 2
        for k in range(steps + 1):
            a = turn + math.pi / 2 * k / steps
            cx = (half - corner) * (math.cos(turn) - math.sin(turn))
            cy = (half - corner) * (math.sin(turn) + math.cos(turn))
            points.append((cx + corner * math.cos(a), cy + corner * math.sin(a)))
    return points


def shrunk(outline: Outline, by: float) -> Outline:
    """Return the outline drawn closer to the origin by so many mm along its own radii."""
    return [(x * (1 - by / math.hypot(x, y)), y * (1 - by / math.hypot(x, y))) for x, y in outline]


class _Writer:
    """Lines of a layered job; relative filament, draw-backs before travels."""

    def __init__(self, random: np.random.Generator, layer: float) -> None:
        self.lines = ["G21", "G90", "M83", "G28", "M104 S210", "M109 S210", "M107"]
        self.layer, self.back = layer, float(random.choice([0.5, 0.8, 2.0, 4.0]))
        self.per_mm = 0.45 * layer / FILAMENT_MM2

    def travel(self, x: float, y: float, z: float) -> None:
        self.lines += [f"G1 E-{self.back:.3f} F2400", f"G0 X{x + CENTRE:.3f} Y{y + CENTRE:.3f} Z{z:.3f} F7800"]
        self.lines += [f"G1 E{self.back:.3f} F2400"]

    def loop(self, outline: Outline, begin: int, z: float, speed: float) -> None:
        around = [*outline[begin:], *outline[:begin], outline[begin]]
        self.travel(*around[0], z)
        self.draw(around, speed)

    def draw(self, points: Outline, speed: float) -> None:
        self.lines.append(f"G1 F{60 * speed:.0f}")
        for (ax, ay), (bx, by) in pairwise(points):
            e = self.per_mm * math.hypot(bx - ax, by - ay)
            self.lines.append(f"G1 X{bx + CENTRE:.3f} Y{by + CENTRE:.3f} E{e:.5f}")

    def fill(self, outline: Outline, gap: float, flat: bool, z: float, speed: float) -> None:
        """Draw lines to and fro across the outline, along x or along y."""
        line = np.array([(p[::-1] if flat else p) for p in outline])
        closed = np.vstack((line, line[:1]))
        points: list[tuple[float, float]] = []
        for k, at in enumerate(np.arange(line[:, 0].min() + gap / 2, line[:, 0].max(), gap).tolist()):
            across = (closed[:-1, 0] - at) * (closed[1:, 0] - at) < 0
            a, b = closed[:-1][across], closed[1:][across]
            if len(a) < 2:
                continue
            hits = a[:, 1] + (b[:, 1] - a[:, 1]) * (at - a[:, 0]) / (b[:, 0] - a[:, 0])
            ends = [(at, float(hits.min())), (at, float(hits.max()))]
            points += ends[::-1] if k % 2 else ends
        points = [p[::-1] if flat else p for p in points]
        if len(points) > 1:
            self.travel(*points[0], z)
            self.draw(points, speed)

    def text(self) -> str:
        return "\n".join([*self.lines, "M107", "M104 S0"]) + "\n"


def _starts(random: np.random.Generator, outline: Outline) -> Callable[[], int]:
    """Return how loops begin: always at one point, or scattered."""
    if random.uniform() < 0.7:
        fixed = int(random.integers(len(outline)))
        return lambda: fixed
    return lambda: int(random.integers(len(outline)))


def box(random: np.random.Generator) -> str:
    """An open box with rounded corners: three solid layers, then two walls a layer, inner one first."""
    half, layer = float(random.uniform(15, 35)), float(random.choice([0.16, 0.2, 0.25, 0.3]))
    outline = rounded_box(half, half * float(random.uniform(0.2, 0.5)), float(random.uniform(0.3, 1.0)))
    inner = shrunk(outline, 0.45)
    begin, speed = _starts(random, outline), float(random.uniform(30, 80))
    out = _Writer(random, layer)
    for k in range(int(random.uniform(25, 60) / layer)):
        z = (k + 1) * layer
        pace = 25.0 if k == 0 else speed
        out.loop(inner, begin(), z, 1.2 * pace)
        out.loop(outline, begin(), z, pace)
        if k < 3:
            out.fill(shrunk(outline, 1.0), 0.45, k % 2 == 0, z, 1.2 * pace)
        if k == 1:
            out.lines.append("M106 S255")
    return out.text()


def ordinary(random: np.random.Generator) -> str:
    """A body that tapers and bulges: two walls and a sparse fill, solid at both ends, slower where a layer is short."""
    size, layer = float(random.uniform(14, 28)), float(random.choice([0.16, 0.2, 0.25, 0.3]))
    count = int(random.uniform(25, 50) / layer)
    taper, bulge, long = (float(random.uniform(*r)) for r in ((-0.3, 0.3), (0.0, 0.15), (20, 60)))
    power, facet = float(random.choice([2, 2.5, 4])), float(random.uniform(0.3, 1.2))
    facets = int(2 * math.pi * size / facet)
    stretch = float(random.uniform(0.7, 1.0))
    speed, inner_speed, fill_speed = (float(random.uniform(*r)) for r in ((30, 60), (50, 90), (70, 130)))
    gap, least_s, outer_first = float(random.uniform(2.5, 6)), float(random.uniform(4, 10)), bool(random.integers(2))
    angle = 2 * np.pi * np.arange(facets) / facets
    c, s = np.cos(angle), np.sin(angle)
    unit = (np.abs(c) ** power + np.abs(s) ** power) ** (-1 / power)
    begin = _starts(random, [(0.0, 0.0)] * facets)
    out = _Writer(random, layer)
    for k in range(count):
        z = (k + 1) * layer
        r = size * (1 + taper * k / count + bulge * math.sin(2 * math.pi * z / long))
        outline = [(float(x), float(y)) for x, y in zip(r * unit * c, stretch * r * unit * s, strict=True)]
        inner = shrunk(outline, 0.45)
        solid = k < 3 or k >= count - 3
        path = 4 * math.pi * r + math.pi * r * r / (0.45 if solid else gap)
        pace = 0.5 if k == 0 else min(1.0, path / 60.0 / least_s)
        walls = [(outline, speed), (inner, inner_speed)]
        for wall, v in walls if outer_first else walls[::-1]:
            out.loop(wall, begin(), z, v * pace)
        out.fill(shrunk(outline, 1.0), 0.45 if solid else gap, k % 2 == 0, z, fill_speed * pace)
        if k == 1:
            out.lines.append("M106 S255")
    return out.text()


def read(text: str, machine: Machine | None, folder: Path) -> Job:
    """Read a job from its text."""
    path = folder / "part.gcode"
    path.write_text(text)
    return read_job(path, machine)
