"""How fast each move may be, and how fast it is with a queue that is always full.

Speeds are those of planners that keep a queue of blocks: straight moves with constant acceleration, corners taken at a
capped speed, and a look-ahead that must always be able to stop at the end of the last block it sees.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from diagnose.errors import BadInput
from diagnose.toolpath._kernels import speeds as _kernels
from diagnose.toolpath.columns import Bools, EventKind, Events, Floats, Ints, JobLimits, Moves, Singles
from diagnose.toolpath.machine import Machine

WAITS = (EventKind.DWELL, EventKind.PAUSE, EventKind.WAIT_MOVES, EventKind.HEAT_WAIT)
"""Commands for which the queue first runs dry: the head stands by command, and starts again from rest. A change of tool is
one more, where the card gives it a time."""


@dataclass(frozen=True, slots=True)
class Limits:
    """What holds each move back, whatever the queue. All arrays (n,).

    What only one move asks for is kept to seven digits: half the memory, and untouched memory costs more than the work on it.
    """

    length: Singles
    """mm of path; of filament where only filament moves. A move without either has length 0 and takes no time."""
    cap: Singles
    """mm/s, the most within the move: the speed asked for, or what the slowest axis allows."""
    accel: Singles
    """mm/s2."""
    entry: Floats
    """(mm/s)2, the most at the start of the move: the corner, and the caps of both neighbours; 0 from rest."""
    shortest: Floats = field(default_factory=lambda: np.empty(0))
    """s that the move lasts at least, at its cap, when it comes while the queue is low; (0,) for a board that does not care."""

    def __len__(self) -> int:
        return len(self.length)


@dataclass(frozen=True, slots=True)
class Plan:
    """Speeds and times when the supply never falls behind."""

    u: Floats
    """(n + 1,) squared speed in (mm/s)2 at the start of each move; the last entry is the end of the job."""
    seconds: Floats
    """(n,) s; (0,) until they are asked for."""

    @property
    def speed(self) -> Floats:
        """(n + 1,) mm/s at the start of each move and at the end of the job."""
        return np.sqrt(self.u)


def waits_of(events: Events, machine: Machine) -> tuple[Bools, Floats]:
    """Return (m,) which events the head stands for by command, and s each of them takes once the queue is dry.

    How long a person or a heater takes is not known, so only a dwell (G4) and a change of tool have a time. A tool that is in
    use already is not changed.
    """
    kind = events.kind
    waits = np.isin(kind, WAITS)
    seconds = np.where((kind == EventKind.DWELL) & (events.value > 0), events.value, 0.0)
    if machine.tool_change_time > 0:
        tools = np.flatnonzero(kind == EventKind.TOOL)
        changed = tools[np.diff(events.value[tools], prepend=0.0) != 0]
        waits[changed] = True
        seconds[changed] = machine.tool_change_time
    return waits, seconds


def wait_places(events: Events | None, machine: Machine) -> Ints:
    """Return the moves (m,) before which the head stands by command, in order."""
    if events is None:
        return np.empty(0, np.int64)
    return np.unique(events.before[waits_of(events, machine)[0]])


def limits(moves: Moves, machine: Machine, events: Events | None = None, job: JobLimits | None = None) -> Limits:
    """Return length, cap, acceleration and corner cap of every move.

    What the job says of limits (`job`, and the acceleration of each move) wins over the card from that move on, unless the
    card forbids it. No move is asked for less than the least speed, but the axes still cap it.

    Caps per axis hold for x, y, z and the extruder alike: v <= cap_k / share of axis k in the move, and the same for the
    acceleration. The card has one acceleration for moves that push or pull filament and one for those that do not.

    Corner rule ``radius``: v2 = a d s / (1 - s), s = sin(theta / 2), theta the inner angle (180 degrees straight on), the
    speed on the circle that touches both legs and passes d from the corner; a community derivation of 2011 for a hobby
    milling controller. a is the smaller of both moves, within what each axis may do towards the inside of the corner. A
    reversal stops, and so does a change between moves of the head and moves of filament alone. Rule ``step``: no axis, the
    extruder included, may change its speed at once by more than its step; straight on, both rules leave the caps alone.

    Raises
    ------
    BadInput
        When a number of the machine makes no sense: nothing positive, or a planner that sees more than the queue.
    """
    check_machine(machine)
    n = len(moves)
    rows = _rows(machine, job)
    length, cap, accel = (np.empty(n, np.float32) for _ in range(3))
    out = Limits(length, cap, accel, np.empty(n), _shortest(n, machine, rows))
    _kernels.limit_moves(
        moves.start, moves.x, moves.y, moves.z, moves.e, moves.feed, moves.accel, wait_places(events, machine),
        machine.job_sets_limits, float(machine.acceleration), float(machine.travel_acceleration),
        machine.corner_rule == "radius", rows.before, rows.axis_speed, rows.axis_acceleration, rows.corner_step,
        rows.corner_deviation, rows.lowest_speed,
        rows.axis_speed[0].copy(), rows.axis_acceleration[0].copy(), rows.corner_step[0].copy(),
        out.length, out.cap, out.accel, out.entry,
    )  # fmt: skip
    return out


def _rows(machine: Machine, job: JobLimits | None) -> JobLimits:
    """Return the limits in force, row by row: the card's from the first move on, then the job's where it has spoken."""
    own = (
        [machine.axis_speed], [machine.axis_acceleration], [machine.corner_step], [machine.corner_deviation],
        [(machine.least_speed, machine.least_travel_speed)], [machine.least_move],
    )  # fmt: skip
    tables = [np.array(table, float) for table in own]
    before, line = np.zeros(1, np.int64), np.zeros(1, np.int32)
    if job is not None and len(job) and machine.job_sets_limits:
        said = (
            job.axis_speed, job.axis_acceleration, job.corner_step, job.corner_deviation, job.lowest_speed, job.shortest
        )  # fmt: skip
        for k, table in enumerate(said):
            # An axis that may not move at all is a slip of the job; a corner without a step is not.
            sense = table > 0 if k < 2 else table >= 0
            tables[k] = np.concatenate((tables[k], np.where(sense & np.isfinite(table), table, tables[k][0])))
        before, line = np.append(before, job.before), np.append(line, job.line)
    return JobLimits(before, line, *tables)


def _shortest(n: int, machine: Machine, rows: JobLimits) -> Floats:
    if not machine.stretch_below or machine.planning == "host" or not rows.shortest.any():
        return np.empty(0)
    return np.repeat(rows.shortest, np.diff(np.append(np.minimum(rows.before, n), n)))


def plan(limits: Limits, queue: int, *, timed: bool = True) -> Plan:
    """Return entry speeds, and durations unless not `timed`, with a look-ahead of `queue` blocks, the moving one included.

    With S_i the sum of 2 a L over the blocks before i, and c_j the corner caps,
    u_(i+1) = min(u_i + 2 a_i L_i, min over i < j < i + N of (c_j + S_j) - S_(i+1), S_min(i+N,n) - S_(i+1)),
    which is what a backward pass over the whole queue at each hand-over gives. Linear in n, whatever N.
    """
    out, room = Plan(np.zeros(len(limits) + 1), np.empty(0)), ring(min(queue, len(limits)) + 1)
    _kernels.plan_entries(
        limits.length, limits.cap, limits.accel, limits.entry, int(queue), np.empty(room), np.empty(room, np.int64),
        out.u,
    )  # fmt: skip
    return with_times(out, limits) if timed else out


def ring(room: int) -> int:
    """Return the least power of two that is no less than the room asked for."""
    return 1 << (int(room) - 1).bit_length()


def with_times(plan: Plan, limits: Limits, *, over: bool = False) -> Plan:
    """Return the plan with the duration of each move; `over`: written over its speeds, which nobody needs any more."""
    seconds = plan.u[:-1] if over else np.empty(len(limits))
    _kernels.times(limits.length, limits.cap, limits.accel, plan.u, seconds)
    return Plan(np.empty(0) if over else plan.u, seconds)


def held_by_queue(limits: Limits, plan: Plan, room: Floats | None = None) -> Bools:
    """Return (n,) whether the length of the queue, not the job or the printer's limits, slows the move.

    True where the move is begun or ended more than 1 % slower than with a queue that holds the whole job. `room` (n + 1,)
    is written over where it is given.
    """
    slower: Bools = np.empty(len(limits), bool)
    room = np.empty(len(limits) + 1) if room is None else room
    _kernels.held(limits.length, limits.accel, limits.entry, plan.u, 0.99**2, room, slower)
    return slower


def check_machine(machine: Machine) -> None:
    """Raise BadInput when a number of the machine would make motion or supply meaningless."""
    positive = {
        "acceleration": machine.acceleration,
        "travel acceleration": machine.travel_acceleration,
        "speed of an axis": min(machine.axis_speed),
        "acceleration of an axis": min(machine.axis_acceleration),
        "bytes per second": machine.bytes_per_s,
        "number of moves in the queue": machine.queue_moves,
        "number of lines under way": machine.window_lines,
    }
    for name, value in positive.items():
        if not value > 0:
            raise BadInput(f"the {name} of the printer is {value:g}", "it must be above zero")
    not_negative = {
        "time per line": machine.line_time,
        "buffer of the host": machine.buffer_time,
        "least time of a move": machine.least_move,
        "least speed": machine.least_speed,
        "least speed of travels": machine.least_travel_speed,
        "time of a tool change": machine.tool_change_time,
        "number of random stalls": machine.hiccups_per_min,
        "length of a random stall": machine.hiccup_takes,
        "number of resends": machine.resends_per_1000,
        "number of lines sent again": machine.resend_lines,
        "reply time": machine.reply_time,
        "reply length": machine.reply_bytes,
        "time between checkpoints": machine.checkpoint_every,
        "time of a checkpoint": machine.checkpoint_takes,
        "corner deviation": machine.corner_deviation,
    }
    for name, value in not_negative.items():
        if not value >= 0:
            raise BadInput(f"the {name} of the printer is {value:g}", "it must not be negative")
    if not 1 <= machine.queue_seen <= machine.queue_moves:
        raise BadInput(
            f"the planner of the printer sees {machine.queue_seen} moves of a queue of {machine.queue_moves}",
            "it sees at least one, and no more than the queue holds",
        )
    if not 0 <= machine.stretch_below < max(machine.queue_moves, 1):
        raise BadInput(
            f"the printer stretches moves while its queue of {machine.queue_moves} holds fewer than {machine.stretch_below}",
            "give a number below what the queue holds, or 0 for never",
        )
    if machine.checkpoint_every > 0 and machine.checkpoint_every <= machine.checkpoint_takes:
        raise BadInput(
            f"a checkpoint is saved every {machine.checkpoint_every:g} s and takes {machine.checkpoint_takes:g} s, "
            "so the board would do nothing else",
            "give a time between checkpoints that is longer than one takes, or 0 for none",
        )
