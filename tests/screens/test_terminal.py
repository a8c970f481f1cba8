"""The app in a real terminal, driven by keys as a person would: from a new case to a closed one, and through what terminals do."""

from __future__ import annotations

import contextlib
import os
import re
import shutil
import subprocess
import sys
import time
import uuid
from collections.abc import Iterator
from pathlib import Path

import pytest

from diagnose.cases.book import Casebook
from diagnose.coupons.spiral import lamp_shade, write

pytestmark = pytest.mark.skipif(shutil.which("tmux") is None, reason="no tmux here: there is no terminal to draw on")
ROOT = Path(__file__).resolve().parents[2]
PATIENCE_S = 60
PROMPT = r"bash-[\d.]+[#$]"


class Window:
    """A terminal with a shell in it."""

    def __init__(self, folder: Path, width: int = 80, height: int = 24, environment: str = "") -> None:
        self.socket = f"diagnose-{uuid.uuid4().hex[:8]}"
        run = f"cd {ROOT} && {environment} {sys.executable} -m diagnose --casebook {folder}"
        self.tmux("-f", "/dev/null", "new-session", "-d", "-x", str(width), "-y", str(height), "env -i HOME=/nowhere PATH=$PATH "
                  f"LANG={os.environ.get('LANG') or 'C.UTF-8'} TERM=screen-256color XDG_CACHE_HOME={folder}/cache bash --norc -i")  # fmt: skip
        self.keys("-l", run)
        self.keys("Enter")

    def tmux(self, *words: str) -> str:
        done = subprocess.run(["tmux", "-L", self.socket, *words], capture_output=True, text=True, timeout=30)
        return done.stdout

    def keys(self, *keys: str) -> None:
        self.tmux("send-keys", *keys)

    def type(self, text: str) -> None:
        self.keys("-l", text)

    @property
    def screen(self) -> str:
        """What stands on the screen, as one line of words."""
        return " ".join(self.tmux("capture-pane", "-p").split())

    def wait(self, *told: str) -> str:
        """Wait until all of these stand on the screen; returns it."""
        end = time.monotonic() + PATIENCE_S
        while not all(re.search(t, self.screen) for t in told):
            assert time.monotonic() < end, f"never saw {told} on:\n{self.tmux('capture-pane', '-p')}"
            time.sleep(0.1)
        return self.screen

    def press(self, key: str, *told: str) -> str:
        """Press a key and wait until this stands on the screen."""
        self.keys(key)
        return self.wait(*told)


@contextlib.contextmanager
def window(folder: Path, **how: object) -> Iterator[Window]:
    one = Window(folder, **how)  # type: ignore[arg-type]
    try:
        one.wait(r"causes and \d+ questions are known")
        yield one
    finally:
        one.tmux("kill-server")


def test_from_a_new_case_to_a_closed_one(tmp_path: Path) -> None:
    job = tmp_path / "shade.gcode"
    job.write_text(write(lamp_shade()))
    book = tmp_path / "book"
    with window(book) as w:
        w.press("n", "What is the part")
        w.type("lamp [b]shade[/b] 14")
        w.press("Enter", r"lamp \[b\]shade", "smoke, a burning smell")
        w.press("1", "main thing wrong")
        w.press("1", "Typed 1: enter takes it")
        w.press("Enter", "2 answers, saved")
        w.press("j", "Path of the job file")
        w.type(str(job))
        w.press("Enter", "enter reads the file")
        time.sleep(1.0)  # the words stood there before: the cursor has to reach the cards
        w.press("Enter", "shade.gcode", r"[\d,]+ moves, \d+ layers", "predicted stop", "Found in the job file")
        w.press("n", "stands still for .*a checkpoint is saved")
        w.press("Escape", "2 answers, job read", "Moves run out while the printer saves")
        w.press("c", "What to try", "Expected to cost")
        for _ in range(20):
            if re.search(r"› ?\d+ Try: ", w.screen):
                break
            w.keys("Down")
            time.sleep(0.2)
        w.press("Enter", "What came of it", "The fault is gone")
        w.press("Enter", "Cured by", "The case is closed")
        w.press("Escape", "The case is closed. Cured by")
        w.press("q", "cured")
        w.press("q", PROMPT)
    (case,) = Casebook(book).cases()
    assert case.closed and case.title == "lamp [b]shade[/b] 14" and case.cured is not None
    assert (book / f"{case.id}.yaml").is_file(), "a closed case is a file of its own"


def test_what_terminals_do_breaks_nothing(tmp_path: Path) -> None:
    book = tmp_path / "book"
    with window(book, width=100, height=30) as w:
        w.press("n", "What is the part")
        w.tmux("set-buffer", "x" * 10_000 + "\x1b[31m")
        w.tmux("paste-buffer", "-p")
        w.wait("x{60}")
        w.press("Enter", "smoke, a burning smell")
        w.press("1", "main thing wrong")
        w.tmux("set-buffer", "7" * 10_000)
        w.tmux("paste-buffer", "-p")  # where no line is typed into, a paste is nothing
        time.sleep(1.0)
        assert "1 answer, saved" in w.screen
        for width, height in ((40, 10), (20, 5), (200, 60), (80, 24)):
            w.tmux("resize-window", "-x", str(width), "-y", str(height))
            w.wait("main thing|Window too small|Window too sm")
        w.wait("main thing wrong")
        w.press("C-z", rf"Stopped|{PROMPT}")
        w.type("fg")
        w.press("Enter", "main thing wrong", "1 answer, saved")
        w.press("1", "Typed 1")
        w.press("Enter", "2 answers, saved")
        pid = w.tmux("list-panes", "-F", "#{pane_pid}").strip()
        subprocess.run(["pkill", "-KILL", "-P", pid], check=False)
        w.wait(rf"Killed|{PROMPT}")
    (case,) = Casebook(book).cases()
    assert list(case.answers) == ["danger-signs", "defect"] and len(case.title) <= 120


@pytest.mark.parametrize("environment", ["LC_ALL=POSIX PYTHONCOERCECLOCALE=0 PYTHONUTF8=0", "TERM=linux", "NO_COLOR=1"])
def test_a_terminal_without_unicode_or_colours_shows_all_there_is_to_read(tmp_path: Path, environment: str) -> None:
    with window(tmp_path / "book", environment=environment) as w:
        w.press("n", "What is the part")
        w.type("tray")
        w.press("Enter", "smoke, a burning smell")
        w.press("1", "main thing wrong", "Blobs or pimples")
        text = w.press("?", "Keys that work here")
        if "NO_COLOR" not in environment:
            assert text.isascii(), [c for c in text if not c.isascii()]
        w.press("Escape", "main thing wrong")
        w.press("q", "tray")
