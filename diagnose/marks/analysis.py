"""One set of marks held against one job: clocks, places, ties, and what to say of them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from typing import get_args

import numpy as np

from diagnose.errors import BadInput
from diagnose.marks import _kernels as kernels
from diagnose.marks import places as places_
from diagnose.marks.clocks import REST, TOP, USUAL, Sweep, sweep
from diagnose.marks.model import (
    LEAST_MARKS,
    TRIED_DB,
    Ask,
    Clock,
    Marks,
    MarksReport,
    Place,
    Placed,
    PlaceReading,
)  # fmt: skip
from diagnose.marks.placing import Pieces, place_marks
from diagnose.marks.readings import read_sweep, silent
from diagnose.marks.surface import CLOCKS, Surface, find_surface
from diagnose.marks.ties import find_ties
from diagnose.marks.words import verdict
from diagnose.toolpath.columns import Bools
from diagnose.toolpath.job import Job
from diagnose.toolpath.progress import Cancel, Progress, ask, say

CAP = 40.0
"""dB that one set of marks may add to any cause (amended design, 1.10)."""
MOST_MARKS = 400
"""More say no more than these: every so-manieth is kept."""
TURNS = 24
"""Positions of angle 0 that are tried where it is not known."""
PREPARING = "preparing the analysis of marks, once on this machine"


@dataclass(frozen=True, slots=True, eq=False)
class _Weighed:
    """All clocks and places for marks that lie in one way."""

    surface: Surface
    pieces: Pieces
    placed: Placed
    sweeps: Mapping[Clock, Sweep | None]
    places: Mapping[Place, tuple[float, int, int]]


def analyse(
    job: Job, marks: Marks, asks: Sequence[Ask] = (), *, trains: Mapping[str, float] | None = None,
    part: int | None = None, progress: Progress | None = None, cancel: Cancel | None = None,
) -> MarksReport:  # fmt: skip
    """Return what marks say about a job: what they keep time with, where they lie, and what cannot be told.

    Parameters
    ----------
    asks
        What causes would leave; each gets its decibans, scaled together so that none exceeds CAP.
    trains
        Lengths of the drive train as a printer card names them, see `part_behind`.
    part
        Which object the marks are on where several are drawn one after the other, from 1; by default the one they fit best.

    Raises
    ------
    BadInput
        The job draws no outer wall, or has no such object.
    """
    say(progress, 0.0, "placing the marks" if kernels.evaluate.signatures else PREPARING)  # type: ignore[attr-defined]
    notes: list[str] = []
    if len(marks) > MOST_MARKS:
        notes.append(f"{len(marks)} marks are more than are needed: {MOST_MARKS} of them are used")
        marks = _thinned(marks)
    surface = _object(job, marks, part)
    if marks.zero_known or not np.isfinite(marks.angle).any():
        weighed = _weigh(surface, marks, asks, progress, cancel)
        report = _report(weighed, marks, asks, trains or {})
    else:
        report = _turned(surface, marks, asks, trains or {}, progress, cancel)
        notes.append("where angles count from is not known: all turns of the part were tried, and the best one is shown")
    say(progress, 1.0, "done")
    return replace(report, warnings=(*notes, *report.warnings))


def _weigh(
    surface: Surface, marks: Marks, asks: Sequence[Ask], progress: Progress | None, cancel: Cancel | None, top: int = TOP
) -> _Weighed:
    band, pieces, placed = place_marks(surface, marks)
    ask(cancel)
    if int((np.diff(pieces.bounds) > 0).sum()) < LEAST_MARKS:
        return _Weighed(band, pieces, placed, {}, {})
    # What is worked out once is worked out before threads want it.
    _ = band.length, band.area, band.wall, band.joined, band.layer, band.busy, band.row, band.beside
    thin = band.thinned()
    _ = thin.area, thin.layer
    angled = np.isfinite(marks.angle) | np.isfinite(marks.x)
    done = 0
    with ThreadPoolExecutor(2) as pool:
        jobs = {clock: pool.submit(_clock, clock, thin, pieces, angled, asks, top) for clock in CLOCKS}
        there = {place: pool.submit(places_.weigh_place, band, pieces, place) for place in get_args(Place)}
        for wait in [f.result for f in jobs.values()] + [f.result for f in there.values()]:
            wait()
            done += 1
            say(progress, 0.1 + 0.9 * done / (len(jobs) + len(there)), "clocks and places")
            ask(cancel)
    return _Weighed(
        band, pieces, placed, {clock: found.result() for clock, found in jobs.items()},
        {place: found.result() for place, found in there.items()},
    )  # fmt: skip


def _clock(clock: Clock, surface: Surface, pieces: Pieces, angled: Bools, asks: Sequence[Ask], top: int) -> Sweep | None:
    if clock == "layer" and surface.spiral.mean() > 0.5:
        return None  # a spiral has no layers
    mine = [ask for ask in asks if ask.every == clock]
    low, high = USUAL[clock]
    within = min([low, *(ask.low for ask in mine if ask.low)]), max([high, *(ask.high for ask in mine if ask.high)])
    measured = angled if clock in ("angle", "x", "y") else None
    return sweep(clock, surface, pieces, within=within, measured=measured, top=top)


def _report(weighed: _Weighed, marks: Marks, asks: Sequence[Ask], trains: Mapping[str, float]) -> MarksReport:
    surface, pieces, placed = weighed.surface, weighed.pieces, weighed.placed
    count = int((np.diff(pieces.bounds) > 0).sum())
    warnings = _warnings(marks, placed)
    if count < LEAST_MARKS:
        return MarksReport(
            marks, placed, count, (), (), (), (), verdict(count, len(marks), (), (), ()), warnings,
            dict.fromkeys(asks, 0.0), surface.axis, (surface.low, surface.high),
        )  # fmt: skip
    told = [
        read_sweep(found, surface, trains) if found is not None else silent(clock, len(marks))
        for clock, found in weighed.sweeps.items()
    ]
    clocks = sorted(told, key=lambda c: (np.isnan(c.period), -c.decibans))
    places = [PlaceReading(place, *found) for place, found in weighed.places.items()]
    places.sort(key=lambda p: (p.count == 0, -p.decibans))
    ties, why = find_ties(clocks, weighed.sweeps, surface, pieces)
    return MarksReport(
        marks, placed, count, tuple(clocks), tuple(places), ties, why,
        verdict(count, len(marks), clocks, places, ties), warnings, _capped({a: _asked(a, weighed) for a in asks}),
        surface.axis, (surface.low, surface.high),
    )  # fmt: skip


def _asked(one: Ask, weighed: _Weighed) -> float:
    if (one.every is None) == (one.at is None):
        raise BadInput("an ask names neither a clock nor a place, or both", "set exactly one of `every` and `at`")
    if one.at is not None:
        return weighed.places[one.at][0]
    found = weighed.sweeps[one.every] if one.every is not None else None
    return 0.0 if found is None else found.decibans(one.low, one.high)


def _capped(found: Mapping[Ask, float]) -> dict[Ask, float]:
    most = max(found.values(), default=0.0)
    scale = min(1.0, CAP / most) if most > 0 else 1.0
    return {one: scale * value for one, value in found.items()}


def _turned(
    surface: Surface, marks: Marks, asks: Sequence[Ask], trains: Mapping[str, float], progress: Progress | None,
    cancel: Cancel | None,
) -> MarksReport:  # fmt: skip
    """Integrate over where angle 0 may be (amended design, 3.24): likelihoods of both sides are summed over all turns.

    Between two positions tried lie 15 degrees, so the error of angles is widened by what that leaves open.
    """
    wide = np.hypot(marks.angle_err, 360.0 / TURNS / np.sqrt(12.0))
    found: list[tuple[float, MarksReport]] = []
    for k in range(TURNS):
        turned = replace(marks, angle=(marks.angle + 360.0 * k / TURNS) % 360.0, angle_err=wide)
        weighed = _weigh(surface, turned, asks, None, cancel, top=REST // 2)
        likely = _anywhere(surface, turned, weighed.placed)
        found.append((likely, _report(weighed, turned, asks, trains)))
        say(progress, (k + 1) / TURNS, "turning the part")
    likely_ = np.array([v for v, _ in found])
    share = np.exp(likely_ - likely_.max())
    share /= share.sum()

    def mean(values: Sequence[float]) -> float:
        return float(10 * np.log10(max(float((share * 10 ** (np.array(values) / 10)).sum()), 1e-30)))

    def leader(report: MarksReport) -> float:
        return max((c.decibans for c in report.clocks), default=0.0)

    best = max(range(TURNS), key=lambda k: leader(found[k][1]) + 10 * np.log10(max(share[k], 1e-30)))
    report = found[best][1]
    if not report.clocks:
        return report
    clocks = [
        replace(c, decibans=mean([next(o.decibans for o in r.clocks if o.clock == c.clock) if r.clocks else -TRIED_DB for _, r in found]))
        for c in report.clocks
    ]
    places = [
        replace(p, decibans=mean([next(o.decibans for o in r.places if o.place == p.place) if r.places else 0.0 for _, r in found]))
        for p in report.places
    ]
    clocks.sort(key=lambda c: (np.isnan(c.period), -c.decibans))
    places.sort(key=lambda p: (p.count == 0, -p.decibans))
    asked = {one: mean([r.decibans.get(one, 0.0) for _, r in found]) for one in asks}
    return replace(
        report, clocks=tuple(clocks), places=tuple(places), decibans=_capped(asked),
        verdict=verdict(report.count, len(marks), clocks, places, report.ties),
    )  # fmt: skip


def _anywhere(surface: Surface, marks: Marks, placed: Placed) -> float:
    """Return the log likelihood of the marks under *anywhere*, up to a constant: how well they lie on the part at all."""
    return -float(np.count_nonzero(placed.line == 0)) * 3.0


def _object(job: Job, marks: Marks, part: int | None) -> Surface:
    """Return the object the marks are on: the one that most of them lie on, the whole job where it is one.

    Who measures heights and angles holds the part from outside; x and y may be given of a mark in a hole.
    """
    count, outside = job.file.shape.objects, not np.isfinite(marks.x).all()
    if part is not None or count <= 1 or not np.isfinite(marks.x).any():
        return find_surface(job, part, outside=outside)
    best, chosen = -1, find_surface(job, outside=outside)
    for k in range(1, min(count, 64) + 1):
        try:
            surface = find_surface(job, k, outside=outside)
        except BadInput:
            continue
        near = int((place_marks(surface, marks)[2].line > 0).sum())
        if near > best:
            best, chosen = near, surface
    return chosen


def _thinned(marks: Marks) -> Marks:
    at = np.unique(np.linspace(0, len(marks) - 1, MOST_MARKS).astype(int))
    names = ("height", "angle", "x", "y", "height_err", "angle_err", "place_err", "size", "row")
    return replace(marks, **{name: getattr(marks, name)[at] for name in names})


def _warnings(marks: Marks, placed: Placed) -> tuple[str, ...]:
    off = np.flatnonzero(placed.line == 0)
    found = [
        f"mark {marks.row[i]} cannot be placed: it lies {placed.off_mm[i]:.1f} mm off the surface. Is the height from the bed?"
        if abs(marks.height[i]) < 1e5 and np.isfinite(placed.off_mm[i])
        else f"mark {marks.row[i]} cannot be placed"
        for i in off[:10].tolist()
    ]
    if len(off) > 10:
        found.append(f"{len(off) - 10} more marks lie off the surface")
    if len(off) > len(marks) / 2 and len(marks) >= LEAST_MARKS:
        found.append("most marks lie off the part: is this the job of this part, and are heights from the bed?")
    return tuple(found)
