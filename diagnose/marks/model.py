"""What the analysis of marks takes and gives: plain values, no computation."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

from diagnose.toolpath.columns import Floats, Int32s, Ints

Clock = Literal["time", "path", "filament", "height", "layer", "angle", "x", "y"]
"""What marks may keep time with."""

Place = Literal[
    "seams", "checkpoint-stops", "random-stops", "rate-stops", "pauses", "retractions", "restarts", "corners",
    "layer-changes", "short-reserve", "fan-changes", "temperature-changes", "overhangs",
]  # fmt: skip
"""Where marks may lie."""

UNIT: Mapping[Clock, str] = {
    "time": "s", "path": "mm", "filament": "mm", "height": "mm", "layer": "layers", "angle": "deg", "x": "mm", "y": "mm",
}  # fmt: skip
"""Unit of each clock's period."""

TRIED_DB = 10 * math.log10(len(UNIT))
"""Taken off every clock: of so many the best is looked at, and each is believed one in so many, else chance would speak up as often."""

LEAST_MARKS = 4
"""Fewer marks than this say nothing that could not be chance."""


@dataclass(slots=True)
class Marks:
    """Marks as they were measured; (n,) each, in the order given. Angles counter-clockwise seen from above, from +x."""

    height: Floats
    """mm above the bed."""
    angle: Floats
    """deg round the part's axis; NaN where it was not measured."""
    x: Floats
    y: Floats
    """mm on the bed; NaN where the mark was given by its angle or by height alone."""
    height_err: Floats
    """mm, one standard deviation."""
    angle_err: Floats
    """deg, one standard deviation (of marks given by x and y: ``place_err`` counts instead)."""
    place_err: Floats
    """mm, one standard deviation of x and of y; NaN where they were not measured."""
    size: Floats
    """Larger is worse, in any unit; NaN where not judged."""
    row: Int32s
    """Line of the file, or number in order, from 1: what a message calls the mark."""
    zero_known: bool = True
    """False where nobody knows from which side of the part the angles count: all are tried."""

    def __len__(self) -> int:
        return len(self.height)


@dataclass(frozen=True, slots=True)
class Ask:
    """One thing to hold against *anywhere on the printed surface*: exactly one of ``every`` and ``at`` is set."""

    every: Clock | None = None
    at: Place | None = None
    low: float | None = None
    """Shortest and longest period that is believed, in the clock's unit; None: what the region allows."""
    high: float | None = None


@dataclass(frozen=True, slots=True)
class ClockReading:
    """How well marks keep time with one clock."""

    clock: Clock
    decibans: float
    """10 log10 of the Bayes factor against *anywhere*, less what having tried so many clocks makes of chance; before any cap."""
    period: float
    """The best one, in ``unit``; NaN where the region holds no two periods."""
    unit: str
    low: float
    high: float
    """The period lies between with a chance of 0.9, given this clock."""
    phase: float
    """Of the best beat, as a share of the period, from the clock's zero."""
    hits: int
    """Marks that more likely than not keep the best beat."""
    folded: Floats
    """(n,) where each mark falls on the best beat, -0.5 to 0.5, 0 on the beat; NaN of marks that were not placed."""
    harmonics: tuple[str, ...] = ()
    """Sentences: `half of the period of 10.0 s fits as well`."""
    aliases: tuple[tuple[float, float], ...] = ()
    """Other periods that fit nearly as well, with their share of the belief given this clock."""
    part: str = ""
    """What of the printer turns or switches with this period, from the card's drive train; empty where nothing does."""


@dataclass(frozen=True, slots=True)
class PlaceReading:
    """How well marks lie at one kind of place."""

    place: Place
    decibans: float
    hits: int
    """Marks that more likely than not lie there."""
    count: int
    """Such places on the marked region; 0: this job has none there, which says nothing (0 dB)."""


@dataclass(frozen=True, slots=True)
class Placed:
    """Where marks lie on the printed surface; (n,) each."""

    height: Floats
    angle: Floats
    x: Floats
    y: Floats
    """The likeliest place on the surface; NaN of marks that lie off it."""
    line: Ints
    """Line of the job that printed it; 0 of marks that lie off the part."""
    off_mm: Floats
    """mm from the mark to the nearest printed surface."""
    turns: Ints
    """How many layers (or turns) the mark may belong to."""


@dataclass(frozen=True, slots=True)
class MarksReport:
    """Everything that one set of marks says about one job."""

    marks: Marks
    placed: Placed
    count: int
    """Marks that lie on the part."""
    clocks: tuple[ClockReading, ...]
    places: tuple[PlaceReading, ...]
    """Both best first."""
    ties: tuple[tuple[Clock, ...], ...]
    """Clocks that this part cannot tell apart as far as these marks go."""
    why_tied: tuple[str, ...]
    """A sentence a tie."""
    verdict: str
    """One or two sentences for the person with the part in hand."""
    warnings: tuple[str, ...] = ()
    decibans: Mapping[Ask, float] = field(default_factory=dict)
    """What each thing asked comes to, scaled together so that none exceeds the cap (amended: 40 dB by one set of marks)."""
    axis: tuple[float, float] = (0.0, 0.0)
    """mm, the part's axis on the bed, round which angles count."""
    region: tuple[float, float] = (0.0, 0.0)
    """mm, lowest and highest height of the marked region."""
