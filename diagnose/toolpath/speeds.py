"""How fast each move may be, and how fast it is with a queue that is always full.

Speeds are those of planners that keep a queue of blocks: straight moves with constant acceleration, corners taken at a
capped speed, and a look-ahead that must always be able to stop at the end of the last block it sees.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from diagnose.errors import BadInput
from diagnose.toolpath._kernels import speeds as _kernels
from diagnose.toolpath.columns import Bools, EventKind, Events, Floats, Ints, Moves
from diagnose.toolpath.machine import Machine

WAITS = (EventKind.DWELL, EventKind.PAUSE, EventKind.WAIT_MOVES, EventKind.HEAT_WAIT)
"""Commands for which the queue first runs dry: the head stands by command, and starts again from rest."""


@dataclass(frozen=True, slots=True)
class Limits:
    """What holds each move back, whatever the queue. All arrays (n,)."""

    length: Floats
    """mm of path; of filament where only filament moves. A move without either has length 0 and takes no time."""
    cap: Floats
    """mm/s, the most within the move: the speed asked for, or what the slowest axis allows."""
    accel: Floats
    """mm/s2."""
    entry: Floats
    """(mm/s)2, the most at the start of the move: the corner, and the caps of both neighbours; 0 from rest."""

    def __len__(self) -> int:
        return len(self.length)


@dataclass(frozen=True, slots=True)
class Plan:
    """Speeds and times when the supply never falls behind."""

    u: Floats
    """(n + 1,) squared speed in (mm/s)2 at the start of each move; the last entry is the end of the job."""
    seconds: Floats
    """(n,) s."""

    @property
    def speed(self) -> Floats:
        """(n + 1,) mm/s at the start of each move and at the end of the job."""
        return np.sqrt(self.u)


def wait_places(events: Events | None) -> Ints:
    """Return the moves (m,) before which the head stands by command, in order."""
    if events is None:
        return np.empty(0, np.int64)
    return np.unique(events.before[np.isin(events.kind, WAITS)])


def limits(moves: Moves, machine: Machine, events: Events | None = None) -> Limits:
    """Return length, cap, acceleration and corner cap of every move.

    Caps per axis hold for x, y, z and the extruder alike: v <= cap_k / share of axis k in the move, and the same for the
    acceleration. The job's own acceleration wins over the card's, which has one for moves that push or pull filament and
    one for those that do not.

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
    out = Limits(np.empty(n), np.empty(n), np.empty(n), np.empty(n))
    _kernels.limit_moves(
        moves.start, moves.x, moves.y, moves.z, moves.e, moves.feed, moves.accel, wait_places(events),
        float(machine.acceleration), float(machine.travel_acceleration),
        np.array(machine.axis_speed, float), np.array(machine.axis_acceleration, float),
        machine.corner_rule == "radius", float(machine.corner_deviation), np.array(machine.corner_step, float),
        out.length, out.cap, out.accel, out.entry,
    )  # fmt: skip
    return out


def plan(limits: Limits, queue: int) -> Plan:
    """Return entry speeds and durations with a look-ahead of `queue` blocks, the moving one included.

    With S_i the sum of 2 a L over the blocks before i, and c_j the corner caps,
    u_(i+1) = min(u_i + 2 a_i L_i, min over i < j < i + N of (c_j + S_j) - S_(i+1), S_min(i+N,n) - S_(i+1)),
    which is what a backward pass over the whole queue at each hand-over gives. Linear in n, whatever N.
    """
    n = len(limits)
    out = Plan(np.zeros(n + 1), np.empty(n))
    _kernels.plan_entries(limits.length, limits.cap, limits.accel, limits.entry, int(queue), out.u, out.seconds)
    return out


def held_by_queue(limits: Limits, plan: Plan) -> Bools:
    """Return (n,) whether the length of the queue, not the job or the printer's limits, slows the move.

    True where the move is begun or ended more than 1 % slower than with a queue that holds the whole job.
    """
    if not len(limits):
        return np.zeros(0, bool)
    endless = np.zeros_like(plan.u)
    _kernels.plan_entries(
        limits.length, limits.cap, limits.accel, limits.entry, len(limits), endless, np.empty(len(limits))
    )
    slower = plan.u < 0.99**2 * endless
    return slower[1:] | slower[:-1]


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
    if machine.checkpoint_every > 0 and machine.checkpoint_every <= machine.checkpoint_takes:
        raise BadInput(
            f"a checkpoint is saved every {machine.checkpoint_every:g} s and takes {machine.checkpoint_takes:g} s, "
            "so the board would do nothing else",
            "give a time between checkpoints that is longer than one takes, or 0 for none",
        )
