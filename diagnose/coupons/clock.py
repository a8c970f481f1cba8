"""The clock coupon: a tube in bands in which one thing differs at a time, so that no two clocks run alike over all of it."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace

import numpy as np

from diagnose.coupons.registry import coupon
from diagnose.coupons.setup import Setup
from diagnose.coupons.sheet import Band, Body
from diagnose.coupons.spiral import Floats, SpiralJob, moves_of

FOOT_MM, LIP_MM = 17.0, 27.0
"""Radii at the bottom and at the top: at one angle x and y change with the height."""
TALL_MM = 45.0
BAND_MM = 5.0
FACETS, FINE_FACETS = 72, 216
SLOW_MM_S = 30.0
FASTER, WIDER, FLATTER = 2.2, 1.4, 0.6
BASE_LAYERS, BASE_RINGS = 3, 8


@dataclass(frozen=True, slots=True)
class Kind:
    """One band: how it is drawn."""

    says: str
    value: float
    unit: str
    speed: float
    width: float
    rise: float
    facets: int


def kinds(setup: Setup) -> list[Kind]:
    """Return the bands from the bottom up; what differs is spread, so that no clock is even over the whole tube."""
    width, rise = setup.line_width, setup.layer_height
    slow = setup.speed_for(SLOW_MM_S, width=WIDER * width)
    fast = setup.speed_for(FASTER * slow)
    plain = Kind(f"plain, {slow:.0f} mm/s", slow, "mm/s", slow, width, rise, FACETS)
    quick = replace(plain, says=f"speed {fast:.0f} mm/s", value=fast, speed=fast)
    wide = replace(
        plain, says=f"line width {WIDER * width:.2f} mm", value=WIDER * width, unit="mm", width=WIDER * width
    )
    flat = replace(
        plain, says=f"rise {FLATTER * rise:.2f} mm a turn", value=FLATTER * rise, unit="mm", rise=FLATTER * rise
    )
    fine = replace(plain, says=f"{FINE_FACETS} facets a turn", value=FINE_FACETS, unit="facets", facets=FINE_FACETS)
    return [plain, quick, wide, flat, fine, quick, plain, flat, wide]


@coupon("clock")
def clock(setup: Setup) -> Body:
    """Draw the clock coupon."""
    lines: list[str] = []
    bands: list[Band] = []
    for kind, job in _stacked(setup):
        lines += moves_of(job)
        low = job.first_z
        bands.append(
            Band(round(low, 3), round(low + job.turns * job.layer_height, 3), kind.says, kind.value, kind.unit)
        )
    return Body(lines, bands)


def _stacked(setup: Setup) -> Iterator[tuple[Kind, SpiralJob]]:
    z: float | None = None
    for kind in kinds(setup):
        bottom = z if z is not None else BASE_LAYERS * setup.layer_height
        job = SpiralJob(
            title="", radius=_cone, facets=_facets(kind), speed=_speed(kind),
            height=bottom + BAND_MM, layer_height=kind.rise, line_width=kind.width,
            filament_diameter=setup.machine.filament_diameter, centre=setup.middle, bottom=z,
            base_layers=0 if z is not None else BASE_LAYERS, base_rings=BASE_RINGS,
            base_speed=setup.speed_for(25.0), travel_speed=setup.speed_for(120.0),
            after_base=() if z is not None else (f"M106 S{round(2.55 * setup.printing.fan_percent.value)}",),
        )  # fmt: skip
        z = job.first_z + job.turns * job.layer_height
        yield kind, job


def _facets(kind: Kind) -> Callable[[float], int]:
    return lambda z: kind.facets


def _speed(kind: Kind) -> Callable[[float], float]:
    return lambda z: kind.speed


def _cone(z: Floats, angle: Floats) -> Floats:
    return np.asarray(FOOT_MM + (LIP_MM - FOOT_MM) * z / TALL_MM)
