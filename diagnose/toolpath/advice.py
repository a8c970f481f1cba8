"""With what this job would not starve: found by running the job again and again, never by a rule of thumb.

A job is clean when the head neither stands nor dips for want of moves. Each quantity is
changed alone, all else as on the card and in the job, and the edge between clean and not clean is found by bisection. Between
the edge and the clean end of its range a job is taken to stay clean, which holds but for the accident of where saves fall:
a job with few saves is therefore run with several times of the first one.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from diagnose.errors import Cancelled
from diagnose.toolpath import speeds
from diagnose.toolpath._kernels import advice as _kernels
from diagnose.toolpath.columns import Events, Floats, Ints, JobLimits, Moves
from diagnose.toolpath.machine import Machine
from diagnose.toolpath.queue import Cancel, Progress, simulate, starves

MOST_QUEUE = 4096
SLOWEST_FACTOR, FASTEST_FACTOR = 0.05, 4.0
LONGEST_BUFFER = 60.0  # s
SLOWEST_LINK, FASTEST_LINK = 100.0, 1e7  # bytes/s
FINEST_JOIN, COARSEST_JOIN = 0.001, 0.2  # mm
ENOUGH_SAVES = 64
MOST_RUNS = 8


@dataclass(frozen=True, slots=True)
class Edge:
    """One quantity, and where the job begins to starve when it alone is changed."""

    now: float
    """What card or job have."""
    clean: float | None
    """The last value with which the job is clean; None when no value in the range searched cures it."""
    unit: str
    open_ended: bool = False
    """True when the whole range searched is clean, so that `clean` is only its far end."""


@dataclass(frozen=True, slots=True)
class Advice:
    """What would keep this job from starving on this machine, each quantity by itself."""

    clean: bool
    """Whether the job is clean as it is, wherever the saves fall."""
    queue: Edge
    """Fewest moves in the queue, at no loss of speed."""
    speed: Edge
    """Highest factor on every speed the job asks for."""
    save: Edge | None
    """Longest save of a checkpoint, ms; None when none are saved."""
    link: Edge
    """Slowest card or cable, bytes/s, saves left out."""
    facets: Edge
    """Smallest deviation, mm, within which neighbouring moves must be joined; 0 when they need not be."""
    facet_mm: float | None
    """mm, median length of the extruding moves joined so; None when no joining cures it."""
    saves: int
    """Checkpoints written while the job runs."""
    worn: float | None = None
    """Share of the writes that one place of the memory is rated for, were all saves to hit the same; None without saves."""
    buffer: Edge | None = None
    """Shortest time, s, that a planning host must be ahead; None where the board plans."""


def advise(
    moves: Moves,
    machine: Machine,
    events: Events | None = None,
    progress: Progress | None = None,
    cancel: Cancel | None = None,
    *,
    job: JobLimits | None = None,
) -> Advice:
    """Find every edge of a job on a machine; some fifty runs of the engine.

    Raises
    ------
    BadInput
        When a number of the machine makes no sense.
    Cancelled
        When `cancel` answers True.
    """
    trial = _Trial(moves, machine, events, job, progress, cancel)
    clean = trial.clean()
    facets, facet_mm = _facets(trial, clean)
    return Advice(
        clean=clean,
        queue=_queue(trial, clean),
        speed=_speed(trial, clean),
        save=_save(trial, clean),
        link=_link(trial),
        facets=facets,
        facet_mm=facet_mm,
        saves=trial.saves,
        worn=trial.saves / machine.rated_writes if trial.saves else None,
        buffer=_buffer(trial, clean) if machine.planning == "host" else None,
    )


class _Trial:
    """Runs of one job with something changed."""

    def __init__(
        self, moves: Moves, machine: Machine, events: Events | None, job: JobLimits | None,
        progress: Progress | None, cancel: Cancel | None,
    ) -> None:  # fmt: skip
        self.moves, self.machine, self.events, self.job = moves, machine, events, job
        self.limits = speeds.limits(moves, machine, events, job)
        self.runs = 0
        self._progress, self._cancel = progress, cancel
        first = simulate(moves, self.limits, machine, events)
        self.saves = len(first.saves)
        self.plan = first.plan
        self.planned_s = float(first.plan.seconds.sum())
        wanted = math.ceil(ENOUGH_SAVES / self.saves) if self.saves else MOST_RUNS
        self.phases = min(MOST_RUNS, wanted) if machine.checkpoint_every and machine.checkpoint_takes else 1

    def clean(
        self,
        machine: Machine | None = None,
        *,
        moves: Moves | None = None,
        events: Events | None = None,
        job: JobLimits | None = None,
        as_fast: bool = False,
    ) -> bool:
        """Run the job with what is given in place of its own; `as_fast` also asks that the plan is not slower."""
        machine = machine or self.machine
        if moves is None:
            moves, events, limits = self.moves, self.events, self.limits
            plan = (
                self.plan if machine.queue_seen == self.machine.queue_seen else speeds.plan(limits, machine.queue_seen)
            )
        else:
            limits = speeds.limits(moves, machine, events, job)
            plan = speeds.plan(limits, machine.queue_seen)
        if as_fast and float(plan.seconds.sum()) > 1.01 * self.planned_s:
            return False
        phases = self.phases if machine.checkpoint_every else 1
        for phase in range(phases, 0, -1):
            if self._cancel and self._cancel():
                raise Cancelled
            self.runs += 1
            if self._progress:
                # How many runs it takes is not known; the bar only has to move on.
                self._progress(1 - math.exp(-self.runs / (25 * self.phases)), "trying what would cure it")
            first = machine.checkpoint_every * phase / phases if machine.checkpoint_every else None
            if starves(moves, limits, machine, events, plan, first_save_s=first):
                return False
        return True


def _edge(bad: float, good: float, clean: Callable[[float], bool], *, near: float) -> float:
    """Return a clean value within the factor 1 + `near` of a value that is not clean; bisection in the logarithm."""
    while max(bad, good) > min(bad, good) * (1 + near):
        middle = math.sqrt(bad * good)
        if clean(middle):
            good = middle
        else:
            bad = middle
    return good


def _queue(trial: _Trial, clean: bool) -> Edge:
    unseen = trial.machine.queue_moves - trial.machine.queue_seen

    def holds(moves: int) -> bool:
        card = replace(trial.machine, queue_moves=moves, queue_seen=max(1, moves - unseen))
        return trial.clean(card, as_fast=True)

    now = bad = good = trial.machine.queue_moves
    if clean:
        bad = 0
    else:
        while not holds(good):
            bad, good = good, 2 * good
            if good > MOST_QUEUE:
                return Edge(now, None, "moves")
    while good - bad > 1:
        middle = (good + bad) // 2
        if holds(middle):
            good = middle
        else:
            bad = middle
    return Edge(now, good, "moves")


def _buffer(trial: _Trial, clean: bool) -> Edge:
    def ahead(seconds: float) -> bool:
        return trial.clean(replace(trial.machine, buffer_time=seconds))

    now = trial.machine.buffer_time
    least = 0.001
    if clean:
        if now <= least or ahead(least):
            return Edge(now, min(now, least), "s", open_ended=True)
        return Edge(now, _edge(least, now, ahead, near=0.02), "s")
    if not ahead(LONGEST_BUFFER):
        return Edge(now, None, "s")
    return Edge(now, _edge(max(now, least), LONGEST_BUFFER, ahead, near=0.02), "s")


def _speed(trial: _Trial, clean: bool) -> Edge:
    def at(factor: float) -> bool:
        faster = replace(trial.moves, feed=trial.moves.feed * factor)
        return trial.clean(moves=faster, events=trial.events, job=trial.job)

    if clean:
        if at(FASTEST_FACTOR):
            return Edge(1.0, FASTEST_FACTOR, "times", open_ended=True)
        return Edge(1.0, _edge(FASTEST_FACTOR, 1.0, at, near=0.01), "times")
    if not at(SLOWEST_FACTOR):
        return Edge(1.0, None, "times")
    return Edge(1.0, _edge(1.0, SLOWEST_FACTOR, at, near=0.01), "times")


def _save(trial: _Trial, clean: bool) -> Edge | None:
    machine = trial.machine
    if not machine.checkpoint_every or not machine.checkpoint_takes:
        return None

    def lasting(ms: float) -> bool:
        return trial.clean(replace(machine, checkpoint_takes=ms / 1000))

    now = 1000 * machine.checkpoint_takes
    longest = 990 * machine.checkpoint_every
    if clean:
        if now >= longest or lasting(longest):
            return Edge(now, max(now, longest), "ms", open_ended=True)
        return Edge(now, _edge(longest, now, lasting, near=0.01), "ms")
    least = min(0.1, now / 2)
    if not lasting(least):
        return Edge(now, None, "ms")
    return Edge(now, _edge(now, least, lasting, near=0.01), "ms")


def _link(trial: _Trial) -> Edge:
    without_saves = replace(trial.machine, checkpoint_every=0.0)

    def at(rate: float) -> bool:
        return trial.clean(replace(without_saves, bytes_per_s=rate))

    now = trial.machine.bytes_per_s
    if at(SLOWEST_LINK):
        return Edge(now, SLOWEST_LINK, "bytes/s", open_ended=True)
    good = now if at(now) else FASTEST_LINK
    if good != now and not at(good):
        return Edge(now, None, "bytes/s")
    return Edge(now, _edge(SLOWEST_LINK if good == now else now, good, at, near=0.02), "bytes/s")


def _facets(trial: _Trial, clean: bool) -> tuple[Edge, float | None]:
    if clean:
        return Edge(0.0, 0.0, "mm"), _median_facet(trial.moves)

    def within(tolerance: float) -> bool:
        moves, events, job = join(trial.moves, trial.events, tolerance, trial.job)
        return trial.clean(moves=moves, events=events, job=job)

    if not within(COARSEST_JOIN):
        return Edge(0.0, None, "mm"), None
    found = FINEST_JOIN if within(FINEST_JOIN) else _edge(FINEST_JOIN, COARSEST_JOIN, within, near=0.05)
    return Edge(0.0, found, "mm"), _median_facet(join(trial.moves, trial.events, found)[0])


def _median_facet(moves: Moves) -> float | None:
    start: Floats = moves.start
    steps = [np.diff(end, prepend=start[axis]) for axis, end in enumerate((moves.x, moves.y, moves.z))]
    path = np.linalg.norm(np.nan_to_num(np.stack(steps)), axis=0)
    drawn = path[(moves.e > 0) & (path > 0)]
    return float(np.median(drawn)) if len(drawn) else None


def join(
    moves: Moves, events: Events | None, tolerance: float, job: JobLimits | None = None
) -> tuple[Moves, Events | None, JobLimits | None]:
    """Return the job as it would be with coarser facets: neighbouring moves joined within `tolerance` mm.

    Only extruding moves of one line each with the same speed, acceleration and bead are joined, never across a command, a
    change of the job's limits, or a corner sharper than a right angle, and at most 64 in one; all filament stays. A joined move has the line, and the bytes,
    of the last of its moves. Pieces of arcs are the board's own and stay.
    """
    n = len(moves)
    ends = np.empty(n, bool)
    places = np.unique(np.concatenate([np.empty(0, np.int64), *(rows.before for rows in (events, job) if rows)]))
    _kernels.join(
        moves.start, moves.x, moves.y, moves.z, moves.e, moves.feed, moves.accel, moves.lines_code, moves.arc,
        places, tolerance, ends,
    )  # fmt: skip
    at = np.flatnonzero(ends)
    begins = np.concatenate((np.zeros(min(1, n), np.int64), at[:-1] + 1))
    joined = replace(
        moves,
        x=moves.x[at], y=moves.y[at], z=moves.z[at],
        e=np.add.reduceat(moves.e, begins) if n else moves.e,
        feed=moves.feed[at], accel=moves.accel[at] if len(moves.accel) else moves.accel,
        line=moves.line[at],
        bytes_all=moves.bytes_all[at], bytes_code=moves.bytes_code[at], lines_code=moves.lines_code[at],
        tool=moves.tool[at], arc=moves.arc[at],
    )  # fmt: skip

    def moved(before: Ints) -> Ints:
        return np.searchsorted(at, before).astype(np.int64)

    return (
        joined,
        replace(events, before=moved(events.before)) if events else None,
        replace(job, before=moved(job.before)) if job else None,
    )
