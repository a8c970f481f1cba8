"""A killed app loses nothing that was answered."""

from __future__ import annotations

import asyncio
import contextlib
import fcntl
import os
import pty
import signal
import struct
import sys
import termios
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path

from diagnose.cases.book import Casebook
from tests.screens.stage import at_work, bench, words

ROOT = Path(__file__).resolve().parents[2]


class Terminal:
    """The app in a pseudo-terminal of 80 x 24; `drawn` is all it ever wrote."""

    def __init__(self, folder: Path) -> None:
        self.pid, self.end = pty.fork()
        if self.pid == 0:  # the child
            os.chdir(ROOT)
            os.environ.update(TERM="xterm-256color", PYTHONPATH=str(ROOT))
            os.execv(sys.executable, [sys.executable, "-m", "tests.screens.stage", str(folder)])
        fcntl.ioctl(self.end, termios.TIOCSWINSZ, struct.pack("HHHH", 24, 80, 0, 0))
        self.drawn = ""
        threading.Thread(target=self._read, daemon=True).start()

    def _read(self) -> None:
        with contextlib.suppress(OSError):
            while data := os.read(self.end, 65536):
                self.drawn += data.decode(errors="replace")

    def type(self, keys: str) -> None:
        os.write(self.end, keys.encode())

    def wait_for(self, true: Callable[[], bool]) -> None:
        end = time.monotonic() + 30
        while not true():
            assert time.monotonic() < end, self.drawn[-2000:]
            time.sleep(0.01)


@contextlib.contextmanager
def terminal(folder: Path) -> Iterator[Terminal]:
    run = Terminal(folder)
    try:
        yield run
    finally:
        with contextlib.suppress(ProcessLookupError):
            os.kill(run.pid, signal.SIGKILL)
        os.waitpid(run.pid, 0)
        with contextlib.suppress(OSError):
            os.close(run.end)


def test_an_app_killed_after_an_answer_resumes_with_that_answer(tmp_path: Path) -> None:
    def kept() -> dict[str, object]:
        cases = Casebook(tmp_path).cases()
        return dict(cases[0].answers) if cases else {}

    with terminal(tmp_path) as run:
        run.wait_for(lambda: "are known" in run.drawn)
        run.type("n")
        run.wait_for(lambda: "What is the part" in run.drawn)
        run.type("killed\r")
        run.wait_for(lambda: "What is wrong with the plate?" in run.drawn)
        run.type("2")
        run.wait_for(lambda: kept() == {"fault": ("lines",)})
        os.kill(run.pid, signal.SIGKILL)

    async def story() -> None:
        async with at_work(tmp_path) as pilot:
            assert bench(pilot).triage.case.answers == {"fault": ("lines",)}
            assert "killed" in words(pilot) and "1 answer, saved" in words(pilot)

    asyncio.run(story())
