"""Do marks lie at places that the job or the printer predict? Each kind of place as a density over the printed surface."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass

import numpy as np

from diagnose.marks.clocks import DB, HIT_WEIGHTS, HITS
from diagnose.marks.model import Place
from diagnose.marks.placing import Candidates
from diagnose.marks.surface import Points, Surface
from diagnose.toolpath.columns import EventKind, Floats, Ints, Role
from diagnose.toolpath.queue import WHY

Density = Callable[[Points], Floats]
"""How likely a kind of place leaves a mark, place by place of the surface, in any unit."""

LANDING_MM = 0.8
"""Standard deviation of a blob round the place where the head stood (common practice, no source)."""
OWN_LAYER = 0.3
"""Standard deviation in layers: a blob lies in the layer in which the head stood."""
CORNER = math.radians(35.0)
"""A wall that bends more has a corner there (common practice, no source)."""
TYPICAL_STALL_S = 0.15
"""Mean length of a random stall where the printer card states none (common practice, no source)."""
LAG_S = 2.5
"""s within which a change of fan or temperature fades in its sight (common practice, no source)."""
SMOOTH_MM = 3.0
"""Way over which the risk of stops is taken together: a stop is predicted no more finely."""
WAITS = (EventKind.DWELL, EventKind.PAUSE, EventKind.WAIT_MOVES, EventKind.HEAT_WAIT, EventKind.TOOL)
BY_RATE = ("link-rate", "line-time", "round-trip")


@dataclass(frozen=True, slots=True)
class Kind:
    """A kind of place on one job: how many there are, and how likely marks of it lie where."""

    count: int
    density: Density


def kinds(surface: Surface) -> Mapping[Place, Callable[[], Kind | None]]:
    """Return, for each kind of place, what works it out on a surface; None where the job lacks what it takes."""
    return {
        "seams": lambda: _near(surface, surface.job.file.shape.seams.move),
        "rate-stops": lambda: _stops(surface, BY_RATE),
        "random-stops": lambda: _risk(surface),
        "short-reserve": lambda: _short(surface),
        "pauses": lambda: _events(surface, WAITS),
        "retractions": lambda: _near(surface, _runs(surface, Role.RETRACT)),
        "restarts": lambda: _near(surface, _runs(surface, Role.RESTART), after=True),
        "corners": lambda: _corners(surface),
        "layer-changes": lambda: _layer_changes(surface),
        "fan-changes": lambda: _after(surface, EventKind.FAN),
        "temperature-changes": lambda: _after(surface, EventKind.NOZZLE_TEMP),
        "overhangs": lambda: _overhangs(surface),
    }


def factor(found: Candidates, density: Density, sample: Points, *, floor: float = 0.0) -> tuple[float, int]:
    """Return the Bayes factor of marks at a kind of place against *anywhere*, in decibans, and how many rather lie there.

    The likelihood of each mark is (1 - h) + h f / mean f, the mean over the surface of the region, h integrated out.
    """
    on = found.on
    mean = float(density(sample).mean())
    if not mean > floor or not len(on):
        return 0.0, 0
    at = found.weight * density(found.at)
    g = np.array([at[found.first[i] : found.first[i + 1]].sum() for i in on]) / mean
    each = (1 - HITS)[:, None] + HITS[:, None] * g[None, :]
    logs = np.log(np.maximum(each, 1e-300)).sum(axis=1)
    top = logs.max()
    likely = HIT_WEIGHTS * np.exp(logs - top)
    h = float((HITS * likely).sum() / likely.sum())
    return DB * (top + math.log(likely.sum())), int(np.count_nonzero(h * g > 1 - h))


def _near(surface: Surface, move: Ints, *, after: bool = False) -> Kind | None:
    """Return the places where the head stands at the start of these moves (`after`: at their end), and walls near them."""
    if not len(move):
        return None
    moves = surface.job.file.moves
    at = move if after else move - 1
    first = np.nan_to_num(moves.start)
    where = np.column_stack(
        [np.where(at >= 0, axis[np.maximum(at, 0)], first[k]) for k, axis in enumerate((moves.x, moves.y, moves.z))]
    )
    return _points(surface, where)


def _points(surface: Surface, where: Floats) -> Kind | None:
    """Return places (p, 3) in mm; those far from every wall are no places of the surface."""
    from scipy.spatial import cKDTree

    heights = surface.job.file.shape.layer_height
    thick = float(np.median(heights)) if len(heights) else 0.2
    scale = np.array([LANDING_MM, LANDING_MM, max(OWN_LAYER * thick, 0.02)])
    tree = cKDTree(where / scale)

    def density(at: Points) -> Floats:
        gap, _ = tree.query(surface.position(at) / scale, distance_upper_bound=6.0)
        near: Floats = np.exp(-0.5 * np.minimum(gap, 40.0) ** 2)
        return near

    return Kind(len(where), density)


def _runs(surface: Surface, role: Role) -> Ints:
    """Return the first move of each run of moves of a role (the last of restarts: there the flow begins again)."""
    mine = surface.job.file.shape.role == role
    if role == Role.RESTART:
        return np.flatnonzero(mine & ~np.append(mine[1:], False))
    return np.flatnonzero(mine & ~np.concatenate([[False], mine[:-1]]))


def _stops(surface: Surface, why: tuple[str, ...]) -> Kind | None:
    run = surface.job.run
    if run is None or not len(run.stops):
        return None
    chosen = np.isin(run.stops.why, [WHY.index(name) for name in why])
    return _near(surface, run.stops.move[chosen])


def _events(surface: Surface, wanted: tuple[EventKind, ...]) -> Kind | None:
    events = surface.job.file.events
    before = events.before[np.isin(events.kind, wanted)]
    return _near(surface, np.unique(before[before > 0]))


def _corners(surface: Surface) -> Kind | None:
    way = surface.end[:, :2] - surface.start[:, :2]
    follows = np.diff(surface.move) == 1
    one, other = way[:-1], way[1:]
    bend = np.abs(np.arctan2(one[:, 0] * other[:, 1] - one[:, 1] * other[:, 0], (one * other).sum(axis=1)))
    sharp = follows & (bend > CORNER)
    return _points(surface, surface.start[1:][sharp]) if sharp.any() else None


def _layer_changes(surface: Surface) -> Kind | None:
    """Return where the head is when a flat layer begins; a spiral has no such places."""
    shape = surface.job.file.shape
    drawn = np.flatnonzero((shape.layer >= 0) & (surface.job.file.moves.e > 0) & (shape.length > 0) & ~shape.spiral.mask)
    if not len(drawn):
        return None
    new = np.concatenate([[True], np.diff(shape.layer[drawn]) != 0])
    return _near(surface, drawn[new])


def _after(surface: Surface, kind: EventKind) -> Kind | None:
    """Return the stretches just after a commanded change, which fade with time."""
    events = surface.job.file.events
    mine = (events.kind == kind) & (events.before > 0) & np.isfinite(events.value)
    mine &= np.concatenate([[True], np.diff(np.where(mine, events.value, np.nan)) != 0]) if len(mine) else mine
    before = np.unique(events.before[mine])
    before = before[before < len(surface.job.file.moves)]
    if not len(before):
        return None
    job = surface.job
    done = job.run.depart_s if job.run is not None else np.cumsum(job.file.nominal_s)
    at_s = done[before - 1]

    def density(at: Points) -> Floats:
        shown = surface.shown("time", at)
        last = np.searchsorted(at_s, shown, side="right") - 1
        since = np.where(last >= 0, shown - at_s[np.maximum(last, 0)], np.inf)
        fades: Floats = np.exp(-np.minimum(since / LAG_S, 50.0))
        return fades

    return Kind(len(before), density)


def _risk(surface: Surface) -> Kind | None:
    """Return where random stalls stop the head: the mean number of such stops by mm of way, from the run's own risk."""
    run = surface.job.run
    if run is None:
        return None
    if len(run.risk.per_move) and run.risk.expected_stops > 0:
        return _along(surface, run.risk.per_move.astype(np.float64))
    return _along(surface, run.seconds * np.exp(-np.maximum(run.reserve_ms, 0.0) / 1e3 / TYPICAL_STALL_S) * run.settled)


def _short(surface: Surface) -> Kind | None:
    """Return the stretches on which the queue holds little: evenly wherever a usual stall would empty it."""
    run = surface.job.run
    if run is None:
        return None
    stall = run.risk.stall_ms if run.risk.stall_ms > 0 else 1e3 * TYPICAL_STALL_S
    bare = run.settled & (run.reserve_ms < stall)
    if not bare[surface.move].any():
        return None
    short = bare.astype(np.float64)

    def density(at: Points) -> Floats:
        here: Floats = short[surface.move[at.piece]]
        return here

    return Kind(int(np.count_nonzero(np.diff(bare[surface.move].astype(np.int8), prepend=0) == 1)), density)


def _along(surface: Surface, amount: Floats) -> Kind | None:
    """Return a density by mm of way, of an amount told move by move, smoothed along the way."""
    if not amount[surface.move].any():
        return None
    _, way = surface.running("path")
    total = np.cumsum(amount)

    def density(at: Points) -> Floats:
        here = surface.shown("path", at)
        low, high = (np.interp(here + side, way, total) for side in (-SMOOTH_MM, SMOOTH_MM))
        return high - low

    return Kind(int(np.count_nonzero(amount[surface.move])), density)


def _overhangs(surface: Surface) -> Kind | None:
    """Return the layers whose outer wall hangs, each by its share."""
    share = surface.job.file.shape.overhang.share_by_layer
    hanging = share[surface.layer] > 0
    if not hanging.any():
        return None

    def density(at: Points) -> Floats:
        here: Floats = share[surface.layer[at.piece]]
        return here

    return Kind(len(np.unique(surface.layer[hanging])), density)


def susceptible(surface: Surface) -> Density | None:
    """Return how likely a save begun just then stops the head, place by place; None where the board saves nothing."""
    run = surface.job.run
    if run is None or not len(run.anywhere.stops):
        return None
    _, way = surface.running("path")
    stops, tried = (np.cumsum(column, dtype=np.float64) for column in (run.anywhere.stops, run.anywhere.tried))

    def density(at: Points) -> Floats:
        here = surface.shown("path", at)
        some = [np.interp(here + side, way, column) for column in (stops, tried) for side in (-SMOOTH_MM, SMOOTH_MM)]
        share: Floats = np.clip((some[1] - some[0]) / np.maximum(some[3] - some[2], 1e-9), 0.0, 1.0)
        return share

    return density
