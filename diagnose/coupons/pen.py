"""Draws lines of filament where no spiral does: posts, rings, plates. Speeds and lengths are those of the printer's card."""

from __future__ import annotations

import math
from collections.abc import Sequence
from itertools import pairwise

from diagnose.coupons.setup import Setup
from diagnose.coupons.spiral import FilamentWords

Point = tuple[float, float]

TRAVEL_MM_S = 120.0
LIFT_MM_S = 10.0


class Pen:
    """Writes moves in absolute mm with relative filament; between two lines it draws back, travels and primes."""

    def __init__(self, setup: Setup) -> None:
        self.lines: list[str] = []
        self.draw_back = setup.machine.retract_length
        """mm of filament drawn back before a travel."""
        self._setup = setup
        self._filament = FilamentWords()
        self._at: Point | None = None

    def say(self, *lines: str) -> None:
        """Write command lines as they are."""
        self.lines += lines

    def rise(self, z: float) -> None:
        """Go up to a layer."""
        self.lines.append(f"G1 Z{z:.3f} F{60 * LIFT_MM_S:.0f}")

    def go(self, to: Point) -> None:
        """Travel; filament is drawn back on the way."""
        if self._at is not None and math.dist(self._at, to) < 1e-3:
            return
        feeder = 60 * self._setup.machine.retract_speed
        if self.draw_back and self._at is not None:
            self.lines.append(f"G1 E{-self.draw_back:.5f} F{feeder:.0f}")
        self.lines.append(f"G0 {_place(to)} F{60 * self._setup.speed_for(TRAVEL_MM_S):.0f}")
        if self.draw_back and self._at is not None:
            self.lines.append(f"G1 E{self.draw_back:.5f} F{feeder:.0f}")
        self._at = to

    def line(
        self, points: Sequence[Point], speed: float, *, width: float | None = None, height: float | None = None
    ) -> None:
        """Draw from the first point through the others; speed in mm/s, a bead of rectangular section (mm)."""
        section = (width or self._setup.line_width) * (height or self._setup.layer_height)
        push = section / (math.pi * self._setup.machine.filament_diameter**2 / 4)
        self.go(points[0])
        self.lines.append(f"G1 F{60 * speed:.0f}")
        for here, there in pairwise(points):
            self.lines.append(f"G1 {_place(there)} E{self._filament.word(push * math.dist(here, there))}")
        self._at = points[-1]

    def ring(self, middle: Point, side: float, speed: float, *, height: float | None = None) -> None:
        """Draw a closed square of this side (mm, along the middle of the line), from its front left corner on."""
        (x, y), half = middle, side / 2
        corners = [(x - half, y - half), (x + half, y - half), (x + half, y + half), (x - half, y + half)]
        self.line([*corners, corners[0]], speed, height=height)


def _place(point: Point) -> str:
    return f"X{point[0]:.3f} Y{point[1]:.3f}"
