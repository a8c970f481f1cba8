"""Files to measure with: jobs of any size, and tables of floats of as many bytes."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np

from diagnose.coupons.spiral import tube, write

LAYER_MM = 0.2


def spiral_job(path: Path, megabytes: float) -> Path:
    """Write a tube in one spiral, X Y Z E on every line, 0.17 mm facets, about this long."""
    facets, line_bytes = 1500, 39.5
    turns = max(5.0, megabytes * 1e6 / line_bytes / facets)
    path.write_text(write(tube(radius=40.0, facets=facets, speed=60.0, height=turns * LAYER_MM)))
    return path


def layered_job(path: Path, megabytes: float) -> Path:
    """Write a drum in layers: three loops, a fill of lines to and fro, retractions and travels; X Y E lines."""
    body = "\n".join(_layer()) + "\n"
    layers = max(3, round(megabytes * 1e6 / (len(body) + 40)))
    with path.open("w") as out:
        out.write("G21\nG90\nM83\nG28\nM109 S210\nM106 S255\n")
        for k in range(1, layers + 1):
            out.write(f"G1 E-0.8 F2400\nG0 X100 Y100 Z{k * LAYER_MM:.3f} F9000\n{body}")
        out.write("M107\nM104 S0\n")
    return path


def _layer() -> list[str]:
    lines: list[str] = []
    for radius in (29.1, 29.55, 30.0):
        angles = 2 * np.pi * np.arange(241) / 240
        x, y = 100 + radius * np.cos(angles), 100 + radius * np.sin(angles)
        lines += [f"G0 X{x[0]:.3f} Y{y[0]:.3f} F9000", "G1 E0.8 F2400", "G1 F3600"]
        e = 0.0374 * 2 * math.pi * radius / 240
        lines += [f"G1 X{a:.3f} Y{b:.3f} E{e:.5f}" for a, b in zip(x[1:], y[1:], strict=True)]
        lines += ["G1 E-0.8 F2400"]
    lines += ["G0 X72.000 Y100.000 F9000", "G1 E0.8 F2400", "G1 F4800"]
    for k, x_now in enumerate(np.arange(72.0, 128.0, 0.45)):
        half = math.sqrt(max(28.6**2 - (x_now - 100) ** 2, 0.01))
        ends = (100 - half, 100 + half) if k % 2 else (100 + half, 100 - half)
        lines += [f"G1 X{x_now:.3f} Y{end:.3f} E{0.0374 * step:.5f}" for end, step in zip(ends, (0.5, 2 * half), strict=True)]
    return lines


def floats(path: Path, megabytes: float) -> Path:
    """Write a table of floats with four columns, as many bytes."""
    numbers = np.random.default_rng(0).uniform(0, 200, (4000, 4))
    body = "\n".join(",".join(f"{v:.4f}" for v in row) for row in numbers.tolist()) + "\n"
    with path.open("w") as out:
        out.write("x,y,z,e\n")
        for _ in range(max(1, round(megabytes * 1e6 / len(body)))):
            out.write(body)
    return path
