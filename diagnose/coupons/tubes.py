"""Coupons that are one spiral wall: the same tube two ways, flow that rises with height, corners at two speeds."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from diagnose.coupons.ladder import shortest_reserve
from diagnose.coupons.registry import coupon
from diagnose.coupons.setup import Setup
from diagnose.coupons.sheet import Band, Body
from diagnose.coupons.spiral import Floats, SpiralJob, moves_of
from diagnose.errors import BadInput

BASE_LAYERS, BASE_RINGS = 3, 8
FIRST_LAYERS_MM_S = 25.0
TRAVEL_MM_S = 120.0


def spiral_on_base(
    setup: Setup, *, radius: float, facets: int, speed: float, height: float, width: float | None = None,
    rise: float | None = None, bottom: float | None = None, square: bool = False,
) -> SpiralJob:  # fmt: skip
    """Return a tube of even speed: round or square (``radius`` is then half its side), on a base unless ``bottom`` says on what."""
    on_base = bottom is None
    return SpiralJob(
        title="", radius=(lambda z, angle: _square(radius, angle)) if square else (lambda z, angle: np.full(len(z), radius)),
        facets=lambda z: facets, speed=lambda z: speed, height=height, layer_height=rise or setup.layer_height,
        line_width=width or setup.line_width, filament_diameter=setup.machine.filament_diameter, centre=setup.middle,
        bottom=bottom, base_layers=BASE_LAYERS if on_base else 0, base_rings=BASE_RINGS,
        base_speed=setup.speed_for(FIRST_LAYERS_MM_S, width=width, height=rise), travel_speed=setup.speed_for(TRAVEL_MM_S),
        after_base=(f"M106 S{round(2.55 * setup.printing.fan_percent.value)}",) if on_base else (),
    )  # fmt: skip


def _square(half: float, angle: Floats) -> Floats:
    return np.asarray(half / np.maximum(np.abs(np.cos(angle)), np.abs(np.sin(angle))))


TWO_WAYS_RADIUS_MM, TWO_WAYS_MM_S = 25.0, 60.0
HALF_MM = 10.0


@coupon("two-ways")
def two_ways(setup: Setup) -> Body:
    """Draw the same fine-faceted tube twice, one on the other: checkpoints on below, off above.

    Raises
    ------
    BadInput
        The host plans: its buffer does not depend on facets, and no checkpoint empties it.
    """
    machine = setup.machine
    if machine.planning == "host":
        raise BadInput(
            "this printer's host plans the motion: no checkpoint of the board empties its buffer",
            "a late host is found by what runs beside it; see `diagnose toolpath JOB --printer ...`",
        )
    speed = setup.speed_for(TWO_WAYS_MM_S)
    facet = shortest_reserve(machine, speed) * speed / machine.queue_moves
    count = math.floor(2 * math.pi * TWO_WAYS_RADIUS_MM / facet)
    foot = BASE_LAYERS * setup.layer_height
    half = round(HALF_MM / setup.layer_height) * setup.layer_height
    below = spiral_on_base(setup, radius=TWO_WAYS_RADIUS_MM, facets=count, speed=speed, height=foot + half)
    above = spiral_on_base(
        setup, radius=TWO_WAYS_RADIUS_MM, facets=count, speed=speed, height=foot + 2 * half, bottom=foot + half
    )
    return Body(
        ["M413 S1", *moves_of(below), "M413 S0", *moves_of(above)],
        [
            Band(foot, foot + half, "resume after a power cut on (M413 S1)", 1, "on or off"),
            Band(foot + half, foot + 2 * half, "the same tube, resume off (M413 S0)", 0, "on or off"),
        ],
    )


FLOW_RADIUS_MM = 30.0
WIDE, TALL = 1.4, 0.7
"""Line width and rise of the melt-rate ladder over the nozzle: a fat bead asks for much melt at little speed."""
LEAST_FLOW, MOST_FLOW, FLOW_STEPS, FLOW_STEP_MM = 0.3, 0.99, 10, 4.0
"""Shares of what the card says is melted; the rest is left for the rounding of digits."""


@coupon("melt-rate-ladder")
def melt_rate_ladder(setup: Setup) -> Body:
    """Draw a tube whose flow rises in even steps from three tenths of what the card says the hot end melts up to all of it."""
    machine = setup.machine
    width, rise = WIDE * machine.nozzle_diameter, TALL * machine.nozzle_diameter
    lines: list[str] = []
    bands: list[Band] = []
    z: float | None = None
    for k in range(FLOW_STEPS):
        flow = machine.melt_rate * (LEAST_FLOW + (MOST_FLOW - LEAST_FLOW) * k / (FLOW_STEPS - 1))
        speed = min(flow / (width * rise), 0.8 * min(machine.axis_speed[:2]))
        bottom = z if z is not None else BASE_LAYERS * rise
        job = spiral_on_base(
            setup, radius=FLOW_RADIUS_MM, facets=72, speed=speed, height=bottom + FLOW_STEP_MM, width=width, rise=rise,
            bottom=z,
        )  # fmt: skip
        z = job.first_z + job.turns * rise
        flow = speed * width * rise
        lines += moves_of(job)
        bands.append(Band(bottom, z, f"{flow:.1f} mm3/s at {speed:.0f} mm/s", flow, "mm3/s"))
    return Body(lines, bands)


ECHO = "corner-echo"
ECHO_SIDE_MM, ECHO_HALF_MM, ECHO_FACETS = 60.0, 12.0, 8
ECHO_MM_S = 100.0
ALIKE = 1.25
"""Echoes as far apart in both halves within a quarter keep a distance; twice as far within a quarter keep a time."""


@coupon(ECHO)
def corner_echo(setup: Setup) -> Body:
    """Draw a square post, its lower half at half the speed of its upper half."""
    foot, (slow, fast) = BASE_LAYERS * setup.layer_height, echo_speeds(setup)
    below = spiral_on_base(
        setup, radius=ECHO_SIDE_MM / 2, facets=ECHO_FACETS, speed=slow, height=foot + ECHO_HALF_MM, square=True
    )
    middle = below.first_z + below.turns * below.layer_height
    above = spiral_on_base(
        setup, radius=ECHO_SIDE_MM / 2, facets=ECHO_FACETS, speed=fast, height=middle + ECHO_HALF_MM, bottom=middle,
        square=True,
    )  # fmt: skip
    top = above.first_z + above.turns * above.layer_height
    return Body(
        [*moves_of(below), *moves_of(above)],
        [Band(foot, middle, f"{slow:.0f} mm/s", slow, "mm/s"), Band(middle, top, f"{fast:.0f} mm/s", fast, "mm/s")],
    )


def echo_speeds(setup: Setup) -> tuple[float, float]:
    """Return the speeds of the lower and the upper half, mm/s."""
    fast = float(round(setup.speed_for(ECHO_MM_S)))
    return fast / 2, fast


@dataclass(frozen=True, slots=True)
class Echo:
    """What waves behind a corner keep: a time (something swings) or a distance (something turns or steps)."""

    keeps: str
    """``time``, ``distance`` or ``neither``."""
    hertz: float
    """Frequency at the lower and the upper half, their geometric mean."""
    mm: float
    """Distance of one wave, the geometric mean of both halves."""


def read_echo(setup: Setup, slow_mm: float, fast_mm: float) -> Echo:
    """Return what the waves keep whose spacing was measured in the lower and the upper half.

    A swing of frequency f leaves waves v / f apart, so twice the speed doubles them; a part that turns leaves them as
    far apart at any speed.

    Raises
    ------
    BadInput
        A spacing is not positive.
    """
    if min(slow_mm, fast_mm) <= 0:
        raise BadInput("waves lie some way apart", "give two spacings in mm: --spacings 0.8 1.6", "--spacings")
    slow, fast = echo_speeds(setup)
    wider = fast_mm / slow_mm
    near = {"time": 2.0, "distance": 1.0}
    keeps = next((what for what, times in near.items() if abs(math.log(wider / times)) <= math.log(ALIKE)), "neither")
    return Echo(keeps, math.sqrt(slow / slow_mm * fast / fast_mm), math.sqrt(slow_mm * fast_mm))
