"""How well marks lie at one kind of place: an inhomogeneous density along the walls against an even one.

A place lays a density f along the outer wall: bell curves where the head stands (a blob lies within a millimetre or two of
that, and may lag), or an intensity move by move for what may strike anywhere on a stretch. The factor is that of clocks,

    r_i = (1 - h) + h f_i / fbar

with f_i averaged over the pieces of wall that the mark may lie on and fbar over the whole band: the likelihood ratio of an
inhomogeneous Poisson process against a homogeneous one, given the number of marks (Daley & Vere-Jones 2003, 7.1; from memory).
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from diagnose.marks.clocks import HIT, HIT_WEIGHT, MOST_BEATS, sweep
from diagnose.marks.model import Place
from diagnose.marks.placing import Pieces
from diagnose.marks.surface import CLOCKS, MOST_MOVES, Surface, draw
from diagnose.toolpath.chances import in_full_queue
from diagnose.toolpath.columns import EventKind, Floats, Int32s, Ints, Role, Singles
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
DRIFTING = 400
"""Beats over the marks from which on the drifts that are tried lie too far apart to meet the true one."""
LEAST = 1e-9
"""s of saves, or stops on average, of a place that counts."""
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
    move: Ints | Int32s | None = None
    """Before which the head stands, where that matters."""


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
        return _stopping(surface, run, run.anywhere.stops, saves=True) if len(run.anywhere.stops) else None
    spent = np.maximum(surface.depart[surface.ids] - surface.begin[surface.ids], 0.0)
    reserve = run.reserve_ms[surface.ids] / 1000
    if place == "short-reserve":
        chance = np.where(run.settled[surface.ids], np.exp(-((reserve / SHORT_S) ** 2) / 2), 0.0)
        return _stretch(spent * chance / surface.area, int(np.count_nonzero(chance > 0.1)))
    if place == "random-stops":
        if len(run.risk.per_move) and run.risk.expected_stops > 0:
            return _stopping(surface, run, run.risk.per_move, saves=False)
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
    if run is None or not mean > 0:
        return 0.0, 0, 0
    says = np.diff(pieces.bounds) > 0
    decibans, hits = factor(((_by_mark(pieces, at / mean) + FLOOR) / (1 + FLOOR))[says])
    saved, every = _saved(surface, run, pieces, found), run.machine.checkpoint_every
    beats = float(np.ptp(saved.of("time")[0])) / every
    if beats > MOST_BEATS:
        return decibans, hits, found.count
    drawn, share = draw(found.amount, MOST_MOVES)
    begun, until = _when(surface, run, found, drawn)
    total = BELIEF[-1] * 10 ** (decibans / 10)
    for (off, drift), belief in zip(INTERVALS, BELIEF, strict=False):
        swept = sweep(
            "time", surface, saved, known=(every * (1 - off), every * (1 + off)), ground=(begun, until, share),
            weight=at / mean, drift=drift and beats < DRIFTING,
        )  # fmt: skip
        total += belief * 10 ** ((decibans if swept is None else swept.decibans()) / 10)
    return float(10 * np.log10(total)), hits, found.count


def _when(surface: Surface, run: Run, found: Spots, k: Ints | slice) -> tuple[Floats, Floats]:
    """Return s between which saves that stop the head at spots k begin.

    It stops before a move if a save comes while the one is carried out that leaves the queue as that one enters it.
    """
    assert found.move is not None
    until = surface.depart[np.maximum(found.move[k] - run.machine.queue_moves, 0)]
    return until - np.minimum(found.amount[k], run.machine.checkpoint_takes), until


def _saved(surface: Surface, run: Run, pieces: Pieces, found: Spots) -> Pieces:
    """Return the pieces with the time of the saves that would stop the head near each, in place of the head's."""
    where, sd = pieces.wall
    mean, spread, time = pieces.mean.copy(), pieces.spread.copy(), CLOCKS.index("time")
    for c in range(len(where)):
        reach = np.hypot(BLOB_MM, sd[c])
        a, b = np.searchsorted(found.wall, (where[c] - 5 * reach[-1], where[c] + 5 * reach[-1]))
        begun, until = _when(surface, run, found, slice(a, b))
        off = (where[c] - found.wall[a:b])[:, None] / reach
        near = found.amount[a:b] * (np.exp(-0.5 * off**2) @ (BLOB_WEIGHT / reach))
        if (total := near.sum()) > 0:
            middle = 0.5 * (begun + until)
            mean[c, time] = (near * middle).sum() / total
            far = (middle - mean[c, time]) ** 2 + (until - begun) ** 2 / 12
            spread[c, time] = np.sqrt((near * far).sum() / total)
    return replace(pieces, mean=mean, spread=spread)


def _by_mark(pieces: Pieces, at: Floats) -> Floats:
    n = len(pieces.bounds) - 1
    return np.asarray(np.bincount(pieces.mark, pieces.weight * at, minlength=n))


def _at_spots(surface: Surface, pieces: Pieces, spots: Spots) -> tuple[Floats, float]:
    """Return (c,) density a mm at each piece, and its mean over the band; spots of one wall only."""
    where, sd = pieces.wall
    value, total = np.zeros(len(where)), 0.0
    near = np.flatnonzero(np.minimum(spots.wall - spots.first, spots.last - spots.wall) < 5 * BLOB_MM[-1])
    back, ahead = spots.wall[near] - spots.first[near], spots.last[near] - spots.wall[near]
    for blob, share in zip(BLOB_MM.tolist(), BLOB_WEIGHT.tolist(), strict=True):
        over = _normal_cdf(-ahead / blob) + _normal_cdf(-back / blob)
        total += share * float(spots.amount.sum() - (spots.amount[near] * over).sum())
        for c in range(len(where)):
            wide = float(np.hypot(blob, sd[c]))
            a, b = np.searchsorted(spots.wall, (where[c] - 5 * wide, where[c] + 5 * wide))
            off = (where[c] - spots.wall[a:b]) / wide
            value[c] += share * float((spots.amount[a:b] * np.exp(-0.5 * off**2)).sum()) / (wide * np.sqrt(2 * np.pi))
    return value, total / float(surface.length.sum())


def _at_stretch(surface: Surface, pieces: Pieces, stretch: Stretch) -> tuple[Floats, float]:
    """Return (c,) the density round each piece, averaged over boxes as wide as blob and error, and its mean over the band."""
    where, sd = pieces.wall
    mass = np.concatenate(([0.0], np.cumsum(stretch.density * surface.area)))
    area = np.concatenate(([0.0], np.cumsum(surface.area)))

    def until(at: Floats) -> tuple[Floats, Floats]:
        k = np.clip(np.searchsorted(surface.wall, at, side="right") - 1, 0, len(surface) - 1)
        share = np.clip((at - surface.wall[k]) / surface.length[k], 0.0, 1.0)
        return mass[k] + share * (mass[k + 1] - mass[k]), area[k] + share * (area[k + 1] - area[k])

    value = np.zeros(len(where))
    for blob, share in zip(BLOB_MM.tolist(), BLOB_WEIGHT.tolist(), strict=True):
        half = np.sqrt(3.0) * np.hypot(blob, sd)
        (mass0, area0), (mass1, area1) = until(where - half), until(where + half)
        value += share * (mass1 - mass0) / np.maximum(area1 - area0, 1e-9)
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


def _stopping(surface: Surface, run: Run, before_move: Singles, saves: bool) -> Spots | None:
    """Return where stops right before moves (n,) leave the head on the band.

    Where the run happened to save, the queue was refilling, and the chances are those of this one case: in their place
    stands what a full queue would have given.
    """
    queue, n, ids = run.machine.queue_moves, len(before_move), surface.ids
    chance = before_move.copy()
    saved = run.saves.move[slice(*np.searchsorted(run.saves.move, (ids[0] - 4 * queue, ids[-1] + 1)))]
    refilling = np.zeros(n + 3 * queue, np.bool_)
    for k in range(1, 3 * queue):
        refilling[saved + k] = True
    at = np.flatnonzero(refilling[queue:n]) + queue
    chance[at] = in_full_queue(run.machine, surface.busy, at)[saves]
    # All moves of filament alone before the next one of the head stop it at one place.
    behind, ahead = _beside(surface, np.array([ids[0], ids[-1] + 1]))
    first = min(behind[0] + 1, ids[0])
    at = np.flatnonzero(chance[first : ahead[1] + 1]) + first
    if not len(at):
        return None
    next_ = _beside(surface, at)[1]
    new = np.flatnonzero(np.diff(next_, prepend=-1))
    move, stops = next_[new], np.add.reduceat(chance[at], new, dtype=np.float64)
    wall = _standing(surface, move)
    there = np.isfinite(wall) & (stops > LEAST)
    found = _spots(surface, wall[there])
    return None if found is None else replace(found, amount=stops[there], move=move[there])


def _landing(surface: Surface, at: Ints) -> Stretch | None:
    """Return the stretches right after commands that show a moment later."""
    when = surface.begin[at]
    begun = 0.5 * (surface.begin[surface.ids] + surface.depart[surface.ids])
    last = np.searchsorted(when, begun, side="right") - 1
    late = np.where(last >= 0, begun - when[np.maximum(last, 0)], np.inf) if len(when) else np.full(len(begun), np.inf)
    spent = np.maximum(surface.depart[surface.ids] - surface.begin[surface.ids], 0.0)
    density = spent * np.exp(-np.minimum((late / LANDING_S) ** 2, 700.0)) / surface.area
    return _stretch(np.where(late < 4 * LANDING_S, density, 0.0), len(np.unique(last[late < 2 * LANDING_S])))


def _wall_at(surface: Surface, move: Ints | Int32s, share: float) -> Floats:
    """Return mm along the walls where moves begin (share 0) or end (1); NaN of moves that are not in the band."""
    at = surface.row[move]
    return np.asarray(np.where(at >= 0, surface.wall[at] + share * surface.length[at], np.nan))


def _standing(surface: Surface, at: Ints | Int32s, after: bool = True) -> Floats:
    """Return mm along the walls where the head stands before moves: where a wall begins, or else where one has ended.

    With `after` false, an ended wall comes first. Moves of filament alone leave the head where it is.
    """
    behind, ahead = _beside(surface, at)
    begins, ends = _wall_at(surface, ahead, 0.0), _wall_at(surface, behind, 1.0)
    return np.where(np.isfinite(begins), begins, ends) if after else np.where(np.isfinite(ends), ends, begins)


def _beside(surface: Surface, at: Ints | Int32s) -> tuple[Int32s, Int32s]:
    """Return the last move of the head before each of these moves, and the next one from it on."""
    behind, ahead = surface.beside
    return behind[at], ahead[at]


def _corners(surface: Surface) -> Floats:
    (x0, x1), (y0, y1) = surface.ends("x"), surface.ends("y")
    heading = np.arctan2(y1 - y0, x1 - x0)
    bend = np.abs((np.diff(heading, prepend=0.0) + np.pi) % (2 * np.pi) - np.pi)
    return np.asarray(surface.wall[surface.joined & (bend > SHARP)])


def _normal_cdf(z: Floats) -> Floats:
    from scipy.special import ndtr

    return np.asarray(ndtr(z))
