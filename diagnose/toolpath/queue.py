"""The motion queue against its supply: where the head stands still because the queue ran dry, where it only brakes.

The board reads a line, understands it, waits for a free slot, and puts the block into the queue; a checkpoint falls due
every T and is saved when the board polls, between lines and while it waits. Speeds are planned with the blocks that had
arrived when a block starts, so the head brakes towards the end of what is there.

Common practice, no source: before its first move, and after a wait by command, the board lets the queue fill before it
moves; after it has run dry it moves as soon as a block arrives.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from diagnose.errors import BadInput, Cancelled
from diagnose.toolpath import speeds
from diagnose.toolpath._kernels import queue as _kernels
from diagnose.toolpath.columns import Bools, Bytes, EventKind, Events, Floats, Int32s, Ints, Moves
from diagnose.toolpath.machine import Machine
from diagnose.toolpath.speeds import Limits, Plan

Progress = Callable[[float, str], None]
Cancel = Callable[[], bool]

WHY = ("checkpoint", "link-rate", "line-time", "round-trip")
"""What the block that the head waited for was itself waiting for; stops and dips hold an index into this."""

SHORTEST_STOP = 1e-6
"""s; a shorter gap is rounding, not a stop."""

DIP = 0.95
"""The head dips where it is slower than this share of its speed with a supply that never falls behind."""

SUSTAINED = 3
"""Queues of moves. One stall slows at most about two of them (the look-ahead brakes within one queue's length, and
the head gathers speed within another); where a slow stretch is longer than three, the supply does not keep up."""


@dataclass(frozen=True, slots=True)
class Stops:
    """The head standing still because the queue ran dry; one entry a stop, in order."""

    move: Ints
    """The move that was waited for; the head stands where it starts."""
    line: Int32s
    x: Floats
    y: Floats
    z: Floats
    t_s: Floats
    """s from the start of the job to the start of the stop."""
    length_s: Floats
    why: Bytes
    """Index into WHY."""

    def __len__(self) -> int:
        return len(self.move)


@dataclass(frozen=True, slots=True)
class Dips:
    """The head braking because the queue runs low, without standing still; one entry a dip, in order."""

    move: Ints
    """The move at whose start the head is slowest against the plan."""
    line: Int32s
    x: Floats
    y: Floats
    z: Floats
    t_s: Floats
    """s from the start of the job to that place."""
    length_s: Floats
    """s from the first move begun too slowly until one is begun at full speed again."""
    length_mm: Floats
    """mm of path in that time."""
    speed: Floats
    """mm/s at that place."""
    planned: Floats
    """mm/s there with a supply that never falls behind."""
    why: Bytes

    def __len__(self) -> int:
        return len(self.move)


@dataclass(frozen=True, slots=True)
class Saves:
    """Checkpoints saved while the job is read."""

    t_s: Floats
    """s at which the save began."""
    move: Ints
    """The move being carried out, or waited for, at that time."""
    blocked: Ints
    """The move that had to wait for the save before it could enter the queue."""
    reserve_ms: Floats
    """ms for which the queue would still keep the head moving; 0 when it stood already."""

    def __len__(self) -> int:
        return len(self.t_s)


@dataclass(frozen=True, slots=True)
class Stretches:
    """Sustained starvation: along these moves the supply is slower than the motion would be, and the head stutters."""

    first: Ints
    last: Ints
    """Moves, the last one included."""
    t_s: Floats
    length_s: Floats
    stops: Ints
    """How often the head stands still; 0 where it only brakes and gathers speed over and over."""
    why: Bytes

    def __len__(self) -> int:
        return len(self.first)


@dataclass(frozen=True, slots=True)
class Risk:
    """What random stalls of the mean length on the card would do; never counted among the stops."""

    stall_ms: float
    per_min: float
    share_of_path: float
    """Share of the path on which such a stall would empty the queue."""
    share_of_time: float
    expected_stops: float
    """Stalls expected in the job times the share of its time in which one empties the queue."""


@dataclass(frozen=True, slots=True)
class Supply:
    """One run of a job on a machine. Times in s from the start of the job, arrays (n,) unless said otherwise."""

    plan: Plan
    """The same job with a supply that never falls behind."""
    u: Floats
    """(n + 1,) squared entry speeds in (mm/s)2 of the coupled run."""
    arrive: Floats
    """When the move was in the queue."""
    start: Floats
    depart: Floats
    """When it was begun and done."""
    held: Int32s
    """At its start the queue held moves up to held - 1."""
    reserve_ms: Floats
    """ms from its start for which the queue would keep the head moving if supply ceased then, braking included."""
    settled: Bools
    """False where the reserve says nothing of the machine: before a wait or the end, when all that is left is queued
    already, and after a save, while the queue refills."""
    stops: Stops
    dips: Dips
    saves: Saves
    stretches: Stretches
    risk: Risk
    waited_s: float
    """s the head stood by command, and until the queue had filled afterwards."""

    @property
    def time_s(self) -> float:
        """Length of the job in s, from the first line read to the last move done."""
        return float(self.depart[-1]) if len(self.depart) else 0.0

    @property
    def gap(self) -> Floats:
        """(n,) s the head stood before each move, by command or not; the wait before the first move included."""
        before = np.concatenate(([0.0], self.depart[:-1]))
        return np.maximum(self.start - before, 0.0)[: len(self.depart)]

    @property
    def least(self) -> tuple[float, int] | None:
        """(ms, move) of the least reserve among settled moves; None when no move is settled."""
        if not self.settled.any():
            return None
        move = int(np.argmin(np.where(self.settled, self.reserve_ms, np.inf)))
        return float(self.reserve_ms[move]), move


def supply_parts(moves: Moves, machine: Machine, at: Ints | slice = slice(None)) -> tuple[Floats, Floats, Floats]:
    """Return (bytes, lines, replies): seconds that each takes to supply the moves `at`.

    bytes / rate; time per line; and over a cable the round trip: reply bytes / rate + turn-round for each line.
    """
    size: Floats = np.asarray((moves.bytes_all if machine.feed == "card" else moves.bytes_code)[at], np.float64)
    lines: Floats = np.asarray(moves.lines_code[at], np.float64)
    return size / machine.bytes_per_s, lines * machine.line_time, lines * _reply(machine)


def supply_times(moves: Moves, machine: Machine) -> Floats:
    """Return (n,) s that the supply of each move takes when it never has to wait for a free slot.

    From a card, and when the host waits for every answer, the parts add up: (line + reply) / rate + turn-round + time per
    line (stop and wait; Stallings, Tanenbaum, from memory). With W lines under way the slowest of cable, board, and
    round trip / W sets the pace.
    """
    size, lines, replies = supply_parts(moves, machine)
    if machine.feed == "card" or machine.window_lines == 1:
        return np.asarray(size + lines + replies)
    return np.maximum(np.maximum(size, lines), (size + lines + replies) / machine.window_lines)


def simulate(
    moves: Moves,
    limits: Limits,
    machine: Machine,
    events: Events | None = None,
    progress: Progress | None = None,
    cancel: Cancel | None = None,
    *,
    first_save_s: float | None = None,
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

    Raises
    ------
    BadInput
        When the machine's numbers make no sense, such as a save that takes as long as the time between saves.
    Cancelled
        When `cancel` answers True.
    """
    speeds.check_machine(machine)
    if len(limits) != len(moves):
        raise BadInput(f"limits of {len(limits)} moves do not go with a job of {len(moves)} moves")
    say = progress or (lambda done, what: None)
    stop = cancel or (lambda: False)
    n = len(moves)
    waits = speeds.wait_places(events)

    say(0.0, "planning the speeds")
    plan = speeds.plan(limits, machine.queue_seen)
    _ask(stop)
    say(0.3, "running the queue")
    u, arrive, start, depart = np.empty(n + 1), np.empty(n), np.empty(n), np.empty(n)
    held = np.empty(n, np.int32)
    room = 4096
    while True:
        saved_at, blocked = np.empty(room), np.empty(room, np.int64)
        count = _kernels.run(
            limits.length, limits.cap, limits.accel, limits.entry,
            moves.bytes_all if machine.feed == "card" else moves.bytes_code, moves.lines_code, waits,
            machine.feed == "card", 1.0 / machine.bytes_per_s, float(machine.line_time), _reply(machine),
            machine.window_lines, machine.queue_moves, machine.queue_seen,
            *_commands(events), *_saving(machine, first_save_s),
            u, arrive, start, depart, held, saved_at, blocked,
        )  # fmt: skip
        if count <= room:
            break
        room = count
    saved_at, blocked = saved_at[:count], blocked[:count]
    _ask(stop)
    say(0.7, "reserve")
    reserve = np.empty(n)
    _kernels.reserves(limits.length, limits.cap, limits.accel, u, start, depart, held, reserve)
    reserve *= 1000.0
    at_saves = np.empty(len(saved_at))
    _kernels.reserves_at(limits.length, limits.cap, limits.accel, u, start, depart, saved_at, blocked, at_saves)
    saves = Saves(saved_at, np.searchsorted(depart, saved_at, side="right"), blocked, 1000.0 * at_saves)
    _ask(stop)
    say(0.9, "stops and dips")

    gap_s = np.empty(n)
    gap_s[:1] = start[:1]
    np.subtract(start[1:], depart[:-1], out=gap_s[1:])
    commanded = np.zeros(n, bool)
    commanded[:1] = True
    commanded[waits[waits < n]] = True
    stands = np.flatnonzero((gap_s > SHORTEST_STOP) & ~commanded)
    stops = _stops(moves, machine, stands, depart, gap_s, blocked)
    dips = _dips(moves, machine, limits, plan, u, start, depart, held, stands, blocked)
    settled = _settled(n, waits, held, saves, machine.queue_moves)
    result = Supply(
        plan, u, arrive, start, depart, held, reserve, settled, stops, dips, saves,
        _stretches(moves, machine, plan, u, depart, held, stands, blocked),
        _risk(limits, start, depart, reserve, machine),
        float(gap_s[commanded].sum()),
    )  # fmt: skip
    say(1.0, "stops and dips")
    return result


def _ask(cancel: Cancel) -> None:
    if cancel():
        raise Cancelled


def _reply(machine: Machine) -> float:
    """Return s from a line taken to the next one starting; a card does not answer."""
    return 0.0 if machine.feed == "card" else machine.reply_bytes / machine.bytes_per_s + machine.reply_time


def _commands(events: Events | None) -> tuple[Ints, Floats, Ints]:
    """Return the events the board acts on: move that follows, s of waiting or -1, saving 1 on, 0 off, -1 neither."""
    if events is None:
        return np.empty(0, np.int64), np.empty(0), np.empty(0, np.int64)
    kind = events.kind
    waits = np.isin(kind, speeds.WAITS)
    switches = kind == EventKind.RESUME_SAVING
    acts = waits | switches
    # How long a person or a heater takes is not known; only a dwell says so.
    dwell = np.where((kind == EventKind.DWELL) & (events.value > 0), events.value, 0.0)
    return (
        events.before[acts].astype(np.int64),
        np.where(waits, dwell, -1.0)[acts],
        np.where(switches, (events.value > 0).astype(np.int64), -1)[acts],
    )


def _saving(machine: Machine, first: float | None) -> tuple[float, float, float]:
    """Return (first due, every, takes) in s; never due when the board saves nothing."""
    every = float(machine.checkpoint_every)
    if every == 0:
        return np.inf, 0.0, 0.0
    return every if first is None else first, every, float(machine.checkpoint_takes)


def _why(moves: Moves, machine: Machine, awaited: Ints, blocked: Ints) -> Bytes:
    """Return what each awaited block (m,) was waiting for: a save since the block before it, or its slowest part."""
    size, lines, replies = supply_parts(moves, machine, awaited)
    if machine.window_lines > 1 and machine.feed == "cable":
        replies = (size + lines + replies) / machine.window_lines
    why = 1 + np.argmax(np.stack((size, lines, replies)), axis=0)
    why[np.isin(awaited, blocked)] = 0
    return np.asarray(why, np.uint8)


def _place(moves: Moves, at: Ints) -> tuple[Int32s, Floats, Floats, Floats]:
    """Return line, x, y, z of where the moves `at` (m,) start."""
    ends = (moves.x, moves.y, moves.z)
    x, y, z = (np.where(at > 0, end[at - 1], moves.start[axis]) for axis, end in enumerate(ends))
    return moves.line[at], x, y, z


def _stops(moves: Moves, machine: Machine, at: Ints, depart: Floats, gap_s: Floats, blocked: Ints) -> Stops:
    return Stops(at, *_place(moves, at), depart[at - 1], gap_s[at], _why(moves, machine, at, blocked))


def _slow_runs(plan: Plan, u: Floats) -> tuple[Ints, Ints]:
    """Return (first, past) of every run of moves that are begun too slowly against the plan."""
    slow = u < DIP**2 * plan.u
    edges = np.flatnonzero(slow[1:] != slow[:-1]) + 1
    return edges[0::2], edges[1::2]


def _slowest(plan: Plan, u: Floats, first: Ints, past: Ints) -> Ints:
    """Return the move in each run that is begun slowest against the plan."""
    found = [a + int(np.argmin(u[a:b] / np.maximum(plan.u[a:b], 1e-12))) for a, b in zip(first, past, strict=True)]
    return np.array(found, np.int64)


def _dips(
    moves: Moves, machine: Machine, limits: Limits, plan: Plan, u: Floats, start: Floats, depart: Floats,
    held: Int32s, stands: Ints, blocked: Ints,
) -> Dips:  # fmt: skip
    """Return the slow runs in which the head never stands; the others are a stop and the recovery from it."""
    first, past = _slow_runs(plan, u)
    without = np.searchsorted(stands, first) == np.searchsorted(stands, past)
    first, past = first[without], past[without]
    lowest = _slowest(plan, u, first, past)
    awaited = np.minimum(held[lowest - 1], len(moves) - 1).astype(np.int64)
    path = np.array([limits.length[a:b].sum() for a, b in zip(first, past, strict=True)], dtype=np.float64)
    line, x, y, z = _place(moves, lowest)
    return Dips(
        lowest, line, x, y, z, start[lowest], depart[past - 1] - start[first], path,
        np.sqrt(u[lowest]), np.sqrt(plan.u[lowest]), _why(moves, machine, awaited, blocked),
    )  # fmt: skip


def _stretches(
    moves: Moves, machine: Machine, plan: Plan, u: Floats, depart: Floats, held: Int32s, stands: Ints, blocked: Ints
) -> Stretches:
    """Join slow runs less than a queue apart, those that wait for a save left out, and keep the long ones."""
    first, past = _slow_runs(plan, u)
    awaited = np.minimum(held[_slowest(plan, u, first, past) - 1], len(moves) - 1).astype(np.int64)
    why = _why(moves, machine, awaited, blocked)
    link = why != WHY.index("checkpoint")
    first, past, why = first[link], past[link], why[link]
    if len(first):
        breaks = np.flatnonzero(first[1:] - past[:-1] > machine.queue_moves) + 1
        begins = np.concatenate((np.zeros(1, np.int64), breaks))
        first, past, why = first[begins], past[np.append(breaks - 1, len(past) - 1)], why[begins]
        long = past - first > SUSTAINED * machine.queue_moves
        first, past, why = first[long], past[long], why[long]
    since = depart[first - 1]
    count = np.searchsorted(stands, past) - np.searchsorted(stands, first)
    return Stretches(first, past - 1, since, depart[past - 1] - since, count, why)


def _settled(n: int, waits: Ints, held: Int32s, saves: Saves, queue: int) -> Bools:
    ends = np.append(waits[waits < n], n)
    settled = np.empty(n, bool)
    begin = 0
    for end in ends:
        settled[begin:end] = held[begin:end] < end
        begin = end
    for move, blocked in zip(saves.move, saves.blocked, strict=True):
        # The queue is full again soon, or the supply hardly keeps up, which the reserve should show.
        until = min(n, int(blocked) + 2 * queue)
        after = np.arange(int(move) + 1, until)
        full = np.flatnonzero((after >= blocked) & (held[after] - after == queue)) if len(after) else after
        settled[after[: full[0]] if len(full) else after] = False
    return settled


def _risk(limits: Limits, start: Floats, depart: Floats, reserve_ms: Floats, machine: Machine) -> Risk:
    """Compare each move's reserve with a stall of mean length; a move counts with all its path and time, or not."""
    stall_ms = 1000.0 * machine.hiccup_takes
    if machine.hiccups_per_min <= 0 or not len(limits):
        return Risk(stall_ms, machine.hiccups_per_min, 0.0, 0.0, 0.0)
    bare = reserve_ms < stall_ms
    seconds = depart - start
    path, time = float(limits.length.sum()), float(seconds.sum())
    share = float(seconds[bare].sum()) / time if time > 0 else 0.0
    return Risk(
        stall_ms,
        machine.hiccups_per_min,
        float(limits.length[bare].sum()) / path if path > 0 else 0.0,
        share,
        machine.hiccups_per_min * float(depart[-1]) / 60.0 * share,
    )
