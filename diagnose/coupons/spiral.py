"""Spiral jobs (one wall that climbs without a seam) as G-code: tubes, cones, lamp shades.

A spiral is written as facets: `facets(z)` straight moves a turn, their ends on the surface `radius(z, angle)`.
Every number takes seven characters, so every line has the same length and the bytes of a job count its moves.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

NUMBER_WIDTH = 7
"""Characters of a coordinate: 99.1234, 100.123, -9.1234. A line is then 38 bytes and its end."""

FILAMENT_DIGITS = 5
"""Decimals of the filament word; what rounding leaves over is carried to the next move."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SpiralJob:
    """One spiral print. Lengths in mm, speeds in mm/s, angles in radians from the x axis."""

    title: str
    radius: Callable[[Floats, Floats], Floats]
    """(z (n,), angle (n,)) -> (n,) distance of the surface from the axis."""
    facets: Callable[[float], int]
    """z at the start of a turn -> straight moves in that turn, at least 3."""
    speed: Callable[[float], float]
    """z at the start of a turn -> speed asked for in that turn."""
    height: float
    """Of the whole part; met by the nearest whole number of turns."""
    layer_height: float
    line_width: float
    filament_diameter: float = 1.75
    centre: tuple[float, float] = (110.0, 110.0)
    bottom: float | None = None
    """Height of the nozzle where the spiral starts, on top of another job; by default the top of the base."""
    base_layers: int = 0
    """Flat layers of closed rings below the spiral; without them the spiral starts one layer above the bed."""
    base_rings: int = 0
    """Rings of a base layer, outermost first, one line width apart; they stop short of the axis."""
    base_speed: float = 30.0
    travel_speed: float = 120.0
    notes: tuple[str, ...] = ()
    """Comment lines below the title."""
    start: tuple[str, ...] = ("G28",)
    """Command lines before the first move. Units, absolute axes and relative filament are set ahead of them."""
    after_base: tuple[str, ...] = ()
    end: tuple[str, ...] = ()

    @property
    def first_z(self) -> float:
        """Height of the nozzle where the spiral starts: the top of the base, or one layer above the bed."""
        return self.bottom if self.bottom is not None else self.layer_height * max(self.base_layers, 1)

    @property
    def turns(self) -> int:
        """Whole turns of the spiral."""
        return max(0, round((self.height - self.first_z) / self.layer_height))

    def filament_for(self, path_mm: float) -> float:
        """Return mm of filament for a path: a bead of rectangular section, w * h * L / (pi d^2 / 4)."""
        return self.line_width * self.layer_height * path_mm / (math.pi * self.filament_diameter**2 / 4)


@dataclass(frozen=True, slots=True)
class Run:
    """Moves drawn without lifting: (n,) ends in mm, absolute; (n,) filament in mm; one speed in mm/s."""

    entry: tuple[float, float, float]
    x: Floats
    y: Floats
    z: Floats
    filament: Floats
    speed: float


def ends_at(run: Run) -> tuple[float, float, float]:
    """Return where the run leaves the nozzle, mm."""
    return float(run.x[-1]), float(run.y[-1]), float(run.z[-1])


def base(job: SpiralJob) -> Iterator[Run]:
    """Yield the closed rings of the flat layers, outermost first, bottom up."""
    for layer in range(job.base_layers):
        height = job.layer_height * (layer + 1)
        for ring in range(job.base_rings):
            angle = _angles(job.facets(height))
            radius = job.radius(np.full(len(angle), height), angle) - ring * job.line_width
            if radius.min() < job.line_width:
                break
            yield _run(job, angle, radius, np.full(len(angle), height), job.base_speed, np.ones(len(angle) - 1))


def spiral(job: SpiralJob) -> Iterator[Run]:
    """Yield the turns of the spiral, bottom up; each starts where the one before it ended.

    On a base the first turn has a gap below it that grows from nothing to a layer, and so does its flow.
    """
    for turn in range(job.turns):
        bottom = job.first_z + job.layer_height * turn
        count = job.facets(bottom)
        angle = _angles(count)
        height = bottom + job.layer_height * np.arange(count + 1) / count
        flow = (np.arange(count) + 0.5) / count if job.base_layers and turn == 0 else np.ones(count)
        yield _run(job, angle, job.radius(height, angle), height, job.speed(bottom), flow)


def write(job: SpiralJob) -> str:
    """Return the job as G-code text: X Y Z E lines of 38 bytes without their end, speeds on lines of their own."""
    notes = (f"; {text}" for text in (job.title, *job.notes))
    return "\n".join((*notes, "G21", "G90", "M83", *job.start, *moves_of(job), *job.end)) + "\n"


def moves_of(job: SpiralJob) -> list[str]:
    """Return the lines that draw the job, base and spiral, for absolute axes and relative filament in mm."""
    lines: list[str] = []
    filament = FilamentWords()
    speed = 0.0
    here = ""

    def draw(run: Run) -> None:
        nonlocal speed, here
        entry = _place(*run.entry)
        if here != entry:
            lines.append(f"G0 {entry} F{job.travel_speed * 60:.0f}")
            speed = 0.0
        if run.speed != speed:
            lines.append(f"G1 F{run.speed * 60:.0f}")
            speed = run.speed
        ends = zip(run.x.tolist(), run.y.tolist(), run.z.tolist(), run.filament.tolist(), strict=True)
        lines.extend(f"G1 {_place(x, y, z)} E{filament.word(e)}" for x, y, z, e in ends)
        here = _place(*ends_at(run))

    for run in base(job):
        draw(run)
    lines += job.after_base
    for run in spiral(job):
        draw(run)
    return lines


def tube(
    *, radius: float, height: float, facets: int, speed: float, layer_height: float = 0.2, line_width: float = 0.45
) -> SpiralJob:
    """Return a plain tube in one spiral: the shape the rules of thumb of the supply of moves are stated for."""
    return SpiralJob(
        title=f"Tube in one spiral: radius {radius:g} mm, {facets} facets a turn, {speed:g} mm/s",
        radius=lambda z, angle: np.full(len(z), radius),
        facets=lambda z: facets,
        speed=lambda z: speed,
        height=height,
        layer_height=layer_height,
        line_width=line_width,
    )


SHADE_BODY = 70.0
"""mm, where the plain body of the demo's lamp shade ends and its rim starts."""


def lamp_shade() -> SpiralJob:
    """Return the job of the demo: an invented lamp shade of an invented repair cafe.

    The body is a plain cone of long facets, slow: its moves fill the queue for seconds. The rim flares, waves and
    is cut into fine facets at a higher speed: its sixteen moves last about a tenth of a second.
    """
    foot, waist, lip, height = 58.0, 78.0, 92.0, 80.0
    waves, depth = 14, 1.6

    def radius(z: Floats, angle: Floats) -> Floats:
        flare = np.clip((z - SHADE_BODY) / (height - SHADE_BODY), 0.0, 1.0)
        cone = foot + (waist - foot) * np.clip(z / SHADE_BODY, 0.0, 1.0)
        wave: Floats = cone + (lip - waist) * flare**1.5 + depth * flare * np.cos(waves * angle)
        return wave

    return SpiralJob(
        title="INVENTED EXAMPLE: lamp shade of a repair cafe; no real shop, part or case",
        notes=(
            "plain conical body with long facets, slow; flared and waved rim with fine facets, fast",
            "CAUTION: hot nozzle and moving parts; stay with the printer while it starts",
        ),
        radius=radius,
        facets=lambda z: 36 if z < SHADE_BODY else 700,
        speed=lambda z: 55.0 if z < SHADE_BODY else 100.0,
        height=height,
        layer_height=0.2,
        line_width=0.45,
        base_layers=3,
        base_rings=12,
        start=("M413 S1", "M140 S55", "M104 S150", "G28", "M190 S55", "M109 S210", "M107"),
        after_base=("M106 S255",),
        end=("M104 S0", "M140 S0", "M107", "G91", "G1 Z10 F600", "G90", "M84"),
    )


def _angles(count: int) -> Floats:
    """Return the (count + 1,) angles of the ends of one turn; the last is the first again, one turn on."""
    return 2 * np.pi * np.arange(count + 1) / count


def _run(job: SpiralJob, angle: Floats, radius: Floats, height: Floats, speed: float, flow: Floats) -> Run:
    x = job.centre[0] + radius * np.cos(angle)
    y = job.centre[1] + radius * np.sin(angle)
    # cos(2 pi) is exactly 1 in floats, sin(2 pi) is not exactly 0: close the turn where it began.
    y[-1] = job.centre[1]
    path = np.sqrt(np.diff(x) ** 2 + np.diff(y) ** 2 + np.diff(height) ** 2)
    entry = (float(x[0]), float(y[0]), float(height[0]))
    return Run(entry, x[1:], y[1:], height[1:], job.filament_for(1.0) * path * flow, speed)


def _number(value: float) -> str:
    """Return the number with as many decimals as fill seven characters."""
    text = f"{value:.5f}"
    while len(text) > NUMBER_WIDTH and "." in text:
        text = f"{value:.{max(0, NUMBER_WIDTH - text.index('.') - 1)}f}"
    return text


def _place(x: float, y: float, z: float) -> str:
    return f"X{_number(x)} Y{_number(y)} Z{_number(z)}"


class FilamentWords:
    """Rounds filament to its printed digits and carries what is left over, so that the sum stays right."""

    def __init__(self) -> None:
        self.owed = 0.0

    def word(self, length: float) -> str:
        self.owed += length
        printed = round(self.owed, FILAMENT_DIGITS)
        self.owed -= printed
        return f"{printed:.{FILAMENT_DIGITS}f}"
