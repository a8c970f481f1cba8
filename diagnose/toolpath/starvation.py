"""What a run of the queue shows: stops, dips, saves, stretches of starvation."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from diagnose.toolpath._kernels import queue as _kernels
from diagnose.toolpath.columns import Bools, Bytes, Floats, Int32s, Ints, Moves
from diagnose.toolpath.machine import Machine
from diagnose.toolpath.speeds import Limits, Plan

WHY = ("checkpoint", "link-rate", "line-time", "round-trip", "random-stall")
"""What the block that the head waited for was itself waiting for; stops and dips hold an index into this. Random stalls
are only among them where a run is given some."""

SHORTEST_STOP = 1e-6
"""s; a shorter gap is rounding, not a stop."""

DIP = 0.95
"""The head dips where it is slower than this share of its speed with a supply that never falls behind."""

SUSTAINED = 3
"""Queues of moves. One stall slows at most about two of them (the look-ahead brakes within one queue's length, and
the head gathers speed within another); where a slow stretch is longer than three, the supply does not keep up."""

HOST_REACH = 16
"""Moves that stand for a queue where a host plans: it brakes for nothing, and gathers speed within a few."""


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


def supply_parts(moves: Moves, machine: Machine, at: Ints | slice = slice(None)) -> tuple[Floats, Floats, Floats]:
    """Return (bytes, lines, replies): seconds that each takes to supply the moves `at`.

    bytes / rate; time per line; and over a cable the round trip: reply bytes / rate + turn-round for each line. A host that
    plans reads its own disk: no answers.
    """
    size: Floats = np.asarray((moves.bytes_all if machine.feed == "card" else moves.bytes_code)[at], np.float64)
    lines: Floats = np.asarray(moves.lines_code[at], np.float64)
    return size / machine.bytes_per_s, lines * machine.line_time, lines * reply_seconds(machine)


def supply_times(moves: Moves, machine: Machine, at: slice = slice(None)) -> Floats:
    """Return (n,) s that the supply of each move, or of the moves `at`, takes when it never has to wait for a free slot.

    From a card, for a host that plans, and when the host waits for every answer, the parts add up: (line + reply) / rate + turn-round + time per
    line (stop and wait; Stallings, Tanenbaum, from memory). With W lines under way the slowest of cable, board, and
    round trip / W sets the pace.
    """
    size, lines, replies = supply_parts(moves, machine, at)
    replies += size + lines
    if not windowed(machine):
        return replies
    replies /= machine.window_lines
    return np.maximum(np.maximum(size, lines, out=size), replies, out=size)


def reply_seconds(machine: Machine) -> float:
    """Return s from a line taken to the next one starting; a card does not answer, nor does a host ask itself."""
    return 0.0 if reads_itself(machine) else machine.reply_bytes / machine.bytes_per_s + machine.reply_time


def reads_itself(machine: Machine) -> bool:
    """Return whether what plans also reads the job: a board with its card, a host with its disk."""
    return machine.feed == "card" or machine.planning == "host"


def windowed(machine: Machine) -> bool:
    """Return whether several lines may be under way over the cable."""
    return machine.window_lines > 1 and not reads_itself(machine)


def find_stops(
    moves: Moves, machine: Machine, at: Ints, depart: Floats, stood_s: Floats, blocked: Ints, stalled: Ints
) -> Stops:
    """Return the stops before the moves `at` (k,), from when each move is done, s stood before these (k,), who waited for saves, for stalls."""
    why = _why(moves, machine, at, np.isin(at, blocked))
    why[np.isin(at, stalled) & (why != 0)] = WHY.index("random-stall")
    return Stops(at, *_place(moves, at), depart[at - 1], stood_s, why)


@dataclass(frozen=True, slots=True)
class SlowRuns:
    """Runs of moves begun at less than DIP of the planned speed. All (k,)."""

    first: Ints
    past: Ints
    """The first move begun fast enough again."""
    lowest: Ints
    """The move begun slowest against the plan."""


def find_slow_runs(plan: Plan, u: Floats) -> SlowRuns:
    """Compare squared entry speeds u (n + 1,) with the plan's."""
    none = np.empty(0, np.int64)
    count = _kernels.slow_runs(u, plan.u, DIP, none, none, none)
    first, past, lowest = (np.empty(count, np.int64) for _ in range(3))
    _kernels.slow_runs(u, plan.u, DIP, first, past, lowest)
    return SlowRuns(first, past, lowest)


def find_dips(
    moves: Moves, machine: Machine, limits: Limits, plan: Plan, u: Floats, start: Floats, depart: Floats,
    held: Int32s, runs: SlowRuns, stands: Ints, blocked: Ints,
) -> Dips:  # fmt: skip
    """Return the slow runs in which the head never stands; the others are a stop and the recovery from it.

    A dip is a save's doing when, up to its slowest place, one of the blocks that were missing had waited for a save.
    """
    without = np.searchsorted(stands, runs.first) == np.searchsorted(stands, runs.past)
    first, past, lowest = runs.first[without], runs.past[without], runs.lowest[without]
    missing, still = held[first - 1], np.minimum(held[lowest - 1], len(moves) - 1)
    if len(limits.shortest):
        # Blocks that came while the queue was low are slow themselves.
        missing = np.minimum(missing, first).astype(held.dtype)
    saved = np.searchsorted(blocked, still, side="right") > np.searchsorted(blocked, missing)
    path = np.array([limits.length[a:b].sum(dtype=np.float64) for a, b in zip(first, past, strict=True)], dtype=np.float64)
    line, x, y, z = _place(moves, lowest)
    return Dips(
        lowest, line, x, y, z, start[lowest], depart[past - 1] - start[first], path,
        np.sqrt(u[lowest]), np.sqrt(plan.u[lowest]), _why(moves, machine, still.astype(np.int64), saved),
    )  # fmt: skip


def find_stretches(
    moves: Moves, machine: Machine, depart: Floats, runs: SlowRuns, stands: Ints, blocked: Ints
) -> Stretches:
    """Join slow runs less than a queue apart, and keep the long ones; why is what took most of the supply's time."""
    first, past = runs.first, runs.past
    reach = HOST_REACH if machine.planning == "host" else machine.queue_moves
    if len(first):
        breaks = np.flatnonzero(first[1:] - past[:-1] > reach) + 1
        first, past = first[np.append(0, breaks)], past[np.append(breaks - 1, len(past) - 1)]
        long = past - first > SUSTAINED * reach
        first, past = first[long], past[long]
    saves = np.searchsorted(blocked, past) - np.searchsorted(blocked, first)
    why = np.zeros(len(first), np.uint8)
    for k, (a, b) in enumerate(zip(first, past, strict=True)):
        size, lines, replies = (float(part.sum()) for part in supply_parts(moves, machine, slice(a, b)))
        if windowed(machine):
            replies = (size + lines + replies) / machine.window_lines
        why[k] = np.argmax((saves[k] * machine.checkpoint_takes, size, lines, replies))
    since = depart[first - 1]
    count = np.searchsorted(stands, past) - np.searchsorted(stands, first)
    return Stretches(first, past - 1, since, depart[past - 1] - since, count, why)


def find_short_of_moves(waits: Ints, held: Int32s) -> Bools:
    """Return (n,) whether moves are still to come before the next wait by command (m,) or the end; else all is queued."""
    n = len(held)
    short = np.empty(n, bool)
    begin = 0
    for end in np.append(waits[waits < n], n):
        short[begin:end] = held[begin:end] < end
        begin = end
    return short


def find_settled(short: Bools, held: Int32s, saves: Saves, queue: int) -> Bools:
    """Return (n,) the moves of `short` that are not begun while the queue of so many moves refills after a save.

    Only the board's own queue; a host's buffer says itself how full it is.
    """
    settled = short.copy()
    _kernels.unsettle(saves.move.astype(np.int64), saves.blocked, held, int(queue), settled)
    return settled


def _why(moves: Moves, machine: Machine, awaited: Ints, saved: Bools) -> Bytes:
    """Return what each awaited block (k,) was waiting for: a save where `saved`, else the slowest part of its supply."""
    size, lines, replies = supply_parts(moves, machine, awaited)
    if windowed(machine):
        replies = (size + lines + replies) / machine.window_lines
    slowest = 1 + np.argmax(np.stack((size, lines, replies)), axis=0)
    return np.where(saved, 0, slowest).astype(np.uint8)


def _place(moves: Moves, at: Ints) -> tuple[Int32s, Floats, Floats, Floats]:
    """Return line, x, y, z of where the moves `at` (m,) start."""
    ends = (moves.x, moves.y, moves.z)
    x, y, z = (np.where(at > 0, end[at - 1], moves.start[axis]) for axis, end in enumerate(ends))
    return moves.line[at], x, y, z
