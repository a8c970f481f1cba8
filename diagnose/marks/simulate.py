"""Marks that a fault would leave on a part, and what a person would measure of them.

A fault is a beat of one clock, a kind of place, or neither. Stops are not drawn: the true machine runs the job, with its saves
and stalls where they fall, and where its head stands on an outer wall it leaves a blob. A person then sees some of them, takes
other blemishes for marks, and measures with errors. One seed gives one part.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal, cast

import numpy as np

from diagnose.errors import BadInput
from diagnose.marks.model import Clock, Marks, Place
from diagnose.marks.truth import Spots, Truth
from diagnose.toolpath.columns import Bools, EventKind, Floats, Ints, Role
from diagnose.toolpath.job import Job
from diagnose.toolpath.machine import Machine
from diagnose.toolpath.queue import WHY, draw_stalls

SHARP = np.radians(40.0)
"""Bend of a wall that counts as a corner (common practice, no source)."""
LANDING_S = 2.0
"""s after a change of fan or temperature within which it shows (no source: an invention of the simulator)."""
STALL_MS = 150.0
"""A supply that is late by so much shows wherever the reserve is shorter (no source: an invention of the simulator)."""
PER_BEAT = 2.0
"""Marks that a beat leaves on average where it is a ring or a stripe rather than a moment (invention)."""
PER_LAYER = 0.3
"""The same a layer of a stripe that runs up the part (invention)."""
MOST_DRAWS = 1000
"""Batches after which a beat that no surface keeps is given up."""
ENOUGH = 10
"""Times as many marks as are wanted are made where a fault has no number of its own."""


@dataclass(frozen=True, slots=True)
class Beat:
    """Marks that keep time with one clock."""

    clock: Clock
    period: float
    """In the unit of the clock."""
    phase: float | None = None
    """Share of the period from the clock's zero to the first beat; drawn where None."""
    jitter: float = 0.02
    """Standard deviation of each beat, as a share of the period; beats do not add theirs up."""


@dataclass(frozen=True, slots=True)
class At:
    """Marks that lie at one kind of place."""

    place: Place
    scatter_mm: float = 0.5
    """Standard deviation of a mark along its wall round the place itself."""


@dataclass(frozen=True, slots=True)
class Anywhere:
    """Marks that lie anywhere on the printed surface."""


Fault = Beat | At | Anywhere


@dataclass(frozen=True, slots=True)
class Person:
    """Who finds and measures the marks. Errors are standard deviations."""

    wanted: int = 14
    """How many marks are handed in, if the part has as many; spurious ones included."""
    where: Literal["neighbours", "whole"] = "neighbours"
    """A run of marks one above the other, or some picked from the whole part."""
    missed: float = 0.2
    """Share of true marks that are overlooked."""
    spurious: float = 0.2
    """Share of the marks handed in that are none; they lie anywhere on the surface between the lowest and highest mark."""
    height_err: float = 0.1
    """mm."""
    angle_err: float = 2.0
    """deg."""
    place_err: float = 0.5
    """mm, of x and of y where marks are measured so."""
    gives: Literal["angle", "height", "place"] = "angle"
    """Height and angle, height alone, or x, y and z."""
    height_step: float = 0.1
    """mm to which heights are rounded, x and y as well; 0 for not at all."""
    angle_step: float = 1.0
    """deg to which angles are rounded."""
    knows_zero: bool = True
    """False: angles are counted from a side of the part that nobody remembers."""


@dataclass(frozen=True, slots=True)
class Made:
    """Marks as measured, and the truth behind each."""

    marks: Marks
    spots: Spots
    true: Bools
    """(n,) whether the fault left it."""
    truth: Truth
    left: int
    """How many marks the fault left on the part, seen or not."""


def simulate(job: Job, fault: Fault, seed: int, person: Person | None = None, machine: Machine | None = None) -> Marks:
    """Return the marks that a person measures on a part with this fault; fewer than wanted where there are no more.

    Parameters
    ----------
    machine
        The printer that truly printed it; the one the job was read for by default. Its saves and stalls make the stops.

    Raises
    ------
    BadInput
        When the fault needs a printer and none is given, or the job draws no outer wall.
    """
    return make(job, fault, seed, person, machine).marks


def make(job: Job, fault: Fault, seed: int, person: Person | None = None, machine: Machine | None = None) -> Made:
    """Return the same with the truth behind the marks; see `simulate`."""
    person = person or Person()
    random = np.random.default_rng(seed)
    if machine is None and job.run is not None:
        machine = job.run.machine
    truth = _print(job, fault, machine, random, outside=person.gives != "place")
    left = _leave(truth, fault, person.wanted, random)
    left = left[truth.outer[left.move]]
    seen = left[random.uniform(size=len(left)) >= person.missed]
    blemishes = int(person.wanted * person.spurious + random.uniform())
    chosen = _choose(truth, seen, person.wanted - blemishes, person.where, random)
    height = truth.position(chosen)[:, 2]
    others = _blemishes(truth, height, min(blemishes, len(chosen)), random)
    spots = chosen.and_(others)
    true = np.arange(len(spots)) < len(chosen)
    marks, order = _measure(truth, spots, person, random)
    return Made(marks, spots[order], true[order], truth, len(left))


def _print(job: Job, fault: Fault, machine: Machine | None, random: np.random.Generator, *, outside: bool) -> Truth:
    """Return the job as printed, with saves of a random phase, and random stalls where those are the fault."""
    first, stalls = None, None
    if machine is not None and machine.checkpoint_every > 0:
        first = float(random.uniform(0.0, machine.checkpoint_every))
    if machine is not None and isinstance(fault, At) and fault.place == "random-stops":
        longest = 2 * float(job.file.nominal_s.sum()) if job.run is None else 1.5 * job.run.time_s
        stalls = draw_stalls(machine, longest, int(random.integers(1 << 31)))
    return Truth(job, machine, first, stalls, outside=outside)


def _leave(truth: Truth, fault: Fault, wanted: int, random: np.random.Generator) -> Spots:
    """Return where the fault leaves marks; some of them where nobody sees them."""
    if isinstance(fault, Anywhere):
        return truth.draw(ENOUGH * wanted, truth.surface, random)
    if isinstance(fault, Beat):
        if not fault.period > 0:
            raise BadInput(f"a beat of {fault.period:g} cannot be", "give a period above zero")
        phase = float(random.uniform()) if fault.phase is None else fault.phase
        if fault.clock in ("time", "path", "filament"):
            return _moments(truth, fault, phase, random)
        return _stripes(truth, fault, phase, random)
    spots = _places(truth, fault.place, ENOUGH * wanted, random)
    return truth.along(spots, fault.scatter_mm * random.standard_normal(len(spots)))


def _moments(truth: Truth, beat: Beat, phase: float, random: np.random.Generator) -> Spots:
    """Return where the head was at each beat of a clock that runs with the job."""
    total = truth.total(beat.clock)
    count = max(0, int(np.ceil(float(total.max()) / beat.period - phase)))
    at = beat.period * (phase + np.arange(count) + beat.jitter * random.standard_normal(count))
    at = at[(at > 0) & (at < total.max())]
    return truth.at_time(at) if beat.clock == "time" else truth.at_sum(total, at)


def _stripes(truth: Truth, beat: Beat, phase: float, random: np.random.Generator) -> Spots:
    """Return places on the surface near the beats of a clock of place: rings for heights, stripes for the others.

    Drawn evenly over the surface and kept with the chance of a wrapped normal round the beat.
    """
    lines = np.flatnonzero(truth.outer)
    middle = Spots(lines, np.full(len(lines), 0.5))
    shown = truth.shown(beat.clock, middle)
    if beat.clock in ("height", "layer"):
        count = PER_BEAT * (shown.max() - shown.min()) / beat.period
    else:
        count = PER_LAYER * len(truth.shape.layer_z)
    count = int(random.poisson(count))
    found = Spots(np.empty(0, np.int64), np.empty(0))
    # A layer may be as thick as the jitter is wide: no layer need lie near a beat, so the nearest counts as well.
    step = 0.0
    if beat.clock in ("height", "layer"):
        levels = np.unique(np.round(shown, 6))
        step = float(np.median(np.diff(levels))) if len(levels) > 1 else 0.0
    for _ in range(MOST_DRAWS):
        if len(found) >= count:
            break
        spots = truth.draw(4096, truth.surface, random)
        off = truth.shown(beat.clock, spots) / beat.period - phase
        off = np.abs(off - np.round(off)) * beat.period
        near = np.maximum(off - step / 2, 0.0) / max(beat.jitter * beat.period, 1e-9)
        found = found.and_(spots[random.uniform(size=len(spots)) < np.exp(-0.5 * near**2)])
    return found[np.arange(min(count, len(found)))]


def _places(truth: Truth, place: Place, many: int, random: np.random.Generator) -> Spots:
    """Return the places of a kind on outer walls, all of them, or drawn where they are stretches rather than points."""
    moves, shape, outer = truth.moves, truth.shape, truth.outer
    if place == "overhangs":
        share = shape.overhang.share_by_layer[np.maximum(shape.layer, 0)]
        return truth.draw(many, truth.surface * share, random)
    if place == "short-reserve":
        short = (truth.supply.reserve_ms < STALL_MS) & truth.supply.settled & outer
        return truth.draw(many, np.where(short, truth.depart_s - truth.start_s, 0.0), random)
    if place in ("fan-changes", "temperature-changes"):
        kind = EventKind.FAN if place == "fan-changes" else EventKind.NOZZLE_TEMP
        at = _events(truth, kind)
        return _on_walls(truth, truth.at_time(truth.start_s[at] + random.uniform(0.0, LANDING_S, len(at))))
    if place in ("checkpoint-stops", "random-stops", "rate-stops"):
        stops = truth.supply.stops
        whys = {"checkpoint-stops": ("checkpoint",), "random-stops": ("random-stall",)}
        wanted = whys.get(place, ("link-rate", "line-time", "round-trip"))
        at = stops.move[np.isin(stops.why, [WHY.index(why) for why in wanted])]
    elif place == "seams":
        at = shape.seams.move
    elif place == "pauses":
        at = _events(truth, EventKind.PAUSE, EventKind.DWELL, EventKind.HEAT_WAIT, EventKind.WAIT_MOVES)
    elif place == "retractions":
        at = np.flatnonzero(shape.role == Role.RETRACT)
    elif place == "restarts":
        at = np.flatnonzero(shape.role == Role.RESTART)
    elif place == "corners":
        at = _corners(truth)
    else:
        drawn = np.flatnonzero((moves.e > 0) & (shape.length > 0) & (shape.layer >= 0))
        new = drawn[1:][np.diff(shape.layer[drawn]) > 0]
        at = new[~shape.spiral.mask[new]]
    spots, there = truth.standing(at.astype(np.int64))
    return spots[there]


def _on_walls(truth: Truth, spots: Spots) -> Spots:
    return spots[truth.outer[spots.move]]


def _events(truth: Truth, *kinds: EventKind) -> Ints:
    events = truth.job.file.events
    at = events.before[np.isin(events.kind, kinds)]
    return cast(Ints, at[(at > 0) & (at < len(truth.moves))].astype(np.int64))


def _corners(truth: Truth) -> Ints:
    """Return the moves of outer walls that begin at a sharp bend."""
    along = truth.ends - truth.starts
    heading = np.arctan2(along[:, 1], along[:, 0])
    bend = np.abs((np.diff(heading, prepend=0.0) + np.pi) % (2 * np.pi) - np.pi)
    both = truth.outer & np.concatenate(([False], truth.outer[:-1]))
    return np.flatnonzero(both & (bend > SHARP))


def _choose(truth: Truth, seen: Spots, count: int, where: str, random: np.random.Generator) -> Spots:
    """Return the marks that a person takes down: a run of neighbours in height, or some of all."""
    if len(seen) <= count:
        return seen
    if where == "whole":
        return seen[np.sort(random.choice(len(seen), count, replace=False))]
    # In order of printing within a height: neighbours of a spiral or of one layer.
    order = np.lexsort((seen.move, truth.position(seen)[:, 2]))
    begin = int(random.integers(len(seen) - count + 1))
    return seen[order[begin : begin + count]]


def _blemishes(truth: Truth, height: Floats, count: int, random: np.random.Generator) -> Spots:
    """Return blemishes anywhere on the surface between the lowest and the highest true mark."""
    if not len(height):
        return Spots(np.empty(0, np.int64), np.empty(0))
    low, high = float(height.min()) - 1e-6, float(height.max()) + 1e-6
    inside = (truth.ends[:, 2] >= low) & (truth.starts[:, 2] <= high)
    return truth.draw(count, np.where(inside, truth.surface, 0.0), random)


def _measure(truth: Truth, spots: Spots, person: Person, random: np.random.Generator) -> tuple[Marks, Ints]:
    """Return the marks as measured, bottom up, and the order of the spots in them."""
    n = len(spots)
    here = truth.position(spots)
    nothing = np.full(n, np.nan)
    height = _rounded(here[:, 2] + person.height_err * random.standard_normal(n), person.height_step)
    angle, x, y = nothing, nothing, nothing
    if person.gives == "angle":
        turned = 0.0 if person.knows_zero else float(random.uniform(0.0, 360.0))
        angle = truth.angle(spots) + person.angle_err * random.standard_normal(n) + turned
        angle = _rounded(angle, person.angle_step) % 360.0
    elif person.gives == "place":
        x, y = (_rounded(here[:, k] + person.place_err * random.standard_normal(n), person.height_step) for k in (0, 1))
    order = np.argsort(height, kind="stable")
    placed = np.full(n, person.place_err if person.gives == "place" else np.nan)
    marks = Marks(
        height=height[order], angle=angle[order], x=x[order], y=y[order],
        height_err=np.full(n, person.height_err), angle_err=np.full(n, person.angle_err), place_err=placed,
        size=nothing, row=np.arange(1, n + 1, dtype=np.int32), zero_known=person.knows_zero,
    )  # fmt: skip
    return marks, order


def _rounded(values: Floats, step: float) -> Floats:
    return np.round(values / step) * step if step > 0 else values
