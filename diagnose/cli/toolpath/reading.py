"""Many jobs read at once, each on each printer asked for; one that cannot be read does not spoil the others."""

from __future__ import annotations

import os
import sys
import threading
import time
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from diagnose.cli.toolpath.draw import Pen
from diagnose.errors import BadInput, Cancelled
from diagnose.knowledge.cards import Printer
from diagnose.triage import machine_of

MOST_AT_ONCE = 8
"""Each job under way holds some times its size in memory."""


@dataclass
class Told:
    """One job on one printer: what was found, or why it could not be read."""

    path: Path
    printer: str | None
    """The printer card as the user named it."""
    summary: dict[str, Any] = field(default_factory=dict)
    stops: list[dict[str, Any]] = field(default_factory=list)
    """All of them, where the summary holds the first thousand."""
    error: BadInput | None = None

    def as_json(self) -> dict[str, Any]:
        """Return the job as ``--json`` prints it among several."""
        if self.error is None:
            return self.summary
        return {
            "job": str(self.path),
            "printer": self.printer,
            "error": {"what": self.error.what, "hint": self.error.hint, "where": self.error.where},
        }


Card = tuple[str | None, Printer | None]
"""A printer card as the user named it, and the card; both None for no printer."""


def read_all(
    jobs: Sequence[Path],
    cards: Sequence[Card],
    *,
    advised: bool = False,
    all_stops: bool = False,
    show: Callable[[float, int, str], None] | None = None,
) -> list[Told]:
    """Read each job once and run it on each card; returns them in the order given, cards of a job together.

    Jobs are read at the same time in threads: compiled loops let others run. ``show`` is called with the share done,
    the number of jobs finished and what is being done.
    """
    if len(jobs) > 1:
        # Once for all of them, before they set out side by side.
        from diagnose.toolpath.prepare import prepare

        first = next((c for _, c in cards if c), None)
        prepare(machine_of(first) if first else None, None if show is None else lambda done, what: show(0.0, 0, what))
    sizes = [_size(path) for path in jobs]
    bar = _Overall(sizes, show)
    stop = threading.Event()
    with ThreadPoolExecutor(max(1, min(len(jobs), os.cpu_count() or 1, MOST_AT_ONCE))) as pool:
        under_way = [
            pool.submit(_read, path, cards, advised, all_stops, bar.of(i), stop.is_set) for i, path in enumerate(jobs)
        ]
        try:
            return [told for one in under_way for told in one.result()]
        except BaseException:
            stop.set()
            for one in under_way:
                one.cancel()
            raise


def _read(
    path: Path,
    cards: Sequence[Card],
    advised: bool,
    all_stops: bool,
    progress: Callable[[float, str], None] | None,
    cancel: Callable[[], bool],
) -> list[Told]:
    from diagnose.toolpath.job import read_job
    from diagnose.toolpath.progress import share
    from diagnose.toolpath.summary import stop_json, summary

    if cancel():
        raise Cancelled
    told = [Told(path, name) for name, _ in cards]
    reading = 0.4 if advised else 0.8
    try:
        job = None
        for i, ((name, card), one) in enumerate(zip(cards, told, strict=True)):
            machine = machine_of(card) if card else None
            low, high = (reading * (i + k) / len(cards) for k in (0, 1))
            if job is None:
                job = read_job(path, machine, progress=share(progress, low, high), cancel=cancel)
            else:
                job = job.on(machine, share(progress, low, high), cancel)
            if advised:
                job.advise(share(progress, reading, 1.0), cancel)
            one.summary = summary(job, printer=name)
            if all_stops and job.run:
                one.stops = [stop_json(job.run.stops, k) for k in range(len(job.run.stops))]
    except BadInput as error:
        for one in told:
            one.error = error
    except MemoryError:
        for one in told:
            one.error = BadInput(
                "there is not enough memory to read this job", "close other programs, or read fewer jobs at once", str(path)
            )
    if progress:
        progress(1.0, "done")
    return told


def _size(path: Path) -> int:
    with suppress(OSError):
        return max(path.stat().st_size, 1)
    return 1


class _Overall:
    """How far all jobs together are, by bytes."""

    def __init__(self, sizes: Sequence[int], show: Callable[[float, int, str], None] | None) -> None:
        self._sizes, self._done, self._show = sizes, [0.0] * len(sizes), show
        self._lock = threading.Lock()

    def of(self, index: int) -> Callable[[float, str], None] | None:
        """Return the progress of one job."""
        if self._show is None:
            return None
        show = self._show

        def report(done: float, what: str) -> None:
            with self._lock:
                self._done[index] = max(done, self._done[index])
                share = sum(d * s for d, s in zip(self._done, self._sizes, strict=True)) / sum(self._sizes)
                show(share, sum(d >= 1 for d in self._done), what)

        return report


def progress_bar(quiet: bool, jobs: int, pen: Pen) -> Callable[[float, int, str], None] | None:
    """Return a bar on standard error, or None where nobody watches it. It wipes itself away at the end."""
    if quiet or not sys.stderr.isatty():
        return None
    shown = 0.0

    def show(done: float, finished: int, what: str) -> None:
        nonlocal shown
        now = time.monotonic()
        if done < 1 and now - shown < 0.05:
            return
        shown = now
        count = f"{finished} of {jobs} jobs" if jobs > 1 and done > 0 else what
        line = f"  {pen.bar(done, 30)} {done:4.0%}  {count}"
        sys.stderr.write("\r\x1b[K" if done >= 1 else f"\r\x1b[K{line[: pen.width - 1]}")
        sys.stderr.flush()

    return show
