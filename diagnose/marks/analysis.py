"""Everything that one set of marks says about one job."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from diagnose.errors import Cancelled
from diagnose.marks import clocks, places
from diagnose.marks.clocks import Beats, Field
from diagnose.marks.model import LEAST_MARKS, Ask, Clock, ClockReading, Marks, MarksReport, Place, Placed, PlaceReading
from diagnose.marks.placing import REACH, Candidates, place
from diagnose.marks.surface import Points, Surface, find_surface
from diagnose.marks.ties import find_ties
from diagnose.marks.trains import part_for
from diagnose.marks.verdict import verdict
from diagnose.toolpath.columns import Floats
from diagnose.toolpath.job import Job

CAP_DB = 40.0
"""The most that one set of marks may say for anything; all is scaled together, so that ranks stay."""
TURNS = 24
"""Ways the part may have lain that are tried where nobody knows."""
SAVE_DRIFT = 0.2
"""How far the time between saves may be from what the printer card says."""

Progress = Callable[[float, str], None]
Cancel = Callable[[], bool]


@dataclass(frozen=True, slots=True)
class _Told:
    """What one way of holding the part comes to."""

    found: Candidates
    placed: Placed
    region: tuple[float, float]
    beats: Mapping[Clock, tuple[Beats | None, Field]]
    places: Mapping[Place, tuple[float, int, int]]
    """Place to decibans, hits, count."""
    saves: float
    """Decibans of marks at checkpoint stops."""
    saved: ClockReading | None
    """The beat of the saves that fits best."""
    total: float
    """Sum of all Bayes factors: how much this way of holding it says at all."""


def analyse(
    job: Job,
    marks: Marks,
    asks: Sequence[Ask] = (),
    *,
    trains: Mapping[str, float] | None = None,
    part: int | None = None,
    progress: Progress | None = None,
    cancel: Cancel | None = None,
) -> MarksReport:
    """Hold marks against a job: clocks they keep time with, places they lie at, and what each thing asked comes to.

    Parameters
    ----------
    job
        Read, and run on a printer where places of stops and true times are wanted.
    asks
        What causes say of their marks; each gets its decibans.
    trains
        Lengths at which the printer's drive repeats, by their names on the card.
    part
        Object of a plate drawn one after the other that has the marks, from 1; all by default.

    Raises
    ------
    BadInput
        The job draws no outer wall, or has no such object.
    Cancelled
        When ``cancel`` answers True.
    """
    surface = find_surface(job, part)
    kinds: dict[Place, places.Kind | None] = {name: make() for name, make in places.kinds(surface).items()}
    turns = [0.0] if marks.zero_known else [360.0 * k / TURNS for k in range(TURNS)]
    told: list[_Told] = []
    for k, turn in enumerate(turns):
        if cancel and cancel():
            raise Cancelled
        if progress:
            progress(k / len(turns), "holding the marks against the job")
        told.append(_hold(surface, kinds, marks, asks, turn))
    if progress:
        progress(1.0, "done")
    return _report(surface, marks, asks, told, trains or {})


def _hold(surface: Surface, kinds: Mapping[Place, places.Kind | None], marks: Marks, asks: Sequence[Ask], turn: float) -> _Told:
    found, placed = place(surface, marks, turn)
    on = found.on
    if len(on) < LEAST_MARKS:
        return _Told(found, placed, (0.0, 0.0), {}, {}, 0.0, None, 0.0)
    low = float((marks.height[on] - REACH / 2 * marks.height_err[on]).min())
    high = float((marks.height[on] + REACH / 2 * marks.height_err[on]).max())
    sample = surface.sample(surface.between(low, high), clocks.SAMPLE)
    beats: dict[Clock, tuple[Beats | None, Field]] = {}
    for clock in clocks.CLOCKS:
        field = clocks.readings(surface, clock, found, sample)
        beats[clock] = clocks.try_periods(clock, field, *clocks.range_of(clock, asks)), field
    lying: dict[Place, tuple[float, int, int]] = {}
    for name, kind in kinds.items():
        count = 0 if kind is None else kind.count
        decibans, hits = (0.0, 0) if kind is None else places.factor(found, kind.density, sample)
        lying[name] = decibans, hits, count
    saves, saved = _saves(surface, found, sample)
    factors = [b.factor(None, None) for b, _ in beats.values() if b is not None]
    factors += [10 ** (d / 10) for d, _, _ in lying.values()] + [10 ** (saves / 10)]
    return _Told(found, placed, (low, high), beats, lying, saves, saved, float(sum(factors)))


def _saves(surface: Surface, found: Candidates, sample: Points) -> tuple[float, ClockReading | None]:
    """Return the decibans of marks where checkpoint saves stop the head, whenever the first fell, and their beat."""
    run = surface.job.run
    weigh = places.susceptible(surface)
    if run is None or weigh is None or not run.machine.checkpoint_every > 0 or not weigh(sample).any():
        return 0.0, None
    field = clocks.readings(surface, "time", found, sample, weigh)
    every = run.machine.checkpoint_every
    low, high = every * (1 - SAVE_DRIFT), every * (1 + SAVE_DRIFT)
    beats = clocks.try_periods("time", field, low, high)
    if beats is None:
        return 0.0, None
    reading = clocks.read_clock("time", beats, field, found, len(np.diff(found.first)), low, high)
    return reading.decibans, reading


def _report(
    surface: Surface, marks: Marks, asks: Sequence[Ask], told: Sequence[_Told], trains: Mapping[str, float]
) -> MarksReport:
    best = max(told, key=lambda t: t.total)
    count, warnings = len(best.found.on), _off(marks, best.placed)
    if count < LEAST_MARKS:
        said = (
            f"{count} of {len(marks)} marks lie on the part: fewer than {LEAST_MARKS} say nothing that could not be chance. "
            "Measure more of them."
        )
        return MarksReport(marks, best.placed, count, (), (), (), (), said, tuple(warnings),
                           dict.fromkeys(asks, 0.0), surface.axis, best.region)  # fmt: skip
    readings = []
    for clock in clocks.CLOCKS:
        low, high = clocks.range_of(clock, asks)
        beats, field = best.beats[clock]
        reading = clocks.read_clock(clock, beats, field, best.found, len(marks), low, high)
        part = part_for(reading, trains)
        readings.append(replace(reading, decibans=_mean([_of_clock(t, clock, low, high) for t in told]), part=part))
    readings.sort(key=lambda r: -r.decibans)
    lying = [
        PlaceReading(name, _mean([t.places[name][0] for t in told if t.places]), *best.places[name][1:])
        for name in best.places
    ]
    saves = _mean([t.saves for t in told])
    stops = surface.job.run.stops if surface.job.run is not None else None
    saved = 0 if stops is None else int((stops.why == 0).sum())
    if best.saved is not None:
        saved = max(saved, round((best.region[1] - best.region[0]) > 0))
    lying.append(PlaceReading("checkpoint-stops", saves, best.saved.hits if best.saved else 0, saved))
    lying.sort(key=lambda p: -p.decibans)
    ties, why = find_ties(surface, best.beats, readings, best.found)
    decibans = _scaled({ask: _asked(ask, told, lying) for ask in asks})
    return MarksReport(
        marks, best.placed, count, tuple(readings), tuple(lying), ties, why,
        verdict(count, readings, lying, ties), tuple(warnings), decibans, surface.axis, best.region,
    )  # fmt: skip


def _of_clock(told: _Told, clock: Clock, low: float | None, high: float | None) -> float:
    beats = told.beats[clock][0] if told.beats else None
    return 0.0 if beats is None else clocks.DB * math.log(max(beats.factor(low, high), 1e-300))


def _asked(ask: Ask, told: Sequence[_Told], lying: Sequence[PlaceReading]) -> float:
    if ask.at is not None:
        return next((p.decibans for p in lying if p.place == ask.at), 0.0)
    assert ask.every is not None
    return _mean([_of_clock(t, ask.every, ask.low, ask.high) for t in told])


def _mean(decibans: Sequence[float]) -> float:
    """Return the decibans of the mean of Bayes factors: one of so many ways of holding the part is the true one."""
    if len(decibans) == 1:
        return decibans[0]
    values: Floats = np.array(decibans) / clocks.DB
    top = float(values.max())
    return clocks.DB * (top + math.log(float(np.exp(values - top).mean())))


def _scaled(decibans: Mapping[Ask, float]) -> dict[Ask, float]:
    most = max(decibans.values(), default=0.0)
    factor = min(1.0, CAP_DB / most) if most > 0 else 1.0
    return {ask: value * factor for ask, value in decibans.items()}


def _off(marks: Marks, placed: Placed) -> list[str]:
    """Return a sentence for each mark that lies off the part."""
    return [
        f"I can't place mark {int(marks.row[i])}: it lies {placed.off_mm[i]:.1f} mm off the surface. "
        "Is the height from the bed, and the angle from the right side?"
        for i in np.flatnonzero(placed.line == 0)
    ]
