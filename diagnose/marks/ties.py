"""Which clocks this part cannot tell apart: decided from the marks on it, and from how the clocks run over the surface."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np

from diagnose.marks.clocks import MOMENTS, Sweep
from diagnose.marks.model import Clock, ClockReading
from diagnose.marks.placing import Pieces
from diagnose.marks.surface import Surface
from diagnose.marks.words import NAMES
from diagnose.toolpath.columns import Bools, Floats

LEAST_DB = 0.0
"""Below it the marks keep time with nothing: only what this part can tell apart at all is told then."""
CLOSE_DB = 6.0
"""Rivals so near are tied whatever the surface says: chance may bring either first."""
FAR_DB = 16.0
"""Clocks that run in proportion over the whole surface are tied as long as they are no farther behind."""
PEAK_DB = 6.0
"""Rivals whose best period, held alone against the best one, is so near and folds the same marks are tied."""
FOLDS = 0.8
"""Share of the best clock's marks that a tied rival keeps as well."""
ALIKE = 0.1
"""Turns of the best beat by which two clocks may part over the whole band and still be one."""
COUPON = "a clock coupon, a tube in bands that change speed, line width, layer height and facets one at a time, would tell: see `diagnose coupon clock`"


def find_ties(
    clocks: Sequence[ClockReading], sweeps: Mapping[Clock, Sweep | None], surface: Surface, pieces: Pieces
) -> tuple[tuple[tuple[Clock, ...], ...], tuple[str, ...]]:
    """Return groups of clocks that cannot be told apart, and a sentence a group; only with the best clock is a tie told."""
    if not clocks or np.isnan(clocks[0].period):
        return (), ()
    best = clocks[0]
    speaks = best.decibans >= LEAST_DB
    sweep_ = sweeps[best.clock]
    if sweep_ is None:
        return (), ()
    tied: list[Clock] = [best.clock]
    same: list[Clock] = []
    kept = np.abs(best.folded) < 0.2
    for rival in clocks[1:]:
        other = sweeps[rival.clock]
        if other is None or np.isnan(rival.period):
            continue
        alike = _alike(surface, best, rival.clock)
        if alike:
            same.append(rival.clock)
        # A ring or stripe may leave one mark a beat just as moments do: that marks never share one speaks for neither.
        loose = best.clock in MOMENTS and rival.clock not in MOMENTS
        own = sweep_.loose if loose else sweep_.factor
        behind = sweep_.decibans(loose=loose) - other.decibans()
        # Of its best period alone: how many periods were tried tells clocks apart in belief, not on this part.
        peaks = 10 * np.log10(own.max() / max(float(other.factor.max()), 1e-300))
        folds = peaks < PEAK_DB and _shares(kept, rival, other) >= FOLDS
        if (alike and behind < FAR_DB) or (speaks and (behind < CLOSE_DB or folds)):
            tied.append(rival.clock)
    if len(tied) < 2:
        return (), ()
    return (tuple(tied),), (_why(surface, best, tied, same),)


def _shares(kept: Bools, rival: ClockReading, sweep: Sweep) -> float:
    """Return the share of the best clock's marks that lie on the rival's best beat within two of their errors."""
    if not kept.any():
        return 0.0
    f = 1.0 / rival.period
    spread = np.full(len(kept), np.nan)
    for i, (a, b) in enumerate(zip(sweep.bounds[:-1], sweep.bounds[1:], strict=True)):
        if b > a:
            spread[i] = float(np.sqrt((sweep.weight[a:b] * sweep.spread[a:b] ** 2).sum() / sweep.weight[a:b].sum()))
    within = np.abs(rival.folded) <= 2.0 * np.sqrt(0.035**2 + (spread * f) ** 2)
    return float(np.count_nonzero(within & (kept > 0)) / np.count_nonzero(kept))


def _alike(surface: Surface, best: ClockReading, rival: Clock) -> bool:
    """Return whether a clock runs in proportion to the best one over the band, within a part of its beat."""
    one, other = (_middle(surface, clock) for clock in (best.clock, rival))
    if not (np.ptp(one) > 0 and np.ptp(other) > 0):
        return False
    slope = np.cov(other, one)[0, 1] / np.var(other)
    left = one - one.mean() - slope * (other - other.mean())
    return float(np.sqrt(np.mean(left**2))) < ALIKE * best.period


def _middle(surface: Surface, clock: Clock, most: int = 20_000) -> Floats:
    """Return what a clock shows at evenly spread moves of the band."""
    every = max(1, len(surface) // most)
    u0, u1 = replace(surface, ids=surface.ids[::every]).ends(clock)
    return np.asarray(0.5 * (u0 + u1))


def _why(surface: Surface, best: ClockReading, tied: Sequence[Clock], same: Sequence[Clock]) -> str:
    names = " and ".join(NAMES[clock] for clock in tied[:3]) + (" and more" if len(tied) > 3 else "")
    group = {best.clock, *(clock for clock in tied if clock in same)}
    if {"time", "path"} <= group and "filament" in group:
        reason = "at one speed and one line width, time, path and filament run alike"
    elif {"time", "path"} <= group:
        reason = "at one speed, time and path run alike"
    elif {"path", "filament"} <= group:
        reason = "at one line width, path and filament run alike"
    elif {"time", "filament"} <= group:
        reason = "at one flow, time and filament run alike"
    elif {"height", "layer"} <= group:
        reason = "with layers of one thickness, counting layers is measuring height"
    elif "height" in group and len(group) > 1:
        reason = "where every turn or layer is like the last, height grows in step with the rest"
    elif "angle" in tied and surface.spiral.mean() > 0.5:
        reason = "where every turn takes as much, a beat of whole turns comes back at the same angle"
    else:
        reason = "these marks fall on a beat of either within their errors"
    return f"{names[0].upper()}{names[1:]} cannot be told apart by these marks: {reason}; {COUPON}."

