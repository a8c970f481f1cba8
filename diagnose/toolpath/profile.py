"""A job slice by slice of its height: what is asked, what is left in the queue, where the head stands."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from diagnose.toolpath.columns import EventKind, Events, Floats, Ints
from diagnose.toolpath.jobfile import JobFile
from diagnose.toolpath.run import Run
from diagnose.toolpath.sums import reserves

SLICES = 24
"""Slices that the height is cut into; a part of fewer layers has as many slices as layers."""


@dataclass(frozen=True, slots=True, eq=False)
class Profile:
    """Slices of equal height from the bed up; (k,) entries, NaN where a slice has nothing to say."""

    bottom_mm: Floats
    top_mm: Floats
    reserve_ms: Floats
    """Least settled reserve; the mean of all drawing moves where none is settled, as in slow jobs whose queue is always
    refilling after one save when the next comes. NaN everywhere without a run."""
    demand_per_s: Floats
    """Drawing moves a second at the speed asked for, in the busiest layer of the slice."""
    speed_mm_s: Floats
    """Mean speed asked for on the outer wall, by length; on everything drawn where there is no outer wall."""
    nozzle_c: Floats
    """Temperature in force, mean over the layers."""
    fan: Floats
    """Fan in force, 0 to 1, mean over the layers."""
    stops: Ints
    """Times the head stands for want of moves; zeros without a run."""
    dips: Ints

    def __len__(self) -> int:
        return len(self.top_mm)


def profile(file: JobFile, ran: Run | None, slices: int = SLICES) -> Profile:
    """Cut the height of a job into slices; linear in the number of moves.

    Parameters
    ----------
    slices
        At most this many; no slice is thinner than the layers are on the average.
    """
    shape, moves = file.shape, file.moves
    top = float(shape.layer_z[-1]) if file.layers else 0.0
    count = max(1, min(slices, file.layers)) if top > 0 else 0
    edges = np.linspace(0.0, top, count + 1)
    if not count:
        none, nothing = np.zeros(0), np.zeros(0, np.int64)
        return Profile(none, none, none, none, none, none, none, nothing, nothing)
    layer = shape.layer
    first = np.concatenate([[0], np.flatnonzero(layer[1:] != layer[:-1]) + 1])
    first = first[: len(first) if len(layer) else 0]
    home = layer[first]
    sums = file.sums
    # The height of a layer is its top: it belongs to the slice it closes.
    slice_of = np.clip(np.searchsorted(edges, shape.layer_z - 1e-6, side="right") - 1, 0, count - 1)
    demand = np.divide(sums.drawn, sums.drawn_s, out=np.full(file.layers, np.nan), where=sums.drawn_s > 0)
    walls = sums.wall_mm > 0
    mean_wall = _ratio(slice_of[walls], sums.wall_feed[walls], sums.wall_mm[walls], count)
    mean_all = _ratio(slice_of, sums.path_feed, sums.path_mm, count)
    reserve = np.full(count, np.nan)
    if ran is not None:
        least, held = reserves(moves, shape, ran.settled, ran.reserve_ms)
        low = np.full(count, np.inf)
        np.minimum.at(low, slice_of, least)
        reserve = np.where(np.isfinite(low), low, _ratio(slice_of, held, sums.drawn, count))
    starts = first[home >= 0]
    there = slice_of[home[home >= 0]]
    return Profile(
        bottom_mm=edges[:-1],
        top_mm=edges[1:],
        reserve_ms=reserve,
        demand_per_s=_most(slice_of, demand, count),
        speed_mm_s=np.where(np.isnan(mean_wall), mean_all, mean_wall),
        nozzle_c=_in_force(file.events, EventKind.NOZZLE_TEMP, starts, there, count),
        fan=_in_force(file.events, EventKind.FAN, starts, there, count),
        stops=_heights(ran.stops.z if ran else None, edges),
        dips=_heights(ran.dips.z if ran else None, edges),
    )


def _ratio(slice_of: Ints, above: Floats, below: Floats, count: int) -> Floats:
    top, bottom = np.bincount(slice_of, above, count), np.bincount(slice_of, below, count)
    ratio: Floats = np.divide(top, bottom, out=np.full(count, np.nan), where=bottom > 0)
    return ratio


def _most(slice_of: Ints, values: Floats, count: int) -> Floats:
    known = np.isfinite(values)
    most = np.full(count, -np.inf)
    np.maximum.at(most, slice_of[known], values[known])
    return np.where(np.isfinite(most), most, np.nan)


def _in_force(events: Events, kind: EventKind, starts: Ints, slice_of: Ints, count: int) -> Floats:
    """Return (count,) the mean of a commanded value over the layers that start in each slice; NaN before it is said."""
    mine = np.flatnonzero((events.kind == kind) & np.isfinite(events.value))
    if not len(mine) or not len(starts):
        return np.full(count, np.nan)
    at = np.searchsorted(events.before[mine], starts, side="right") - 1
    said = at >= 0
    return _ratio(slice_of[said], events.value[mine][at[said]], np.ones(int(said.sum())), count)


def _heights(z: Floats | None, edges: Floats) -> Ints:
    if z is None or not len(z):
        return np.zeros(len(edges) - 1, np.int64)
    inside = np.clip(z, edges[0] + 1e-6, edges[-1])
    return np.bincount(np.searchsorted(edges, inside - 1e-6, side="right") - 1, minlength=len(edges) - 1)
