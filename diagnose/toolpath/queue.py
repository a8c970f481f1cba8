"""The motion queue against its supply: where the head stands still because the queue ran dry, where it only brakes.

The board reads a line, understands it, waits for a free slot, and puts the block into the queue; a checkpoint falls due
every T and is saved when the board polls, between lines and while it waits. Speeds are planned with the blocks that had
arrived when a block starts, so the head brakes towards the end of what is there. Over a cable the host keeps so many lines
under way, and each is answered when it is done with.

A host that plans has the whole job before it. It makes the steps of a move when those already made last no longer than its
buffer; where it is late by more than that, the steps run out, and the head stands dead and starts again from rest. It knows
how long a dwell takes, and streams past it.

Common practice, no source: before its first move, and after a wait by command, the board lets the queue fill before it
moves, and a host lets its buffer pass; after it has run dry the head moves as soon as a block arrives. A board that stretches
moves while its queue is low does not do so while it fills the queue on purpose.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from diagnose.errors import BadInput, Cancelled
from diagnose.toolpath import speeds
from diagnose.toolpath._kernels import queue as _kernels
from diagnose.toolpath.chances import Risk, SavesAnywhere, find_chances, resends
from diagnose.toolpath.columns import Bools, EventKind, Events, Floats, Int32s, Ints, Moves
from diagnose.toolpath.machine import Machine
from diagnose.toolpath.speeds import Limits, Plan
from diagnose.toolpath.starvation import (
    SHORTEST_STOP,
    WHY,
    Dips,
    Saves,
    Stops,
    Stretches,
    begins,
    find_dips,
    find_settled,
    find_short_of_moves,
    find_slow_runs,
    find_stops,
    find_stretches,
    reads_itself,
    reply_seconds,
    supply_parts,
    supply_times,
)

__all__ = [
    "WHY", "Cancel", "Dips", "Progress", "Risk", "Saves", "SavesAnywhere", "Stalls", "Stops", "Stretches",
    "Supply", "draw_stalls", "simulate", "starves", "supply_parts", "supply_times",
]  # fmt: skip

Progress = Callable[[float, str], None]
Cancel = Callable[[], bool]


@dataclass(frozen=True, slots=True)
class Supply:
    """One run of a job on a machine. Times in s from the start of the job, arrays (n,) unless said otherwise."""

    plan: Plan
    """The same job with a supply that never falls behind."""
    u: Floats
    """(n + 1,) squared entry speeds in (mm/s)2 of the coupled run."""
    arrive: Floats
    """When the move was in the queue."""
    depart: Floats
    """When it was done."""
    stood: Ints
    begun: Floats
    """(k,) moves that were not begun when the one before was done, and when they were: before them the head stood."""
    held: Int32s
    """At its start the queue held moves up to held - 1; from a host, their steps had been made."""
    reserve_ms: Floats
    """ms from its start for which the queue would keep the head moving if supply ceased then, braking included; from a host,
    for which the steps streamed ahead last, its buffer at most."""
    settled: Bools
    """False where the reserve says nothing of the machine: before a wait or the end, when all that is left is queued
    already, and after a save, while the queue refills."""
    stops: Stops
    dips: Dips
    saves: Saves
    stretches: Stretches
    risk: Risk
    anywhere: SavesAnywhere
    """The saves again, whenever the first of them falls due."""
    waited_s: float
    """s the head stood by command, and until the queue had filled afterwards."""

    @property
    def time_s(self) -> float:
        """Length of the job in s, from the first line read to the last move done."""
        return float(self.depart[-1]) if len(self.depart) else 0.0

    @property
    def start(self) -> Floats:
        """(n,) when each move was begun."""
        return _starts(self.depart, self.stood, self.begun)

    @property
    def gap(self) -> Floats:
        """(n,) s the head stood before each move, by command or not; the wait before the first move included."""
        gap = np.zeros(len(self.depart))
        gap[self.stood] = np.maximum(_waits(self.depart, self.stood, self.begun), 0.0)
        return gap

    @property
    def least(self) -> tuple[float, int] | None:
        """(ms, move) of the least reserve among settled moves; None when no move is settled."""
        if not self.settled.any():
            return None
        move = int(np.argmin(np.where(self.settled, self.reserve_ms, np.inf)))
        return float(self.reserve_ms[move]), move


def simulate(
    moves: Moves,
    limits: Limits,
    machine: Machine,
    events: Events | None = None,
    progress: Progress | None = None,
    cancel: Cancel | None = None,
    *,
    first_save_s: float | None = None,
    stalls: Stalls | None = None,
    plan: Plan | None = None,
    spare: tuple[Floats, Floats, Int32s] | None = None,
) -> Supply:
    """Run the job: supply and motion coupled through the bounded queue.

    arrive_k = max(arrive_(k-1) + supply_k, depart_(k-N)), later where a checkpoint comes between;
    start_k = max(arrive_k, depart_(k-1)); depart_k = start_k + duration_k. The exit speed of a block uses only blocks
    that had arrived at its start and that the planner sees. A gap before a block is a stop.

    Parameters
    ----------
    limits
        Of the same moves, machine and events.
    first_save_s
        When the first checkpoint falls due; one interval after the start by default.
    stalls
        Random stalls to suffer, one draw of them; none by default, when they are a risk only.
    plan
        Of the same limits and machine, timed or not, where it is known already.
    spare
        (n + 1,), (n,) and (n,) to write over. Given, they say that memory is dear: `u` and `arrive` are left empty, for others take their
        room as soon as they have served. So they do with the speeds of `plan` and with the limits, which the caller must
        not use again.

    Raises
    ------
    BadInput
        When the machine's numbers make no sense, such as a save that takes as long as the time between saves.
    Cancelled
        When `cancel` answers True.
    """
    say = progress or (lambda done, what: None)
    stop = cancel or (lambda: False)
    n = len(moves)

    say(0.0, "planning the speeds")
    plan = plan or speeds.plan(limits, machine.queue_seen)
    _ask(stop)
    say(0.3, "running the queue")
    by_host, resent = machine.planning == "host", resends(machine)
    dear = spare is not None
    brief = dear and not (by_host or resent or len(limits.shortest))
    u, depart, held = (np.empty(n + 1), np.empty(n), np.empty(n, np.int32)) if spare is None else spare
    run, limits = _couple(moves, limits, machine, events, first_save_s, stalls, u, depart, held, brief=brief)
    stood, begun, blocked = run.stood, run.begun, run.blocked
    _ask(stop)
    say(0.7, "reserve")
    waits = speeds.wait_places(events, machine)
    if by_host:
        start = _starts(depart, stood, begun)
        held = run.held = np.searchsorted(run.arrive, start, "right").astype(np.int32)
    if dear and not resent:
        run.arrive = np.empty(0)
    stands, stood_s, waited_s = _gaps(run, waits)
    _ask(stop)
    say(0.8, "stops and dips")
    bounds = (limits.length, limits.cap, limits.accel)
    during = np.searchsorted(depart, run.saved_s, side="right")
    if by_host:
        made = depart[np.maximum(blocked - 1, 0)] - run.saved_s
        at_saves = np.where(blocked > 0, np.clip(made, 0.0, machine.buffer_time), 0.0)
    else:
        at_saves, begun_s = np.empty(len(blocked)), begins(depart, stood, begun, during)
        _kernels.reserves_at(*bounds, u, depart, run.saved_s, during, begun_s, blocked, at_saves)
    saves = Saves(run.saved_s, during, blocked, 1000.0 * at_saves)
    slow = find_slow_runs(plan, u)
    stops = find_stops(moves, machine, stands, depart, stood_s, blocked, run.stalled)
    dips = find_dips(moves, machine, limits, plan, u, depart, stood, begun, held, slow, stands, blocked)
    stretches = find_stretches(moves, machine, depart, slow, stands, blocked)
    _ask(stop)
    # Columns that have served take up what comes next: untouched memory costs as much as the work on it.
    if by_host:
        reserve = np.minimum(depart[held - 1] - start, machine.buffer_time)
    else:
        reserve = u[:n] if dear else np.empty(n)
        _kernels.reserves(*bounds, u, depart, stood, begun, held, reserve)
    if dear:
        u = run.u = np.empty(0)
    if len(plan.seconds) != n:
        plan = speeds.with_times(plan, limits, over=dear)
    room = [*limits.entry.view(np.float32).reshape(2, n), limits.accel] if dear else list(np.empty((3, n), np.float32))
    length = limits.length
    del limits, bounds
    short = find_short_of_moves(waits, held)
    settled = short if by_host else find_settled(short, held, saves, machine.queue_moves)
    risk, anywhere = find_chances(
        machine, length, run.arrive, depart, stood, begun, held, reserve, short, settled,
        _saving_on(events, n), supply_times(moves, machine) if resent else np.empty(0), moves.lines_code, room,
    )  # fmt: skip
    reserve *= 1000.0
    result = Supply(
        plan, u, run.arrive, depart, stood, begun, held, reserve, settled, stops, dips, saves, stretches, risk, anywhere, waited_s
    )
    say(1.0, "stops and dips")
    return result


def starves(
    moves: Moves,
    limits: Limits,
    machine: Machine,
    events: Events | None,
    plan: Plan,
    *,
    first_save_s: float | None = None,
) -> bool:
    """Return whether the head stands or dips anywhere: `simulate`, given its plan, without telling where and why."""
    n = len(moves)
    columns = np.empty(n + 1), np.empty(n), np.empty(n, np.int32)
    run, _ = _couple(moves, limits, machine, events, first_save_s, None, *columns)
    if len(find_slow_runs(plan, run.u).first):
        return True
    return bool(len(_gaps(run, speeds.wait_places(events, machine))[0]))


@dataclass(frozen=True, slots=True)
class Stalls:
    """Random stalls of the supply, one draw: (m,) each, in order."""

    t_s: Floats
    """s from the start of the job at which each is due; it begins when the supply is next free."""
    length_s: Floats


def draw_stalls(machine: Machine, time_s: float, seed: int) -> Stalls:
    """Return one draw of the card's random stalls in a job of so many seconds: Poisson times, exponential lengths."""
    random = np.random.default_rng(seed)
    times = np.sort(random.uniform(0.0, time_s, random.poisson(machine.hiccups_per_min * time_s / 60.0)))
    return Stalls(times, random.exponential(machine.hiccup_takes, len(times)))


@dataclass(slots=True)
class _Coupled:
    """What the kernel fills; as in Supply, and for each save when it began and the block that waited for it."""

    u: Floats
    arrive: Floats
    depart: Floats
    stood: Ints
    begun: Floats
    held: Int32s
    saved_s: Floats
    blocked: Ints
    stalled: Ints
    """Blocks that waited for a random stall."""


def _couple(
    moves: Moves, limits: Limits, machine: Machine, events: Events | None, first_save_s: float | None,
    stalls: Stalls | None, u: Floats, depart: Floats, held: Int32s, *, brief: bool = False,
) -> tuple[_Coupled, Limits]:  # fmt: skip
    """Run the kernel; return what it fills, `u` (n + 1,), `depart` and `held` (n,) included, and the limits as they were in this run, stretched where
    the queue was low.

    `brief`: nobody asks when a block came once it is begun, unless moves are stretched or a host plans.
    """
    speeds.check_machine(machine)
    n = len(moves)
    if len(limits) != n:
        raise BadInput(f"limits of {len(limits)} moves do not go with a job of {n} moves")
    card = machine.feed == "card"
    arrive = np.empty(min(speeds.ring(machine.queue_moves + 1), n) if brief else n)
    # Pages that lists never come to cost nothing, a second run a lot.
    stood, begun = np.empty(n, np.int64), np.empty(n)
    if stalls is None:
        stalls = Stalls(np.empty(0), np.empty(0))
    ring, lines = speeds.ring(min(machine.queue_seen, n) + 1), 1 if reads_itself(machine) else machine.window_lines
    room = n + 4096
    while True:
        now = limits
        if len(limits.shortest):
            now = replace(limits, cap=limits.cap.copy(), entry=limits.entry.copy())
        log_s, block, stall = np.empty(room), np.empty(room, np.int64), np.empty(room, np.uint8)
        count, still = _kernels.run(
            now.length, now.cap, now.accel, now.entry, now.shortest,
            moves.bytes_all if card else moves.bytes_code, moves.lines_code, speeds.wait_places(events, machine),
            machine.planning == "host", float(machine.buffer_time), reads_itself(machine),
            1.0 / machine.bytes_per_s, float(machine.line_time), float(reply_seconds(machine)),
            int(machine.window_lines), int(machine.queue_moves), int(machine.queue_seen), int(machine.stretch_below),
            *_commands(events, machine), *_saving(machine, first_save_s), stalls.t_s, stalls.length_s,
            np.empty(2), np.empty(2, np.int64), np.empty(ring), np.empty(ring, np.int64), np.zeros(speeds.ring(lines)),
            u, arrive, depart, held, stood, begun, log_s, block, stall,
        )  # fmt: skip
        if count <= room:
            log_s, block, saved = log_s[:count], block[:count], stall[:count] == 0
            lists = stood[:still].copy(), begun[:still].copy()
            return _Coupled(u, arrive, depart, *lists, held, log_s[saved], block[saved], block[~saved]), now
        room = count


def _gaps(run: _Coupled, waits: Ints) -> tuple[Ints, Floats, float]:
    """Return the moves before which the head stands without a command, the s of each, and the s it stands otherwise."""
    gap_s = _waits(run.depart, run.stood, run.begun)
    long = gap_s > SHORTEST_STOP
    own = long & (run.stood > 0) & ~np.isin(run.stood, waits)
    return run.stood[own], gap_s[own], float(gap_s.sum()) - float(gap_s[own].sum())


def _waits(depart: Floats, stood: Ints, begun: Floats) -> Floats:
    """Return (k,) s the head stood before the moves `stood` (k,)."""
    return begun - np.where(stood > 0, depart[stood - 1], 0.0)


def _starts(depart: Floats, stood: Ints, begun: Floats) -> Floats:
    """Return (n,) when each move was begun: when the one before was done, but for those before which the head stood."""
    start = np.concatenate(([0.0], depart[:-1]))[: len(depart)]
    start[stood] = begun
    return start


def _ask(cancel: Cancel) -> None:
    if cancel():
        raise Cancelled


def _commands(events: Events | None, machine: Machine) -> tuple[Ints, Floats, Ints]:
    """Return the events the board acts on: move that follows, s of waiting or -1, saving 1 on, 0 off, -1 neither."""
    if events is None:
        return np.empty(0, np.int64), np.empty(0), np.empty(0, np.int64)
    waits, seconds = speeds.waits_of(events, machine)
    if machine.planning == "host":
        # A dwell of nothing is no reason for a host to let its buffer run out.
        waits &= (events.kind != EventKind.DWELL) | (seconds > 0)
    switches = events.kind == EventKind.RESUME_SAVING
    acts = waits | switches
    return (
        events.before[acts].astype(np.int64),
        np.where(waits, seconds, -1.0)[acts],
        np.where(switches, (events.value > 0).astype(np.int64), -1)[acts],
    )


def _saving_on(events: Events | None, n: int) -> Bools:
    """Return (n,) the moves while which the board saves checkpoints, or (0,) when the job never switches that."""
    if events is None or not (switches := events.kind == EventKind.RESUME_SAVING).any():
        return np.empty(0, bool)
    on = np.ones(n, bool)
    for place, value in zip(events.before[switches], events.value[switches], strict=True):
        on[place:] = value > 0
    return on


def _saving(machine: Machine, first: float | None) -> tuple[float, float, float]:
    """Return (first due, every, takes) in s; never due when the board saves nothing."""
    every = float(machine.checkpoint_every)
    if every == 0:
        return np.inf, 0.0, 0.0
    return every if first is None else first, every, float(machine.checkpoint_takes)
