"""Clocks that a part cannot tell apart: where one runs evenly with the other, both fold the same marks."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from diagnose.marks.clocks import Beats, Field
from diagnose.marks.model import Clock, ClockReading
from diagnose.marks.placing import Candidates
from diagnose.marks.surface import Surface

SPOKEN_DB = 1.0
"""Below it the best clock says too little for anything to tie with it."""
EVEN = 0.08
"""Periods by which one clock may stray from running evenly with another over the marked region."""
CLOSE_DB, NEAR_DB = 3.0, 12.0
"""Clocks so close are never told apart; those within the other only where they fold the marks alike."""


def find_ties(
    surface: Surface, beats: Mapping[Clock, tuple[Beats | None, Field]], readings: Sequence[ClockReading], found: Candidates
) -> tuple[tuple[tuple[Clock, ...], ...], tuple[str, ...]]:
    """Return the groups of clocks that are not told apart, the best one's first, and a sentence for each why."""
    best = readings[0]
    if best.decibans < SPOKEN_DB:
        return (), ()
    group, why = [best.clock], []
    for rival in readings[1:]:
        behind = best.decibans - rival.decibans
        if not np.isfinite(rival.period) or rival.decibans < SPOKEN_DB or behind > NEAR_DB:
            continue
        even = _runs_evenly(beats[best.clock][1], beats[rival.clock][1], best.period)
        if even or behind <= CLOSE_DB or _fold_alike(best, rival):
            group.append(rival.clock)
            why.append(_why(best.clock, rival.clock) if even else f"these marks fit {rival.clock} about as well as {best.clock}")
    if len(group) < 2:
        return (), ()
    sentence = "; ".join(dict.fromkeys(why))
    advice = (
        "; a part printed in bands of other speeds, widths and layer heights would tell them apart"
        if {"time", "path", "filament"} & set(group) else ""
    )  # fmt: skip
    return (tuple(group),), (sentence[0].upper() + sentence[1:] + advice + ".",)


def _runs_evenly(one: Field, other: Field, period: float) -> bool:
    """Return whether one clock is a straight line of the other over the surface, to a small part of a period."""
    x, y = other.sample, one.sample
    if np.ptp(x) == 0 or np.ptp(y) == 0:
        return False
    slope, base = np.polyfit(x, y, 1)
    stray: float = float(np.quantile(np.abs(y - (slope * x + base)), 0.95))
    return bool(stray <= EVEN * period)


def _fold_alike(one: ClockReading, other: ClockReading) -> bool:
    """Return whether the marks that keep the best beat keep the rival's too."""
    known = np.isfinite(one.folded) & np.isfinite(other.folded) & (np.abs(one.folded) < 2 * EVEN)
    if not known.any():
        return False
    return bool(np.mean(np.abs(other.folded[known]) < 2 * EVEN) >= 0.9)


def _why(one: Clock, other: Clock) -> str:
    pair = {one, other}
    if pair == {"time", "path"}:
        return "at a constant speed time and path grow together"
    if pair == {"path", "filament"}:
        return "with one even line, filament and path grow together"
    if pair == {"time", "filament"}:
        return "with one speed and one even line, time and filament grow together"
    if pair == {"height", "layer"}:
        return "layers of one thickness make height and layer the same"
    if pair & {"height", "layer"}:
        rest = (pair - {"height", "layer"}).pop() if len(pair - {"height", "layer"}) == 1 else other
        return f"turns of one size make {'height' if 'height' in pair else 'layer'} and {rest} grow together"
    return f"on this part {one} and {other} grow together"
