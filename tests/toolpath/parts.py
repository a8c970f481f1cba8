"""Small parts written as jobs for the tests of findings, and one plain machine to run them on."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import replace
from itertools import pairwise
from pathlib import Path
from typing import Any

from diagnose.coupons.spiral import SpiralJob, write
from diagnose.toolpath.job import Job, read_job
from diagnose.toolpath.machine import Machine

Outline = Sequence[tuple[float, float]]

PLAIN = Machine(
    planning="board", buffer_time=0, queue_moves=16, queue_seen=16, acceleration=3000, travel_acceleration=3000,
    axis_speed=(300, 300, 12, 60), axis_acceleration=(5000, 5000, 100, 5000),
    corner_rule="radius", corner_deviation=0.05, corner_step=(10, 10, 0.4, 5),
    feed="card", bytes_per_s=100_000, line_time=0.0005, reply_time=0, reply_bytes=0, window_lines=1,
    checkpoint_every=0, checkpoint_takes=0, rated_writes=10_000, hiccups_per_min=0, hiccup_takes=0, resends_per_1000=0,
    resend_lines=0,
    least_speed=0, least_travel_speed=0, least_move=0, stretch_below=0, job_sets_limits=True, tool_change_time=0,
    filament_diameter=1.75, nozzle_diameter=0.4, melt_rate=12, retract_length=5, retract_speed=40, ooze_rate=0.5,
)  # fmt: skip


def machine(**changes: Any) -> Machine:
    return replace(PLAIN, **changes)


def square(side: float = 30.0, *, pieces: int = 1) -> Outline:
    corners = [(0.0, 0.0), (side, 0.0), (side, side), (0.0, side)]
    sides = zip(corners, [*corners[1:], corners[0]], strict=True)
    return [(a + (c - a) * k / pieces, b + (d - b) * k / pieces) for (a, b), (c, d) in sides for k in range(pieces)]


def circle(radius: float = 15.0, facets: int = 60) -> Outline:
    angles = [2 * math.pi * k / facets for k in range(facets)]
    return [(radius * math.cos(angle), radius * math.sin(angle)) for angle in angles]


def layered(
    outline: Outline,
    layers: int = 20,
    *,
    first: Callable[[int], int] = lambda layer: 0,
    speed: Callable[[int], float] = lambda layer: 60.0,
    flow: Callable[[int], float] = lambda layer: 1.0,
    before: Callable[[int], list[str]] = lambda layer: [],
    retract: float = 0.0,
    height: float = 0.2,
) -> str:
    """Write one closed loop a layer round (100, 100), begun at corner `first(layer)`, lines 0.45 mm wide."""
    lines = ["G21", "G90", "M83", "G28", "M106 S255", "M109 S210"]
    per_mm = 0.45 * height / (math.pi * 1.75**2 / 4)
    for layer in range(layers):
        k = first(layer) % len(outline)
        loop = [*outline[k:], *outline[:k], outline[k]]
        lines += before(layer)
        lines += [f"G1 E-{retract:.3f} F2400"] if retract and layer else []
        lines += [f"G0 X{loop[0][0] + 100:.3f} Y{loop[0][1] + 100:.3f} Z{height * (layer + 1):.3f} F7200"]
        lines += [f"G1 E{retract:.3f} F2400"] if retract and layer else []
        lines += [f"G1 F{speed(layer) * 60:.0f}"]
        for (ax, ay), (bx, by) in pairwise(loop):
            filament = per_mm * math.hypot(bx - ax, by - ay) * flow(layer)
            lines += [f"G1 X{bx + 100:.3f} Y{by + 100:.3f} E{filament:.5f}"]
    return "\n".join([*lines, "M107", "M104 S0"]) + "\n"


def read(folder: Path, text: str | SpiralJob, on: Machine | None = None) -> Job:
    path = folder / "job.gcode"
    path.write_text(text if isinstance(text, str) else write(text))
    return read_job(path, on)


def answers(job: Job) -> dict[str, str]:
    return {finding.id: finding.answer for finding in job.findings}
