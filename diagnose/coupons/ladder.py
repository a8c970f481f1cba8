"""The stall ladder: a tube whose facets get finer with height, so that the queue of moves holds less and less time.

A stall of the supply leaves a mark where it outlasts what the queue holds at that moment. The height at which marks begin
therefore measures how long the stall lasts. What the queue holds in each band is not a rule of thumb but the reserve that
the engine finds for this coupon on this printer, with a supply that never stalls.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np

from diagnose.coupons.registry import coupon
from diagnose.coupons.setup import Setup
from diagnose.coupons.sheet import Band, Body, read_text
from diagnose.coupons.spiral import SpiralJob, moves_of
from diagnose.errors import BadInput
from diagnose.toolpath.columns import Role
from diagnose.toolpath.job import Job
from diagnose.toolpath.machine import Machine
from diagnose.toolpath.starvation import reply_seconds, windowed

ID = "stall-ladder"
RADIUS_MM = 25.0
WISHED_MM_S = 60.0
LONGEST_S, STEP = 0.5, 1.09
"""Reserve of the lowest band, and how much more each band holds than the one above it: read back within half a step."""
SHORTEST_FACET_MM = 0.06
"""Shorter moves are lost in the digits of coordinates."""
SPARE = 1.25
"""How much longer a move lasts than it takes to bring the next one: else the supply alone would empty the queue."""
SAVES_A_BAND = 2.2
USUAL_SAVE_S = 5.0
"""Between two saves of a checkpoint, where the card knows of none."""
LEAST_BANDS = 6
BASE_LAYERS, BASE_RINGS = 3, 8


@dataclass(frozen=True, slots=True)
class Stall:
    """How long a stall lasts, ms."""

    ms: float
    least_ms: float
    most_ms: float


@coupon(ID)
def stall_ladder(setup: Setup) -> Body:
    """Draw the ladder for a printer whose board plans; a host's buffer does not depend on facets.

    Raises
    ------
    BadInput
        The host plans, or the supply is too slow for a ladder of some steps.
    """
    job, counts, edges = _ladder(setup)
    bands = _bands(setup, counts, edges, reserves(setup, job, edges))
    return Body(moves_of(job), bands)


def read_ladder(setup: Setup, first_mark_mm: float) -> Stall:
    """Return how long stalls last that leave marks from this height on, mm from the bed.

    A stall that leaves none in one band and one in the next lasts between what the queue held in both: about their
    geometric mean, and surely from the least of the upper band to the most of the lower one.

    Raises
    ------
    BadInput
        The height is not on the ladder.
    """
    job, counts, edges = _ladder(setup)
    held = reserves(setup, job, edges)
    if not edges[0] <= first_mark_mm <= edges[-1] + 0.5:
        raise BadInput(
            f"{first_mark_mm:g} mm is not on the ladder: its bands go from {edges[0]:.1f} to {edges[-1]:.1f} mm",
            "measure from the bed to the lowest mark above the base", "--first-mark",
        )  # fmt: skip
    k = min(int(np.searchsorted(edges, first_mark_mm, "right")) - 1, len(counts) - 1)
    if k == 0:
        raise BadInput(
            f"marks from the lowest band on: the stall lasts longer than {1000 * held[0].least:.0f} ms, more than this ladder tells",
            "something else leaves them, or the supply stands still for longer than any save: see `diagnose toolpath`",
            "--first-mark",
        )  # fmt: skip
    here, below = held[k], held[k - 1]
    return Stall(1000 * math.sqrt(here.middle * below.middle), 1000 * here.least, 1000 * below.most)


@dataclass(frozen=True, slots=True)
class Reserve:
    """What the queue holds in a band, s: at any moment in it."""

    least: float
    middle: float
    most: float


def reserves(setup: Setup, job: SpiralJob, edges: Sequence[float]) -> list[Reserve]:
    """Return what the queue holds in each band, by the engine's coupled queue with a supply that never stalls."""
    calm = replace(setup, machine=replace(setup.machine, checkpoint_every=0.0, hiccups_per_min=0.0))
    run = _run(job, calm)
    assert run.run is not None
    moves, last = run.file.moves, run.run.depart_s
    draws = (run.file.shape.role == Role.OUTER) & run.run.settled & (moves.e > 0)
    spent = np.diff(last, prepend=0.0)
    found = []
    for low, high in pairwise(edges):
        at = np.flatnonzero(draws & (moves.z > low + 1.5 * job.layer_height) & (moves.z <= high))
        begun = run.run.reserve_ms[at] / 1000
        ends = begun - spent[at]
        found.append(
            Reserve(
                float(np.quantile(ends, 0.05)), float(np.median((begun + ends) / 2)), float(np.quantile(begun, 0.95))
            )
        )
    return found


def _run(job: SpiralJob, setup: Setup) -> Job:
    return read_text("\n".join(("G21", "G90", "M83", *moves_of(job))) + "\n", setup)


def _ladder(setup: Setup) -> tuple[SpiralJob, list[int], list[float]]:
    """Return the tube, the facets a turn of each band, and the heights where bands begin, the last end included."""
    machine = setup.machine
    if machine.planning == "host":
        raise BadInput(
            "this printer's host plans the motion: its buffer holds seconds, however fine the facets",
            "a late host is found by what runs beside it; see `diagnose toolpath JOB --printer ...`",
        )
    speed, around = setup.speed_for(WISHED_MM_S), 2 * math.pi * RADIUS_MM
    queue = machine.queue_moves
    shortest = shortest_reserve(machine, speed)
    turn_s = around / speed
    every = machine.checkpoint_every or USUAL_SAVE_S
    turns = max(3, math.ceil(SAVES_A_BAND * every / turn_s))
    band_mm = turns * setup.layer_height
    foot = BASE_LAYERS * setup.layer_height
    room = int((min(setup.bed.height_mm.value, TALLEST_MM) - foot) / band_mm)
    count = min(room, 1 + math.floor(math.log(LONGEST_S / shortest) / math.log(STEP))) if shortest < LONGEST_S else 0
    if count < LEAST_BANDS:
        raise BadInput(
            f"this printer's queue is never below {1000 * shortest:.0f} ms while its supply keeps up, or its saves come too "
            "seldom: the ladder would have too few steps",
            "a stall of its supply shows in any part with fine facets; see `diagnose toolpath JOB --printer ...`",
        )
    step = (LONGEST_S / shortest) ** (1 / (count - 1))
    counts = [round(around * queue / (speed * LONGEST_S / step**k)) for k in range(count)]
    edges = [foot + band_mm * k for k in range(count + 1)]

    def facets(z: float) -> int:
        return int(counts[min(max(int((z - foot) / band_mm + 1e-6), 0), count - 1)])

    job = SpiralJob(
        title="", radius=lambda z, angle: np.full(len(z), RADIUS_MM), facets=facets, speed=lambda z: speed,
        height=edges[-1], layer_height=setup.layer_height, line_width=setup.line_width,
        filament_diameter=machine.filament_diameter, centre=setup.middle, base_layers=BASE_LAYERS, base_rings=BASE_RINGS,
        base_speed=setup.speed_for(25.0), travel_speed=setup.speed_for(120.0),
        after_base=(f"M106 S{round(2.55 * setup.printing.fan_percent.value)}",),
    )  # fmt: skip
    return job, counts, edges


def shortest_reserve(machine: Machine, speed: float) -> float:
    """Return the least s that a full queue can hold at this speed (mm/s), by the finest facets that the supply keeps up with."""
    return max(SHORTEST_FACET_MM, SPARE * supply_s(machine) * speed) * machine.queue_moves / speed


TALLEST_MM = 120.0
"""A slender tube sways above."""
LINE_BYTES = 39


def supply_s(machine: Machine) -> float:
    """Return s that one line of the coupon takes to come."""
    parts = LINE_BYTES / machine.bytes_per_s, machine.line_time, float(reply_seconds(machine))
    return max(max(parts[:2]), sum(parts) / machine.window_lines) if windowed(machine) else sum(parts)


def _bands(setup: Setup, counts: Sequence[int], edges: Sequence[float], held: Sequence[Reserve]) -> list[Band]:
    return [
        Band(
            low,
            high,
            f"{count} facets a turn, the queue holds {1000 * reserve.middle:.0f} ms",
            1000 * reserve.middle,
            "ms",
        )
        for (low, high), count, reserve in zip(pairwise(edges), counts, held, strict=True)
    ]
