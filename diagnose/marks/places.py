"""How well marks lie at one kind of place: an inhomogeneous density along the walls against an even one.

A place lays a density f along the outer wall: bell curves where the head stands (a blob lies within a millimetre or two of
that, and may lag), or an intensity move by move for what may strike anywhere on a stretch. The factor is that of clocks,

    r_i = (1 - h) + h f_i / fbar

with f_i averaged over the pieces of wall that the mark may lie on and fbar over the whole band: the likelihood ratio of an
inhomogeneous Poisson process against a homogeneous one, given the number of marks (Daley & Vere-Jones 2003, 7.1; from memory).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from diagnose.marks.clocks import HIT, HIT_WEIGHT, sweep
from diagnose.marks.model import Place
from diagnose.marks.placing import Pieces
from diagnose.marks.surface import CLOCKS, Surface
from diagnose.toolpath.columns import EventKind, Floats, Ints, Role
from diagnose.toolpath.machine import Machine
from diagnose.toolpath.queue import WHY
from diagnose.toolpath.run import Run

BLOB_MM = np.array([0.6, 1.6])
BLOB_WEIGHT = np.array([0.6, 0.4])
"""How far from the head's place along the wall a blob lies, standard deviations (common practice, no source)."""
FLOOR = 0.02
"""Share of such marks that lie elsewhere after all."""
SHARP = np.radians(40.0)
"""Bend that is a corner (common practice, no source)."""
LANDING_S = 2.5
"""s after a change of fan or temperature within which most of it shows (common practice, no source)."""
STALL_S = 0.15
"""s of a common stall, where the card states none (common practice, no source)."""
SHORT_S = 0.08
"""s; a reserve much longer than this is not short (common practice, no source)."""
INTERVALS = ((0.01, False), (0.2, True))
"""The interval of saves on the card is right, and so is planned time; or it is wrong by up to this share and time drifts
(amended design, 1.12)."""
BELIEF = (0.6, 0.3, 0.1)
"""In each of those, and in saves at times of their own (common practice, no source)."""
Chance = Callable[[Machine, Floats, Floats], Floats]
"""Of a stop right before the move that entered while one was carried out, from s that took and s the queue then held."""
KINDS: dict[str, tuple[EventKind, ...]] = {
    "pauses": (EventKind.PAUSE, EventKind.DWELL, EventKind.HEAT_WAIT, EventKind.WAIT_MOVES),
    "fan-changes": (EventKind.FAN,),
    "temperature-changes": (EventKind.NOZZLE_TEMP,),
}


@dataclass(frozen=True, slots=True)
class Spots:
    """Single places on the ruler along the walls of the band; (k,) each, ascending."""

    wall: Floats
    amount: Floats
    first: Floats
    last: Floats
    """Ends of the wall they lie on."""
    count: int
    save: tuple[Floats, Floats] | None = None
    """s between which a save begun would stop the head there, where saves do."""


@dataclass(frozen=True, slots=True)
class Stretch:
    """(m,) intensity a mm2 of each move of the band."""

    density: Floats
    count: int


def find_place(surface: Surface, place: Place) -> Spots | Stretch | None:
    """Return where a kind of place lies on the band; None where the job has none there, or no machine tells."""
    job = surface.job
    moves, shape, run, events = job.file.moves, job.file.shape, job.run, job.file.events
    n = len(moves)
    if place == "seams":
        loops = shape.loops
        first, last = loops.first[loops.outer], loops.last[loops.outer]
        begins, ends = _wall_at(surface, first, 0.0), _wall_at(surface, last, 1.0)
        return _spots(surface, np.concatenate((begins, ends)), count=int(np.isfinite(begins).sum()))
    if place == "corners":
        return _spots(surface, _corners(surface))
    if place == "overhangs":
        share = shape.overhang.share_by_layer
        if not len(share):
            return None
        density = share[np.maximum(surface.layer[surface.ids], 0)]
        return _stretch(density, int(np.count_nonzero(share > 0)))
    if place in ("retractions", "restarts"):
        at = np.flatnonzero(shape.role == (Role.RETRACT if place == "retractions" else Role.RESTART))
        return _spots(surface, _standing(surface, at, after=place == "restarts"))
    if place == "layer-changes":
        drawn = np.flatnonzero((moves.e > 0) & (shape.length > 0) & (shape.layer >= 0))
        new = drawn[1:][np.diff(shape.layer[drawn]) > 0]
        return _spots(surface, _standing(surface, new[~shape.spiral.mask[new]]))
    if place in KINDS:
        at = np.unique(events.before[np.isin(events.kind, [int(kind) for kind in KINDS[place]])])
        at = at[(at > 0) & (at < n)]
        return _spots(surface, _standing(surface, at)) if place == "pauses" else _landing(surface, at)
    if run is None:
        return None
    if place == "rate-stops":
        wanted = [WHY.index(why) for why in ("link-rate", "line-time", "round-trip")]
        return _spots(surface, _standing(surface, run.stops.move[np.isin(run.stops.why, wanted)]))
    if place == "checkpoint-stops":
        return _stopping(surface, run, run.anywhere.stops, _save) if len(run.anywhere.stops) else None
    spent = np.maximum(surface.depart[surface.ids] - surface.begin[surface.ids], 0.0)
    reserve = run.reserve_ms[surface.ids] / 1000
    if place == "short-reserve":
        chance = np.where(run.settled[surface.ids], np.exp(-((reserve / SHORT_S) ** 2) / 2), 0.0)
        return _stretch(spent * chance / surface.area, int(np.count_nonzero(chance > 0.1)))
    if place == "random-stops":
        if len(run.risk.per_move) and run.risk.expected_stops > 0:
            return _stopping(surface, run, run.risk.per_move, _stall)
        chance = np.where(run.settled[surface.ids], np.exp(-np.maximum(reserve - spent, 0.0) / STALL_S), 0.0)
        return _stretch(spent * chance / surface.area, int(np.count_nonzero(chance > 0.1)))
    return None


def weigh_place(surface: Surface, pieces: Pieces, place: Place) -> tuple[float, int, int]:
    """Return decibans against anywhere, how many marks more likely than not lie there, and how many places there are."""
    found = find_place(surface, place)
    if found is None or found.count == 0:
        return 0.0, 0, 0
    if place == "checkpoint-stops":
        assert isinstance(found, Spots)
        return _saves(surface, pieces, found)
    at, mean = _at_spots(surface, pieces, found) if isinstance(found, Spots) else _at_stretch(surface, pieces, found)
    if not mean > 0:
        return 0.0, 0, 0
    says = np.diff(pieces.bounds) > 0
    ratio = (_by_mark(pieces, at / mean) + FLOOR) / (1 + FLOOR)
    decibans, hits = factor(ratio[says])
    return decibans, hits, found.count


def _save(machine: Machine, lasted: Floats, low: Floats) -> Floats:
    """Return s in which a save begun would stop the head."""
    return np.clip(machine.checkpoint_takes - low, 0.0, lasted)


def _stall(machine: Machine, lasted: Floats, low: Floats) -> Floats:
    """Return how many stalls stop the head on average."""
    mean = max(machine.hiccup_takes, 1e-9)
    return np.asarray(machine.hiccups_per_min / 60 * mean * (np.exp(-low / mean) - np.exp(-(low + lasted) / mean)))


def factor(ratio: Floats) -> tuple[float, int]:
    """Return decibans and hits of marks whose likelihood ratios at a hit rate of one are these, hit rate integrated out."""
    product = HIT_WEIGHT * np.exp(np.log1p(HIT[:, None] * (ratio[None] - 1)).sum(axis=1))
    h = float((HIT * product).sum() / product.sum())
    hits = int(np.count_nonzero(h * ratio > (1 - h)))
    return float(10 * np.log10(product.sum())), hits


def _saves(surface: Surface, pieces: Pieces, found: Spots) -> tuple[float, int, int]:
    """Saves come at a steady beat and stop the head only where the reserve is short: a beat of time on single spots.

    The clock is that of the saves: one that stops the head here began while the queue still held what lay before.
    """
    run = surface.job.run
    at, mean = _at_spots(surface, pieces, found)
    if run is None or found.save is None or not mean > 0:
        return 0.0, 0, 0
    says = np.diff(pieces.bounds) > 0
    decibans, hits = factor(((_by_mark(pieces, at / mean) + FLOOR) / (1 + FLOOR))[says])
    saved, ground = _saved(pieces, found), (*found.save, found.amount)
    every = run.machine.checkpoint_every
    total = BELIEF[-1] * 10 ** (decibans / 10)
    for (off, drift), belief in zip(INTERVALS, BELIEF, strict=False):
        swept = sweep(
            "time", surface, saved, known=(every * (1 - off), every * (1 + off)), drift=drift, ground=ground,
            weight=at / mean,
        )  # fmt: skip
        total += belief * 10 ** ((decibans if swept is None else swept.decibans()) / 10)
    return float(10 * np.log10(total)), hits, found.count


def _saved(pieces: Pieces, found: Spots) -> Pieces:
    """Return the pieces with the time of the saves that would stop the head near each, in place of the head's."""
    assert found.save is not None
    where, sd = pieces.wall
    middle, wide = 0.5 * (found.save[0] + found.save[1]), (found.save[1] - found.save[0]) / np.sqrt(12.0)
    mean, spread, time = pieces.mean.copy(), pieces.spread.copy(), CLOCKS.index("time")
    for c in range(len(where)):
        reach = np.hypot(BLOB_MM, sd[c])
        a, b = np.searchsorted(found.wall, (where[c] - 5 * reach[-1], where[c] + 5 * reach[-1]))
        off = (where[c] - found.wall[a:b])[:, None] / reach
        near = found.amount[a:b] * (np.exp(-0.5 * off**2) @ (BLOB_WEIGHT / reach))
        if (total := near.sum()) > 0:
            mean[c, time] = (near * middle[a:b]).sum() / total
            far = (middle[a:b] - mean[c, time]) ** 2 + wide[a:b] ** 2
            spread[c, time] = np.sqrt((near * far).sum() / total)
    return replace(pieces, mean=mean, spread=spread)


def _by_mark(pieces: Pieces, at: Floats) -> Floats:
    n = len(pieces.bounds) - 1
    return np.asarray(np.bincount(pieces.mark, pieces.weight * at, minlength=n))


def _at_spots(surface: Surface, pieces: Pieces, spots: Spots) -> tuple[Floats, float]:
    """Return (c,) density a mm at each piece, and its mean over the band; spots of one wall only."""
    where, sd = pieces.wall
    value, total = np.zeros(len(where)), 0.0
    for blob, share in zip(BLOB_MM.tolist(), BLOB_WEIGHT.tolist(), strict=True):
        inside = _normal_cdf((spots.last - spots.wall) / blob) - _normal_cdf((spots.first - spots.wall) / blob)
        total += share * float((spots.amount * inside).sum())
        for c in range(len(where)):
            wide = float(np.hypot(blob, sd[c]))
            a, b = np.searchsorted(spots.wall, (where[c] - 5 * wide, where[c] + 5 * wide))
            off = (where[c] - spots.wall[a:b]) / wide
            value[c] += share * float((spots.amount[a:b] * np.exp(-0.5 * off**2)).sum()) / (wide * np.sqrt(2 * np.pi))
    return value, total / float(surface.length.sum())


def _at_stretch(surface: Surface, pieces: Pieces, stretch: Stretch) -> tuple[Floats, float]:
    """Return (c,) the density round each piece, averaged over boxes as wide as blob and error, and its mean over the band."""
    where, sd = pieces.wall
    ruler, length = surface.wall, surface.length
    edges = np.column_stack((ruler, ruler + length)).ravel()
    mass = np.concatenate(([0.0], np.cumsum(stretch.density * surface.area)))
    area = np.concatenate(([0.0], np.cumsum(surface.area)))
    masses, areas = (np.column_stack((total[:-1], total[1:])).ravel() for total in (mass, area))
    value = np.zeros(len(where))
    for blob, share in zip(BLOB_MM.tolist(), BLOB_WEIGHT.tolist(), strict=True):
        half = np.sqrt(3.0) * np.hypot(blob, sd)
        low, high = where - half, where + half
        inside = np.interp(high, edges, masses) - np.interp(low, edges, masses)
        covered = np.interp(high, edges, areas) - np.interp(low, edges, areas)
        value += share * inside / np.maximum(covered, 1e-9)
    return value, float(mass[-1] / area[-1])


def _spots(surface: Surface, wall: Floats, count: int | None = None) -> Spots | None:
    wall = np.sort(wall[np.isfinite(wall)])
    if not len(wall):
        return None
    begins = np.flatnonzero(~surface.joined)
    first = surface.wall[begins]
    ends = np.append(begins[1:], len(surface)) - 1
    last = surface.wall[ends] + surface.length[ends]
    run = np.clip(np.searchsorted(first, wall, side="right") - 1, 0, len(first) - 1)
    return Spots(wall, np.ones(len(wall)), first[run], last[run], len(wall) if count is None else count)


def _stretch(density: Floats, count: int) -> Stretch | None:
    return Stretch(density, count) if count and density.any() else None


def _stopping(surface: Surface, run: Run, before_move: NDArray[np.float32], full: Chance) -> Spots | None:
    """Return where stops right before moves (n,) leave the head on the band: at the start of a move of wall, or at its end.

    Where the run happened to save, the queue was refilling, and the chances are those of this one case: in their place
    stands what a full queue would have given. A move of filament alone stands where the next move starts.
    """
    ids, length, depart = surface.ids, surface.job.file.shape.length, surface.depart
    queue, n = run.machine.queue_moves, len(length)
    amount = before_move.astype(np.float64)
    lasted = np.maximum(depart - surface.begin, 0.0)
    total = np.concatenate(([0.0], np.cumsum(lasted)))
    at = np.unique(run.saves.move[:, None] + np.arange(1, 3 * queue))
    at = at[(at >= queue) & (at < n)]
    amount[at] = full(run.machine, lasted[at - queue], total[at] - total[at - queue + 1])
    summed = np.concatenate(([0.0], np.cumsum(amount)))
    # Before a wall begins, and after it has ended, stand the moves since the head last moved and until it next does.
    moving = np.flatnonzero(length > 0)
    begins = np.flatnonzero(~surface.joined)
    ends = np.append(begins[1:], len(ids)) - 1
    since = ids.copy()
    k = np.searchsorted(moving, ids[begins])
    since[begins] = np.where(k > 0, moving[k - 1] + 1, 0)
    next_ = moving[np.minimum(np.searchsorted(moving, ids[ends], side="right"), len(moving) - 1)]
    out = ~np.isin(next_, ids[begins])
    ends, next_ = ends[out], next_[out]
    move = np.concatenate((ids, next_))
    stops = summed[move + 1] - summed[np.concatenate((since, ids[ends] + 1))]
    wall = np.concatenate((surface.wall, surface.wall[ends] + surface.length[ends]))
    some = np.flatnonzero(stops > 1e-9)
    some = some[np.argsort(wall[some], kind="stable")]
    spots = _spots(surface, wall[some])
    # A save stops the head before a move while the one is carried out that leaves the queue as that enters it.
    until = depart[np.maximum(move[some] - queue, 0)]
    return spots and replace(spots, amount=stops[some], save=(until - np.minimum(stops[some], 1.0), until))


def _landing(surface: Surface, at: Ints) -> Stretch | None:
    """Return the stretches right after commands that show a moment later."""
    when = surface.begin[at]
    begun = 0.5 * (surface.begin[surface.ids] + surface.depart[surface.ids])
    last = np.searchsorted(when, begun, side="right") - 1
    late = np.where(last >= 0, begun - when[np.maximum(last, 0)], np.inf) if len(when) else np.full(len(begun), np.inf)
    spent = np.maximum(surface.depart[surface.ids] - surface.begin[surface.ids], 0.0)
    density = spent * np.exp(-np.minimum((late / LANDING_S) ** 2, 700.0)) / surface.area
    return _stretch(np.where(late < 4 * LANDING_S, density, 0.0), len(np.unique(last[late < 2 * LANDING_S])))


def _wall_at(surface: Surface, move: Ints, share: float) -> Floats:
    """Return mm along the walls where moves begin (share 0) or end (1); NaN of moves that are not in the band."""
    at = np.searchsorted(surface.ids, move)
    at = np.minimum(at, max(len(surface) - 1, 0))
    there = surface.ids[at] == move
    return np.asarray(np.where(there, surface.wall[at] + share * surface.length[at], np.nan))


def _standing(surface: Surface, at: Ints, after: bool = True) -> Floats:
    """Return mm along the walls where the head stands before moves: where a wall begins, or else where one has ended.

    With `after` false, an ended wall comes first. Moves of filament alone leave the head where it is.
    """
    length = surface.job.file.shape.length
    n = len(length)
    moving = np.flatnonzero(length > 0)
    k = np.searchsorted(moving, np.minimum(at, n - 1))
    ahead = moving[np.minimum(k, len(moving) - 1)]
    behind = moving[np.maximum(k - 1, 0)]
    begins, ends = _wall_at(surface, ahead, 0.0), _wall_at(surface, behind, 1.0)
    return np.where(np.isfinite(begins), begins, ends) if after else np.where(np.isfinite(ends), ends, begins)


def _corners(surface: Surface) -> Floats:
    (x0, x1), (y0, y1) = surface.ends("x"), surface.ends("y")
    heading = np.arctan2(y1 - y0, x1 - x0)
    bend = np.abs((np.diff(heading, prepend=0.0) + np.pi) % (2 * np.pi) - np.pi)
    return np.asarray(surface.wall[surface.joined & (bend > SHARP)])


def _normal_cdf(z: Floats) -> Floats:
    from scipy.special import ndtr

    return np.asarray(ndtr(z))
