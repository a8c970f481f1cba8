"""What one machine makes of a job file: speeds, supply, stops. A machine is changed by running again, not reading."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from diagnose.toolpath import queue, speeds
from diagnose.toolpath.chances import Heights, Risk, SavesAnywhere, by_height
from diagnose.toolpath.columns import Bools, Floats
from diagnose.toolpath.heap import made_ready
from diagnose.toolpath.jobfile import JobFile
from diagnose.toolpath.machine import Machine
from diagnose.toolpath.progress import Cancel, Progress, ask, say, share
from diagnose.toolpath.starvation import Dips, Saves, Stops, Stretches


@dataclass(frozen=True, slots=True, eq=False)
class Run:
    """One job file run on one machine. Arrays (n,) unless said otherwise."""

    machine: Machine
    seconds: Floats
    """s of each move with a supply that never falls behind."""
    depart_s: Floats
    """s from the start of the job to the end of each move, stops and waits included."""
    reserve_ms: Floats
    """ms for which the queue would keep the head moving from the start of each move if supply ceased."""
    settled: Bools
    """False where the reserve says nothing of the machine: the queue fills, refills or runs out by command."""
    capped: Bools
    """True where the length of the queue, not job or printer, holds the speed down."""
    stops: Stops
    dips: Dips
    saves: Saves
    stretches: Stretches
    risk: Risk
    least: tuple[float, int] | None
    """(ms, move) of the least settled reserve."""
    waited_s: float
    """s the head stood by command."""
    anywhere: SavesAnywhere
    """What saves do, whenever the first falls due: `saves` and `stops` are one case of many, exact times in it are not to be
    had."""

    @property
    def time_s(self) -> float:
        """Length of the job in s, what a person does at pauses left out."""
        return float(self.depart_s[-1]) if len(self.depart_s) else 0.0


def run(file: JobFile, machine: Machine, progress: Progress | None = None, cancel: Cancel | None = None) -> Run:
    """Run a job file on a machine: speeds, queue and supply, stops and dips."""
    n = len(file.moves)
    planned, room, depart, held = np.empty(n + 1), np.empty(n + 1), np.empty(n), np.empty(n, np.int32)
    made_ready((planned, room, depart, held))
    limits = speeds.limits(file.moves, machine, file.events, file.limits)
    ask(cancel)
    say(progress, 0.1, "look-ahead")
    plan = speeds.plan(limits, machine.queue_seen, timed=False, u=planned)
    capped = speeds.held_by_queue(limits, plan, room)
    # What nobody asks for later makes room for what follows: hence no name for the limits, one array used twice, and empty
    # columns.
    given = [limits]
    del limits
    supply = queue.simulate(
        file.moves, given.pop(), machine, file.events, share(progress, 0.2, 1.0), cancel, plan=plan, spare=(room, depart, held)
    )
    least, none = supply.least, np.empty(0)
    supply = replace(supply, arrive=none, held=np.empty(0, np.int32))
    return Run(
        machine, supply.plan.seconds, supply.depart, supply.reserve_ms, supply.settled, capped, supply.stops, supply.dips,
        supply.saves, supply.stretches, supply.risk, least, supply.waited_s, supply.anywhere,
    )  # fmt: skip


def heights(file: JobFile, run: Run) -> Heights:
    """Return by layer, or by turn of a spiral, what saves and random stalls do there, whenever they come."""
    return by_height(file.shape.layer, file.layers, run.depart_s, run.risk, run.anywhere)
