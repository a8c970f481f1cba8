"""Reading a job file behind the screens: they stay alive, say how far it is and how long it takes, and can stop it."""

from __future__ import annotations

import os
import sys
import threading
import time
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

from textual import work
from textual.app import App
from textual.content import Content
from textual.message import Message
from textual.signal import Signal
from textual.widgets import Static
from textual.worker import Worker, WorkerState, get_current_worker

from diagnose.errors import BadInput, Cancelled
from diagnose.screens import look

if TYPE_CHECKING:
    from diagnose.marks.skin import Skin
    from diagnose.toolpath.job import Job
    from diagnose.triage import Triage

PREPARING = "preparing (the first time takes some seconds)"
TELL_EVERY_S = 0.1
BACK = 5
"""Niceness of the thread that reads: a key is drawn in half the time, and beside a busy program it still has a quarter of a core."""
SURE_AFTER_S, SURE_FROM = 0.7, 0.05
"""Time spent, and share done, from which the time left is worth saying."""


class ReadingBar(Static):
    """How far the reading is, as a bar, a number and words."""

    DEFAULT_CSS = "ReadingBar { height: 1; padding: 0 2; text-wrap: nowrap; text-overflow: ellipsis; }"

    def show(self, done: float, what: str) -> None:
        """Show a share of 0 to 1 and what is being done."""
        line = Content.assemble((look.bar(done, 16), look.ACCENT), f" {100 * done:3.0f} %  ", (look.plain(what), look.QUIET))
        self.update(line, layout=False)  # ten times a second: laying the screen out for each would hold keys up


def _stand_back() -> None:
    """Let whoever draws the screen go first: threads have priorities of their own on some systems, and their children inherit them."""
    if sys.platform == "linux":
        os.setpriority(os.PRIO_PROCESS, threading.get_native_id(), BACK)


@dataclass
class Reading:
    """A job file being read for a case, or one whose reading failed."""

    triage: Triage
    path: Path
    again: bool
    """Whether it is on the case already, and read again for its picture alone."""
    started: float = field(default_factory=time.monotonic)
    done: float = 0.0
    what: str = PREPARING
    told: float = 0.0
    """When it was last told how far it is; s on the clock of `started`."""
    problem: str = ""
    """Why it failed, as sentences; empty while it goes on."""

    @property
    def left_s(self) -> float | None:
        """Time left in s, as the share done so far suggests; None while that is a guess."""
        spent = time.monotonic() - self.started
        if self.done < SURE_FROM or spent < SURE_AFTER_S:
            return None
        return spent * (1.0 - self.done) / self.done

    def say(self) -> str:
        """Return what is being done, and how long it will still take."""
        left = self.left_s
        return self.what + ("" if left is None else f", {max(left, 1):.0f} s left" if left < 90 else f", {left / 60:.0f} min left")


@dataclass(frozen=True)
class Picture:
    """A job that was read, and its surface unrolled; a sentence in place of that where it has none."""

    job: Job
    skin: Skin | str


class JobReader(App[int]):
    """The part of the app that reads job files. One at a time: the next one stops the one before.

    `reading_changed` is published with the reading whenever it goes on, and with None when it has ended or failed; screens that show
    it subscribe.
    """

    class Progressed(Message):
        """The reading went on."""

        def __init__(self, reading: Reading, done: float, what: str) -> None:
            super().__init__()
            self.reading, self.done, self.what = reading, done, what

    class JobRead(Message):
        """The job file was read."""

        def __init__(self, reading: Reading, picture: Picture, weighed: dict[str, Any] | None) -> None:
            super().__init__()
            self.reading, self.picture, self.weighed = reading, picture, weighed

    def __init__(self) -> None:
        super().__init__()
        self.reading: Reading | None = None
        self.reading_changed: Signal[Reading | None] = Signal(self, "reading-changed")
        self._picture: Picture | None = None

    def picture_of(self, triage: Triage) -> Picture | None:
        """Return the picture of the job on a case, where it was read by this run of the program."""
        path = (triage.case.job or {}).get("path")
        picture = self._picture
        return picture if picture is not None and path == str(picture.job.file.path.absolute()) else None

    def reading_of(self, triage: Triage) -> Reading | None:
        """Return the reading under way for a case, or the one that failed; None where there is none."""
        return self.reading if self.reading is not None and self.reading.triage is triage else None

    def read_job(self, triage: Triage, path: Path, again: bool = False) -> None:
        """Read a job file for a case on its printer and attach it; ``again``: it is on the case, only its picture is wanted."""
        self.reading = Reading(triage, path, again)
        self.reading_changed.publish(self.reading)
        self._read(self.reading)

    def stop_reading(self, triage: Triage | None = None) -> bool:
        """Stop the reading for a case, or any; returns False where there was none."""
        if self.reading is None or (triage is not None and self.reading.triage is not triage):
            return False
        under_way = not self.reading.problem
        self.reading = None
        self.workers.cancel_group(self, "job")
        self.reading_changed.publish(None)
        return under_way

    @work(thread=True, exclusive=True, exit_on_error=False, group="job")
    def _read(self, reading: Reading) -> None:
        from diagnose.marks.skin import find_skin
        from diagnose.triage.sources import prepare_engine

        worker = get_current_worker()

        def progress(done: float, what: str) -> None:
            self.post_message(self.Progressed(reading, done, what))

        def cancelled() -> bool:
            return worker.is_cancelled

        triage, marks = reading.triage, reading.triage.marks

        def read() -> tuple[Picture, dict[str, Any] | None]:
            if reading.again:
                job = triage.job_again(progress, cancelled)
                assert job is not None
            else:
                job = triage.read_job(reading.path, progress, cancelled)
            weighed = None
            if marks is not None and not reading.again:
                weighed = triage.weigh(marks, job, progress, cancelled)
            progress(1.0, "drawing the surface")
            try:
                return Picture(job, find_skin(job)), weighed
            except BadInput as error:
                return Picture(job, f"{look.sentence(error.what)} {look.sentence(error.hint)}".strip()), weighed

        # Compiling, once on a machine, has processes of its own; they would stand back behind everything else that runs here.
        prepare_engine(triage.knowledge, triage.case.printer, progress, cancelled)
        # A thread of its own, not one of the pool's: it stands back behind the one that draws, and would stay so.
        with ThreadPoolExecutor(1, initializer=_stand_back) as alone:
            picture, weighed = alone.submit(read).result()
        if not worker.is_cancelled:
            self.post_message(self.JobRead(reading, picture, weighed))

    def on_job_reader_progressed(self, event: Progressed) -> None:
        """Tell how far the reading is."""
        reading, now = event.reading, time.monotonic()
        if reading is not self.reading:
            return
        reading.done, reading.what = event.done, event.what
        if now - reading.told >= TELL_EVERY_S:  # each telling is drawn, and keys wait for what is drawn
            reading.told = now
            self.reading_changed.publish(reading)

    def on_job_reader_job_read(self, event: JobRead) -> None:
        """Take the job into its case."""
        reading = event.reading
        if reading is not self.reading:
            return
        try:
            if not reading.again:
                reading.triage.attach(event.picture.job, event.weighed)
        except BadInput as error:
            self.reading_failed(error)
            return
        self._picture, self.reading = event.picture, None
        self.reading_changed.publish(None)

    def reading_failed(self, error: BaseException | None) -> None:
        """Keep why the reading failed, for the room of the job to say."""
        reading = self.reading
        if reading is None or isinstance(error, Cancelled):
            return
        if isinstance(error, BadInput):
            place = f"{error.where}: " if error.where else ""
            reading.problem = f"{place}{look.sentence(error.what)} {look.sentence(error.hint)}".strip()
        else:
            reading.problem = f"The reader failed on this file ({type(error).__name__}: {error}). The case is as it was."
        self.reading_changed.publish(reading)

    def on_worker_state_changed(self, event: Worker.StateChanged) -> None:
        """The one door for readings that failed."""
        if event.worker.group == "job" and event.state is WorkerState.ERROR:
            self.reading_failed(event.worker.error)
