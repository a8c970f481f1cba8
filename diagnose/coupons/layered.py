"""Coupons of closed rings, layer on layer: two posts with heat or draw-back in steps, a tube with three kinds of layer start."""

from __future__ import annotations

import math
from collections.abc import Callable

from diagnose.coupons.pen import Pen, Point
from diagnose.coupons.registry import coupon
from diagnose.coupons.setup import Setup
from diagnose.coupons.sheet import Band, Body
from diagnose.coupons.spiral import moves_of
from diagnose.coupons.tubes import FIRST_LAYERS_MM_S, spiral_on_base

POST_MM, WALLS, FLOOR_LAYERS = 12.0, 2, 4
WALL_MM_S, BRIDGE_MM_S = 40.0, 25.0
STRANDS = 5


def _posts(setup: Setup, apart: float, bands: int, band_mm: float, change: Callable[[Pen, int], None], strap: bool) -> list[str]:
    """Return two square posts this far apart (mm, middle to middle); ``change`` sets up each band before it begins.

    ``strap``: the last layer of each band spans the gap between the posts.
    """
    pen, rise, width = Pen(setup), setup.layer_height, setup.line_width
    x, y = setup.middle
    posts: list[Point] = [(x - apart / 2, y), (x + apart / 2, y)]
    layers = round(band_mm / rise)
    for layer in range(bands * layers):
        band, within = divmod(layer, layers)
        if within == 0:
            change(pen, band)
        if layer == 1:
            pen.say(f"M106 S{round(2.55 * setup.printing.fan_percent.value)}")
        pen.rise(round((layer + 1) * rise, 4))
        speed = setup.speed_for(WALL_MM_S if layer >= FLOOR_LAYERS else FIRST_LAYERS_MM_S)
        rings = WALLS if layer >= FLOOR_LAYERS else int(POST_MM / width / 2)
        # To and fro: the post that was drawn last comes first, so that each layer crosses the gap once.
        for middle in posts if layer % 2 == 0 else posts[::-1]:
            for ring in range(rings):
                pen.ring(middle, POST_MM - width - 2 * ring * width, speed)
        if strap and within == layers - 1:
            for strand in range(STRANDS):
                across = [(posts[0][0] + POST_MM / 2 - width, y + (strand - (STRANDS - 1) / 2) * width)]
                across.append((posts[1][0] - POST_MM / 2 + width, across[0][1]))
                pen.line(across if strand % 2 == 0 else across[::-1], setup.speed_for(BRIDGE_MM_S))
    return pen.lines


HEAT_STEP_C, HEAT_BANDS, HEAT_BAND_MM, GAP_MM = 5.0, 9, 8.0, 30.0


@coupon("temperature-ladder")
def temperature_ladder(setup: Setup) -> Body:
    """Draw two posts and straps between them, hottest below, 5 degrees cooler every 8 mm down to the coolest that prints."""
    coolest, hottest = setup.heat_range
    steps = [hottest - HEAT_STEP_C * k for k in range(int((hottest - coolest) / HEAT_STEP_C) + 1)][:HEAT_BANDS]

    def change(pen: Pen, band: int) -> None:
        pen.say(f"M104 S{steps[band]:g}" if band else f"M109 S{steps[band]:g}")

    lines = _posts(setup, GAP_MM, len(steps), HEAT_BAND_MM, change, strap=True)
    return Body(lines, _even_bands(setup, HEAT_BAND_MM, [(f"nozzle {c:g} degrees C", c) for c in steps], "degrees C"))


DRAW_BACK_STEPS, DRAW_BACK_BAND_MM, POSTS_APART_MM = 8, 5.0, 40.0
LEAST_MOST_MM, MOST_MM = 2.0, 8.0


@coupon("retraction-ladder")
def retraction_ladder(setup: Setup) -> Body:
    """Draw two posts; what is drawn back between them rises with height from none to twice the card's draw-back."""
    most = min(max(2 * setup.machine.retract_length, LEAST_MOST_MM), max(MOST_MM, setup.machine.retract_length))
    steps = [round(most * k / DRAW_BACK_STEPS, 2) for k in range(DRAW_BACK_STEPS + 1)]

    def change(pen: Pen, band: int) -> None:
        pen.draw_back = steps[band]

    lines = _posts(setup, POSTS_APART_MM, len(steps), DRAW_BACK_BAND_MM, change, strap=False)
    return Body(lines, _even_bands(setup, DRAW_BACK_BAND_MM, [(f"draws back {mm:g} mm", mm) for mm in steps], "mm"))


def _even_bands(setup: Setup, tall: float, steps: list[tuple[str, float]], unit: str) -> list[Band]:
    rise = round(tall / setup.layer_height) * setup.layer_height
    return [Band(round(k * rise, 3), round((k + 1) * rise, 3), says, value, unit) for k, (says, value) in enumerate(steps)]


SEAM_RADIUS_MM, SEAM_BAND_MM, SEAM_FACETS = 20.0, 10.0, 90
GOLDEN = math.pi * (3 - math.sqrt(5))
"""Radians from one scattered start to the next: no two come near each other for long."""


@coupon("seam-tube")
def seam_tube(setup: Setup) -> Body:
    """Draw a tube whose layers start in one line at the back, then scattered; its top third is a spiral and has no starts."""
    pen, rise = Pen(setup), setup.layer_height
    x, y = setup.middle
    third = round(SEAM_BAND_MM / rise)

    def circle(radius: float, start: float, speed: float) -> None:
        angles = [start + 2 * math.pi * k / SEAM_FACETS for k in range(SEAM_FACETS + 1)]
        pen.line([(x + radius * math.cos(a), y + radius * math.sin(a)) for a in angles], speed)

    for layer in range(2 * third):
        if layer == 1:
            pen.say(f"M106 S{round(2.55 * setup.printing.fan_percent.value)}")
        pen.rise(round((layer + 1) * rise, 4))
        start = math.pi / 2 if layer < third else layer * GOLDEN
        first = layer < FLOOR_LAYERS
        speed = setup.speed_for(FIRST_LAYERS_MM_S if first else WALL_MM_S)
        for ring in range(WALLS * 3 if first else 1):
            circle(SEAM_RADIUS_MM - ring * setup.line_width, start, speed)
    top = 2 * third * rise
    spiral = spiral_on_base(
        setup, radius=SEAM_RADIUS_MM, facets=SEAM_FACETS, speed=setup.speed_for(WALL_MM_S), height=top + SEAM_BAND_MM, bottom=top
    )
    return Body(
        [*pen.lines, *moves_of(spiral)],
        [
            Band(0.0, third * rise, "layers start in one line at the back", 1, "kind of start"),
            Band(third * rise, top, "layers start scattered", 2, "kind of start"),
            Band(top, top + spiral.turns * rise, "a spiral without starts", 3, "kind of start"),
        ],
    )
