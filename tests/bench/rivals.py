"""Which clocks can be told apart on a part at all: from the true marks, with nothing of the inference.

A rival ties where some period of it folds all true, noise-free marks within two errors (or as many as the true beat, whose
jitter may be an outlier), and where that says about as much as the true beat does: how much is the chance that marks anywhere
on the surface of the same band would fold as well.
"""

from __future__ import annotations

import math
from typing import get_args

import numpy as np

from diagnose.marks.model import Clock
from diagnose.marks.simulate import Beat, Made, Person
from diagnose.marks.truth import Spots, Truth
from diagnose.toolpath.columns import Floats

WITHIN = 2.0
"""Errors within which all marks must fold."""
LESS_DB = 10.0
"""A rival ties as long as its fold says no less than the true one by so much: below it, chance may bring either first."""
DULLER = 2.0
"""Times the phase spread of the true beat up to which periods of rivals are looked for."""
LINE_MM = 0.2
"""Half a line: no place is kept more finely than that in x and y."""
PERIODS: dict[Clock, tuple[float, float]] = {
    "time": (2, 60), "path": (50, 5000), "filament": (8, 60), "height": (1, 8), "layer": (3, 25), "angle": (45, 360),
    "x": (8, 40), "y": (8, 40),
}  # fmt: skip
"""What a workshop meets (common practice, no source): saves and switching heaters, gears, screws, pulleys."""
MOMENTS = ("time", "path", "filament")
WIDER = 1.5
"""Times shorter or longer than those that rivals may be: no printer has a screw of a twentieth of a millimetre."""
SAMPLE = 4000
LOOK = 4000
"""Periods a batch that are tried at once."""


def rivals(made: Made, fault: Beat, person: Person) -> list[str]:
    """Return the clocks, the true one left out, that cannot be told from it by these marks."""
    truth, spots = made.truth, made.spots[made.true]
    heights = truth.position(spots)[:, 2]
    inside = (truth.ends[:, 2] >= heights.min() - 1e-6) & (truth.starts[:, 2] <= heights.max() + 1e-6)
    sample = truth.draw(SAMPLE, np.where(inside, truth.surface, 0.0), np.random.default_rng(0))
    error = errors(truth, spots, fault.clock, person)
    own = truth.shown(fault.clock, spots)
    phase = float(np.angle(np.exp(2j * np.pi * own / fault.period).mean())) / (2 * math.pi)
    beat = _fit(own, 1 / fault.period, phase, fault.clock == "angle")
    least = _says(truth.shown(fault.clock, sample), error, fault.jitter, *beat) - LESS_DB
    round_ = bool(truth.shape.spiral.mask[spots.move].all())  # a spiral has no layers
    spread = np.hypot(error / fault.period, fault.jitter)
    within = max(WITHIN, 1.05 * float((np.abs(_off(own, *beat)) / spread).max()))
    dullest = DULLER * float(np.median(spread))
    return [
        clock
        for clock in get_args(Clock)
        if clock != fault.clock
        and not (clock == "layer" and round_)
        and _ties(truth, spots, sample, clock, person, fault.jitter, within, dullest, least)
    ]


def errors(truth: Truth, spots: Spots, clock: Clock, person: Person) -> Floats:
    """Return (k,) one error of each mark in the unit of a clock: what the error of its angle makes along its wall.

    In flat layers the error of a height counts in height and layer; the turn of a spiral is pinned by the angle.
    """
    here = truth.position(spots)
    radius = np.hypot(here[:, 0] - truth.axis[0], here[:, 1] - truth.axis[1])
    reach = radius * math.radians(person.angle_err)
    change = np.abs(
        truth.shown(clock, truth.along(spots, reach)) - truth.shown(clock, truth.along(spots, -reach))
    )  # fmt: skip
    change /= 2
    flat = ~truth.shape.spiral.mask[spots.move]
    if clock == "angle":
        return np.full(len(spots), person.angle_err)
    if clock == "height":
        return np.where(flat, person.height_err, np.maximum(change, 1e-6))
    if clock == "layer":
        thick = truth.shape.layer_height[np.maximum(truth.layer(spots), 0)]
        return np.where(flat, person.height_err / thick, 0.3)  # a turn is counted whole: 1 / sqrt(12)
    return np.maximum(change, LINE_MM if clock in ("x", "y") else 1e-6)


def _ties(
    truth: Truth, spots: Spots, sample: Spots, clock: Clock, person: Person, jitter: float, within: float, dullest: float,
    least: float,
) -> bool:  # fmt: skip
    """Look through the periods of one rival, from half of what its marks span down to where its phase is too dull."""
    shown, error, circle = truth.shown(clock, spots), errors(truth, spots, clock, person), clock == "angle"
    everywhere = truth.shown(clock, sample)
    span, middle = float(np.ptp(shown)), float(np.median(error))
    longest = 360.0 if circle else min(span / 2, PERIODS[clock][1] * WIDER)
    shortest = middle / math.sqrt(max(dullest**2 - jitter**2, 1e-12))
    shortest = max(shortest, PERIODS[clock][0] / WIDER)
    if shortest >= longest:
        return False
    # Steps so fine that the farthest mark moves by half the tightest tolerance at most.
    step = WITHIN * max(jitter, middle / longest) / 2 / max(span, 1e-9)
    frequencies = np.arange(1 / longest, 1 / shortest + step, step)
    if circle:  # a beat of angle comes a whole number of times a turn
        frequencies = np.arange(1, math.floor(360.0 / shortest) + 1) / 360.0
    for begin in range(0, len(frequencies), LOOK):
        f = frequencies[begin : begin + LOOK, None]
        phase = np.angle(np.exp(2j * np.pi * f * shown).mean(axis=1, keepdims=True)) / (2 * np.pi)
        spread = np.hypot(error * f, jitter)
        # The best phase is not the mean one and the best period lies between two: half as much again and half a step.
        near = np.abs(_off(shown, f, phase)) <= 1.5 * within * spread + step * span / 2
        for k in np.flatnonzero(near.all(axis=1)).tolist():
            fitted = _fit(shown, float(f[k, 0]), float(phase[k, 0]), circle)
            folds = np.abs(_off(shown, *fitted)) <= within * np.hypot(error * fitted[0], jitter) + 1e-9
            moments = np.round(fitted[0] * shown - fitted[1])
            if clock in MOMENTS and len(np.unique(moments)) < len(moments):
                continue  # a moment leaves one mark at most
            if folds.all() and _says(everywhere, error, jitter, *fitted) >= least:
                return True
    return False


def _off(shown: Floats, f: float | Floats, phase: float | Floats) -> Floats:
    off = f * shown - phase
    near: Floats = off - np.round(off)
    return near


def _fit(shown: Floats, f: float, phase: float, circle: bool) -> tuple[float, float]:
    """Return frequency and phase fitted to the folded marks by least squares."""
    at = shown - shown.mean()
    for _ in range(2):
        off = _off(shown, f, phase)
        slope = 0.0 if circle else float((off * at).sum() / max((at**2).sum(), 1e-12))
        # off = level + slope at: the slope belongs to the frequency, the rest to the phase.
        f, phase = f - slope, phase + float(off.mean()) - slope * float(shown.mean())
    return f, phase


def _says(everywhere: Floats, error: Floats, jitter: float, f: float, phase: float) -> float:
    """Return in dB how unlikely it is that as many marks anywhere on the surface fold within the same errors."""
    off = np.sort(np.abs(_off(everywhere, f, phase)))
    within = np.searchsorted(off, WITHIN * np.hypot(error * f, jitter), side="right") / len(off)
    return float(-10 * np.log10(np.maximum(within, 1 / len(off))).sum())
