"""A job file read, run on a machine where one is given, and everything that was found in it."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np

from diagnose.toolpath.advice import Advice, advise
from diagnose.toolpath.columns import Floats
from diagnose.toolpath.findings import Finding, Ground, find
from diagnose.toolpath.jobfile import JobFile, read_file
from diagnose.toolpath.machine import Machine
from diagnose.toolpath.prepare import prepare
from diagnose.toolpath.progress import Cancel, Progress, share
from diagnose.toolpath.run import Run, run
from diagnose.toolpath.sums import reserves

__all__ = ["Job", "JobFile", "Run", "read_file", "read_job", "run"]


@dataclass(eq=False)
class Job:
    """A job file, its run where a machine was given, and what was found."""

    file: JobFile
    run: Run | None
    findings: list[Finding]
    warnings: list[str] = field(default_factory=list)
    advice: Advice | None = None
    """What would keep the job from starving; None until `advise` has been asked."""
    as_read: JobFile | None = None
    """The file before a card told how long G10 and G11 are."""

    def on(self, machine: Machine | None, progress: Progress | None = None, cancel: Cancel | None = None) -> Job:
        """Return the same job on another machine, or on none, without reading the file again."""
        return _on(self.as_read or self.file, machine, progress, cancel)

    def advise(self, progress: Progress | None = None, cancel: Cancel | None = None) -> Advice | None:
        """Find with what the job would not starve on its machine, and keep it; None without a machine.

        Takes some fifty runs of the engine: worth a progress bar.
        """
        if self.run is not None and self.advice is None:
            self.advice = advise(
                self.file.moves, self.run.machine, self.file.events, progress, cancel, job=self.file.limits
            )
        return self.advice

    def reserve_by_layer(self) -> tuple[Floats, Floats]:
        """Return (k,) heights in mm and the least settled reserve in ms of each layer drawn; empty without a run."""
        if self.run is None:
            return np.zeros(0), np.zeros(0)
        least, _ = reserves(self.file.moves, self.file.shape, self.run.settled, self.run.reserve_ms)
        known = np.isfinite(least)
        return self.file.shape.layer_z[known], least[known]

    def demand_by_layer(self) -> tuple[Floats, Floats]:
        """Return (layers,) heights in mm and mean moves a second asked for."""
        shape = self.file.shape
        count = np.bincount(shape.layer[shape.layer >= 0], minlength=self.file.layers)
        return shape.layer_z, count / np.maximum(self.file.sums.seconds, 1e-9)


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
    prepare(machine, progress, cancel)
    file = read_file(path, share(progress, 0.0, 0.6), cancel)
    job = _on(file, machine, share(progress, 0.6, 1.0), cancel)
    if progress:
        progress(1.0, "done")
    return job


def _on(
    read: JobFile, machine: Machine | None, progress: Progress | None = None, cancel: Cancel | None = None
) -> Job:
    """Run a file as it was read on a machine, whose retractions count where the job states none, and judge it."""
    file = read
    if machine is not None and "retract" in read.assumed:
        # What findings say of the job alone stays as it was: the length is still not the job's.
        file = replace(read.with_retraction(machine.retract_length, machine.retract_speed), assumed=read.assumed)
    ground = Ground(file)
    # Its thread ends with its one piece of work.
    alone = ThreadPoolExecutor(1).submit(_find_alone, ground)
    ran = None if machine is None else run(file, machine, share(progress, 0.0, 0.8), cancel)
    if progress:
        progress(0.8, "findings")
    # The outer wall may still be looked at beside: what rests on the run need not wait for that.
    on_run = [] if ran is None else find(ground.on(ran))
    findings = sorted(alone.result() + on_run, key=lambda finding: finding.id)
    return Job(file, ran, findings, _warnings(file, ran), as_read=read)


def _find_alone(ground: Ground) -> list[Finding]:
    """Return what the file says by itself, once its whole shape is known: until then its thread would only slow down a run."""
    _ = ground.file.shape.overhang
    return find(ground)


def _warnings(file: JobFile, ran: Run | None) -> list[str]:
    """Return what a user should know before believing the rest, each a sentence with a hint."""
    found = list(file.notes)
    for reason, count in sorted(file.trouble.counts.items()):
        first = ", ".join(str(line) for line in file.trouble.first_lines.get(reason, [])[:3])
        lines = "line" if count == 1 else f"{count} lines, such as"
        found.append(f"{reason}: {lines} {first}" if first else f"{reason}: {count} lines")
    if ran is None:
        found.append(
            "no printer card was given: times are those that the job asks for, and nothing is said of stops and reserve"
        )
    return found
