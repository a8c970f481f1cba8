"""A job file read, and run on a machine: the two halves of everything the engine knows of it.

The half without a machine (`JobFile`) is what the file says by itself; the other (`Run`) is what one machine makes of
it. A machine is changed by running again, never by reading again.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from functools import cached_property
from pathlib import Path
from typing import Any

import numpy as np

from diagnose.errors import Cancelled
from diagnose.toolpath import queue, speeds
from diagnose.toolpath.advice import Advice, advise
from diagnose.toolpath.columns import Bools, Events, Floats, Moves, Trouble
from diagnose.toolpath.findings import Finding, Ground, find
from diagnose.toolpath.machine import Machine
from diagnose.toolpath.moves import Counts, interpret
from diagnose.toolpath.shape import Shape, shape
from diagnose.toolpath.starvation import Dips, Risk, Saves, Stops, Stretches
from diagnose.toolpath.words import load_bytes, read_words

Progress = Callable[[float, str], None]
Cancel = Callable[[], bool]

SLOWEST = 0.1
"""mm/s; a move for which the job asks less, or nothing, is timed at this."""


@dataclass(eq=False)
class JobFile:
    """What a job file says by itself: its motion, its commands, its shape. No machine is needed."""

    path: Path
    bytes: int
    lines: int
    moves: Moves
    events: Events
    shape: Shape
    trouble: Trouble
    notes: list[str]
    """What had to be inferred, such as the extruder mode."""
    assumed: frozenset[str]
    """Numbers that the job does not state and a common value stands for: retract, flow, feed."""
    counts: Counts

    @property
    def length(self) -> Floats:
        """(n,) mm travelled by the head in each move."""
        return self.shape.length

    @cached_property
    def nominal_s(self) -> Floats:
        """(n,) s each move takes at the speed asked for, without gathering speed or braking."""
        path = np.where(self.length > 0, self.length, np.abs(self.moves.e))
        return path / np.maximum(np.nan_to_num(self.moves.feed), SLOWEST)

    @property
    def layers(self) -> int:
        """Number of layers; turns count as layers in a spiral."""
        return len(self.shape.layer_z)


@dataclass(frozen=True, slots=True, eq=False)
class Run:
    """One job file run on one machine. Arrays (n,) unless said otherwise."""

    machine: Machine
    seconds: Floats
    """s of each move with a supply that never falls behind."""
    depart_s: Floats
    """s from the start of the job to the end of each move, stops and waits included."""
    supply_s: Floats
    """s that card or cable and board need to supply each move."""
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

    @property
    def time_s(self) -> float:
        """Length of the job in s, what a person does at pauses left out."""
        return float(self.depart_s[-1]) if len(self.depart_s) else 0.0


@dataclass(eq=False)
class Job:
    """A job file, its run where a machine was given, and what was found."""

    file: JobFile
    run: Run | None
    findings: list[Finding]
    warnings: list[str] = field(default_factory=list)
    advice: Advice | None = None
    """What would keep the job from starving; None until `advise` has been asked."""

    def on(self, machine: Machine | None, progress: Progress | None = None, cancel: Cancel | None = None) -> Job:
        """Return the same job on another machine, or on none, without reading the file again."""
        return judge(self.file, None if machine is None else run(self.file, machine, progress, cancel))

    def advise(self, progress: Progress | None = None, cancel: Cancel | None = None) -> Advice | None:
        """Find with what the job would not starve on its machine, and keep it; None without a machine.

        Takes some fifty runs of the engine: worth a progress bar.
        """
        if self.run is not None and self.advice is None:
            self.advice = advise(self.file.moves, self.run.machine, self.file.events, progress, cancel)
        return self.advice

    def reserve_by_layer(self) -> tuple[Floats, Floats]:
        """Return (k,) heights in mm and the least settled reserve in ms of each layer drawn; empty without a run."""
        if self.run is None:
            return np.zeros(0), np.zeros(0)
        chosen = np.flatnonzero(self.run.settled & (self.file.shape.layer >= 0) & (self.file.moves.e > 0))
        least = np.full(self.file.layers, np.inf)
        np.minimum.at(least, self.file.shape.layer[chosen], self.run.reserve_ms[chosen])
        known = np.isfinite(least)
        return self.file.shape.layer_z[known], least[known]

    def demand_by_layer(self) -> tuple[Floats, Floats]:
        """Return (layers,) heights in mm and mean moves a second asked for."""
        layer = self.file.shape.layer
        inside = layer >= 0
        count = np.bincount(layer[inside], minlength=self.file.layers)
        spent = np.bincount(layer[inside], self.file.nominal_s[inside], minlength=self.file.layers)
        return self.file.shape.layer_z, count / np.maximum(spent, 1e-9)

    def summary(self, most: int = 1000) -> dict[str, Any]:
        """Return what `toolpath` prints as JSON; lists of places hold at most `most` entries, counts count all."""
        from diagnose.toolpath.summary import summary

        return summary(self, most)


def read_job(
    path: Path | str,
    machine: Machine | None = None,
    *,
    progress: Progress | None = None,
    cancel: Cancel | None = None,
) -> Job:
    """Read a job file, run it on the machine where one is given, and return what was found.

    Parameters
    ----------
    progress
        Called with (done from 0 to 1, what is being done).
    cancel
        Asked between steps; when it answers True, `Cancelled` is raised.

    Raises
    ------
    BadInput
        When the file is missing, empty, no G-code or without motion, or the machine's numbers make no sense.
    """
    file = read_file(path, _share(progress, 0.0, 0.6), cancel)
    ran = None if machine is None else run(file, machine, _share(progress, 0.6, 0.9), cancel)
    if progress:
        progress(0.9, "findings")
    job = judge(file, ran)
    if progress:
        progress(1.0, "done")
    return job


def read_file(path: Path | str, progress: Progress | None = None, cancel: Cancel | None = None) -> JobFile:
    """Read the half of a job that needs no machine: bytes to words, moves and shape."""
    path = Path(path)
    _ask(cancel)
    data = load_bytes(path)
    size, lines = len(data), int(np.count_nonzero(data == ord("\n"))) + int(data[-1] != ord("\n"))
    words = read_words(data, _share(_asking(progress, cancel), 0.0, 0.5))
    del data
    _ask(cancel)
    _say(progress, 0.5, "moves")
    read = interpret(words)
    del words
    _ask(cancel)
    _say(progress, 0.7, "shape")
    found = shape(read.moves, read.events, None)
    _ask(cancel)
    _say(progress, 1.0, "shape")
    return JobFile(
        path, size, lines, read.moves, read.events, found, read.trouble, list(read.notes),
        read.assumed, read.counts,
    )  # fmt: skip


def run(file: JobFile, machine: Machine, progress: Progress | None = None, cancel: Cancel | None = None) -> Run:
    """Run a job file on a machine: speeds, queue and supply, stops and dips."""
    limits = speeds.limits(file.moves, machine, file.events)
    _ask(cancel)
    supply = queue.simulate(file.moves, limits, machine, file.events, _share(progress, 0.1, 0.9), cancel)
    _say(progress, 0.9, "look-ahead")
    capped = speeds.held_by_queue(limits, supply.plan)
    return Run(
        machine, supply.plan.seconds, supply.depart, queue.supply_times(file.moves, machine), supply.reserve_ms,
        supply.settled, capped, supply.stops, supply.dips, supply.saves, supply.stretches, supply.risk,
        supply.least, supply.waited_s,
    )  # fmt: skip


def judge(file: JobFile, ran: Run | None) -> Job:
    """Return the job with everything that can be found from the file and its run."""
    ground = Ground(file, ran)
    return Job(file, ran, find(ground), _warnings(file, ran))


def _warnings(file: JobFile, ran: Run | None) -> list[str]:
    """Return what a user should know before believing the rest, each a sentence with a hint."""
    found = list(file.notes)
    for reason, count in sorted(file.trouble.counts.items()):
        first = ", ".join(str(line) for line in file.trouble.first_lines.get(reason, [])[:3])
        lines = "line" if count == 1 else f"{count} lines, such as"
        found.append(f"{reason}: {lines} {first}" if first else f"{reason}: {count} lines")
    if ran is None:
        found.append(
            "no printer card was given, so times are those asked for and nothing is said of stops and reserve: "
            "name a card (the printers can be listed) or the file of your own"
        )
    return found


def _ask(cancel: Cancel | None) -> None:
    if cancel is not None and cancel():
        raise Cancelled


def _say(progress: Progress | None, done: float, what: str) -> None:
    if progress is not None:
        progress(done, what)


def _asking(progress: Progress | None, cancel: Cancel | None) -> Progress:
    """Return a progress that also asks whether to stop, for steps that only report."""

    def report(done: float, what: str) -> None:
        _ask(cancel)
        _say(progress, done, what)

    return report


def _share(progress: Progress | None, low: float, high: float) -> Progress | None:
    """Return a progress that fills the part from low to high of a longer one."""
    if progress is None:
        return None
    return lambda done, what: progress(low + (high - low) * done, what)
