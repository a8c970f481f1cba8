"""Flat coupons: squares of one layer all over the bed, and a frame to be measured."""

from __future__ import annotations

import math
from dataclasses import dataclass

from diagnose.coupons.pen import Pen, Point
from diagnose.coupons.registry import coupon
from diagnose.coupons.setup import Setup
from diagnose.coupons.sheet import CLOSEST_MM, Band, Body
from diagnose.coupons.tubes import FIRST_LAYERS_MM_S
from diagnose.errors import BadInput

SQUARE_MM = 30.0
FIRST_LAYER_MM_S = 20.0


@coupon("first-layer-squares")
def first_layer_squares(setup: Setup) -> Body:
    """Draw five squares of one layer, in the middle and as far out as the bed allows, each hatched line beside line.

    Raises
    ------
    BadInput
        The bed is too small for five squares beside each other.
    """
    reach_x, reach_y = _reach(setup)
    if min(reach_x, reach_y) < SQUARE_MM + 2:
        raise BadInput(
            f"five squares of {SQUARE_MM:g} mm are too large for this bed with {CLOSEST_MM:g} mm left all round",
            "print single squares by hand on a bed this small",
        )
    pen, (x, y), speed = Pen(setup), setup.middle, setup.speed_for(FIRST_LAYER_MM_S)
    pen.rise(setup.layer_height)
    places = [(-1, -1), (1, -1), (0, 0), (-1, 1), (1, 1)]
    for across, deep in places:
        _hatch(pen, (x + across * reach_x, y + deep * reach_y), setup.line_width, speed)
    return Body(pen.lines, [Band(0.0, setup.layer_height, f"five squares at {speed:.0f} mm/s", speed, "mm/s")])


def _reach(setup: Setup) -> Point:
    """Return how far from the middle of the bed the outer squares have theirs, mm along x and y."""
    room, half = setup.bed, SQUARE_MM / 2
    if room.shape == "round":
        out = room.width_mm.value / 2 - CLOSEST_MM - 1.0
        # The far corner of a square lies on the circle.
        along = out / math.sqrt(2) - half
        return along, along
    return room.width_mm.value / 2 - CLOSEST_MM - 1.0 - half, room.depth_mm.value / 2 - CLOSEST_MM - 1.0 - half


def _hatch(pen: Pen, middle: Point, width: float, speed: float) -> None:
    """Draw a filled square: a ring, then one line that goes to and fro inside it."""
    pen.ring(middle, SQUARE_MM - width, speed)
    inner = SQUARE_MM - 2 * width
    count = int(inner / width)
    left, right, bottom = middle[0] - inner / 2 + width / 2, middle[0] + inner / 2 - width / 2, middle[1] - inner / 2
    points = []
    for k in range(count):
        y = bottom + inner * (k + 0.5) / count
        points += [(left, y), (right, y)] if k % 2 == 0 else [(right, y), (left, y)]
    pen.line(points, speed)


FRAME = "size-and-square-frame"
FRAME_MM, BAR_RINGS, FRAME_LAYERS = 100.0, 8, 10
DOT_MM = 6.0


@coupon(FRAME)
def frame(setup: Setup) -> Body:
    """Draw a flat square frame; a small square inside its front left corner tells how it lay on the bed."""
    pen, (x, y), width = Pen(setup), setup.middle, setup.line_width
    inside = FRAME_MM / 2 - BAR_RINGS * width - DOT_MM / 2 + 0.1
    for layer in range(FRAME_LAYERS):
        if layer == 1:
            pen.say(f"M106 S{round(2.55 * setup.printing.fan_percent.value)}")
        pen.rise(round((layer + 1) * setup.layer_height, 4))
        speed = setup.speed_for(FIRST_LAYERS_MM_S if layer == 0 else 40.0)
        for ring in reversed(range(BAR_RINGS)):  # the measured line last, against what holds it
            pen.ring((x, y), FRAME_MM - width - 2 * ring * width, speed)
        for ring in range(int(DOT_MM / 2 / width)):
            pen.ring((x - inside, y - inside), DOT_MM - width - 2 * ring * width, speed)
    top = FRAME_LAYERS * setup.layer_height
    return Body(pen.lines, [Band(0.0, top, f"outer size {FRAME_MM:g} x {FRAME_MM:g} mm", FRAME_MM, "mm")])


@dataclass(frozen=True, slots=True)
class Frame:
    """What a measured frame says of the printer."""

    x_percent: float
    """How much too large along X, percent; below 0: too small."""
    y_percent: float
    skew_deg: float
    """How far the angle between X and Y is from a right one; above 0: the front left corner is too pointed."""


def read_frame(x_mm: float, y_mm: float, to_right_back_mm: float, to_left_back_mm: float) -> Frame:
    """Return size and squareness from both sides and both diagonals, mm; the first diagonal starts at the marked corner.

    In a parallelogram the squares of the diagonals differ by four times the product of the sides and the cosine of the
    angle between them: p^2 - q^2 = 4 a b cos(angle).

    Raises
    ------
    BadInput
        No frame has such sides and diagonals.
    """
    sizes = (x_mm, y_mm, to_right_back_mm, to_left_back_mm)
    far = (to_right_back_mm**2 - to_left_back_mm**2) / (4 * x_mm * y_mm) if min(sizes) > 0 else math.inf
    wrong = math.hypot(to_right_back_mm, to_left_back_mm) / (math.sqrt(2) * max(math.hypot(x_mm, y_mm), 1e-9)) - 1
    if abs(far) > 0.5 or abs(wrong) > 0.02:
        raise BadInput(
            "these four lengths do not fit one frame: the diagonals should be near 1.41 times the sides",
            "give both sides and both diagonals in mm, the diagonal from the marked corner first: --sizes 100.1 99.9 141.3 141.5",
            "--sizes",
        )
    return Frame(x_mm - FRAME_MM, y_mm - FRAME_MM, math.degrees(math.asin(far)))
