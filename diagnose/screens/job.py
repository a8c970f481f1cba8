"""Attaching the job file: its path, the printer it ran on, and a reading that shows how far it is and can be stopped."""

from __future__ import annotations

import os
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from textual import on, work
from textual.app import ComposeResult
from textual.binding import Binding
from textual.containers import Vertical
from textual.content import Content
from textual.message import Message
from textual.screen import ModalScreen
from textual.suggester import Suggester
from textual.widgets import Input, OptionList, Static
from textual.worker import Worker, WorkerState, get_current_worker

from diagnose.errors import BadInput, Cancelled
from diagnose.knowledge.cards import Printer
from diagnose.screens import look
from diagnose.screens.dialogs import DIALOG_CSS, Choice, ShortInput
from diagnose.screens.rows import KeyLine, TooSmall
from diagnose.triage import Triage

if TYPE_CHECKING:
    from diagnose.toolpath.job import Job

LONGEST_PATH = 4096
NO_CARD = "I don't know, or none of these"
OWN_CARD = "A card file of my own"
PREPARING = "preparing (the first time takes some seconds)"


class PathSuggester(Suggester):
    """Completes a path with the first file or folder that begins like it."""

    def __init__(self) -> None:
        super().__init__(use_cache=False, case_sensitive=True)

    async def get_suggestion(self, value: str) -> str | None:
        """Return the completed path, or None."""
        return completed(value)


def completed(value: str) -> str | None:
    """Return a typed path completed as far as only one entry, or the first of several, allows; None when none fits."""
    if not value.strip() or value.strip()[0] in QUOTES:
        return None
    folder, slash, start = value.rpartition("/")
    try:
        place = _expanded(folder + slash) if slash else Path()
        found = sorted(p for p in place.iterdir() if p.name.startswith(start) and (start or p.name[0] != "."))
        if not found:
            return None
        return f"{folder}{slash}{found[0].name}{'/' if found[0].is_dir() else ''}"
    except (OSError, ValueError):  # ValueError: a null character
        return None


QUOTES = "'\""


def unquoted(typed: str) -> str:
    """Return a path without the quotes around it that a terminal puts there when a file is dragged into it."""
    typed = typed.strip()
    return typed[1:-1] if len(typed) > 1 and typed[0] in QUOTES and typed[0] == typed[-1] else typed


def _expanded(typed: str) -> Path:
    """Return a path with `~` filled in where there is such a user; else as it was typed."""
    return Path(os.path.expanduser(typed))  # noqa: PTH111  (the method raises where there is no such user)


class ReadingBar(Static):
    """How far the reading is, as a bar, a number and words."""

    DEFAULT_CSS = "ReadingBar { height: auto; padding: 0 2; }"

    def show(self, done: float, what: str) -> None:
        """Show a share of 0 to 1 and what is being done."""
        self.update(
            Content.assemble((look.bar(done, 16), look.ACCENT), f" {100 * done:3.0f} %  ", (look.plain(what), look.QUIET))
        )


class AttachJob(ModalScreen[bool]):
    """Choose the job file and the printer card, then read. The result says whether a job was attached."""

    DEFAULT_CSS = DIALOG_CSS.format(name="AttachJob") + """
    AttachJob > Vertical { height: 22; }
    AttachJob .label { height: auto; padding: 0 2; color: $quiet; }
    AttachJob Input { border: none; height: 1; margin: 0 2 1 2; padding: 0; background: $panel; }
    AttachJob Input:focus { border: none; }
    AttachJob Choice { margin: 0 1; min-height: 4; }
    AttachJob #own-card { margin: 0 2; }
    AttachJob #said { height: auto; padding: 0 2; }
    AttachJob KeyLine { dock: none; }
    """

    BINDINGS = [
        Binding("escape", "stop", "Stop, or back", key_display="esc", id="stop-reading",
                tooltip="Stop the reading; when nothing is being read, go back."),
        Binding("tab", "complete", "Complete, or next field", key_display="tab", id="complete-path",
                tooltip="Take the proposed path; when there is none, go to the next field."),
    ]  # fmt: skip

    class Progressed(Message):
        """The reading went on."""

        def __init__(self, token: object, done: float, what: str) -> None:
            super().__init__()
            self.token, self.done, self.what = token, done, what

    class JobRead(Message):
        """The job file was read."""

        def __init__(self, token: object, job: Job, weighed: dict[str, Any] | None) -> None:
            super().__init__()
            self.token, self.job = token, job
            self.weighed = weighed
            """What the marks on the case say on it; None without marks."""

    def __init__(self, triage: Triage) -> None:
        super().__init__()
        self.triage = triage
        self.cards: Sequence[Printer] = list(triage.knowledge.printers.values())
        self.warnings: Sequence[str] = ()
        self.token: object = None
        """Of the reading under way; what an older one still has to say is not listened to."""

    def compose(self) -> ComposeResult:
        """Lay out path, cards and progress."""
        with Vertical() as box:
            box.border_title = "Attach the job file"
            yield Static(Content("Path of the job file (G-code) of this print; enter goes on"), markup=False, classes="label")
            yield ShortInput(max_length=LONGEST_PATH, suggester=PathSuggester(), select_on_focus=False)
            yield Static(Content("Printer it ran on; enter reads the file"), markup=False, classes="label")
            yield Choice([*(self._card_row(card) for card in self.cards), self._own_card, self._no_card])
            yield ShortInput(
                max_length=LONGEST_PATH, suggester=PathSuggester(), select_on_focus=False, id="own-card",
                placeholder="path of the card file (YAML); enter reads the job",
            )  # fmt: skip
            yield Static(id="said", markup=False)
            yield ReadingBar()
            yield KeyLine()
        yield TooSmall()

    def on_mount(self) -> None:
        """Start from what the case already knows."""
        job = self.triage.case.job
        if job:
            self.query_one(Input).value = str(job.get("path", ""))
        ids = [card.id for card in self.cards]
        chosen = self.triage.case.printer
        own = self.query_one("#own-card", Input)
        own.display = chosen is not None and chosen not in ids
        own.value = chosen or "" if own.display else ""
        self.query_one(Choice).highlighted = ids.index(chosen) if chosen in ids else len(ids) if own.display else 0
        self.query_one(ReadingBar).display = False
        self.query_one("#said", Static).display = False
        self.query_one(Input).focus()

    @staticmethod
    def _card_row(card: Printer) -> Callable[[int], Content]:
        return lambda width: look.hang(Content(""), card.name, width)

    @staticmethod
    def _own_card(width: int) -> Content:
        words = Content.assemble(OWN_CARD, ("  enter asks for its path", look.QUIET))
        return look.hang(Content(""), words, width)

    @staticmethod
    def _no_card(width: int) -> Content:
        words = Content.assemble(NO_CARD, ("  nothing is then said of stops and reserve", look.QUIET))
        return look.hang(Content(""), words, width)

    @on(Input.Submitted)
    def take_path(self, event: Input.Submitted) -> None:
        """Go on to the printer once the path leads to a file; read on the card whose path was given."""
        event.stop()
        if event.input.id == "own-card":
            self._read_on_own_card(event.value)
        elif self._path() is not None:
            self._say("")
            self.query_one(Choice).focus()

    @on(Input.Changed)
    def path_changed(self, event: Input.Changed) -> None:
        """What was said of the old path holds no more."""
        event.stop()
        if self.token is None:
            self._say("")

    @on(OptionList.OptionSelected)
    def take_card(self, event: OptionList.OptionSelected) -> None:
        """Read the file on the chosen printer, or ask for the path of its card."""
        event.stop()
        own = self.query_one("#own-card", Input)
        own.display = event.option_index == len(self.cards)
        if own.display:
            own.focus()
            return
        self._read_on(self.cards[event.option_index].id if event.option_index < len(self.cards) else None)

    def _read_on_own_card(self, typed: str) -> None:
        path = unquoted(typed)
        if not path:
            self._say("Type the path of the card file, or drag the file into the window.")
            return
        self._read_on(str(_expanded(path)))

    def _read_on(self, chosen: str | None) -> None:
        path = self._path()
        if path is None or self.token is not None:
            return
        try:
            if chosen != self.triage.case.printer:
                self.triage.choose_printer(chosen)
        except BadInput as error:
            self._complain(error)
            return
        self._say("")
        self.token = object()
        bar = self.query_one(ReadingBar)
        bar.display = True
        bar.show(0.0, PREPARING)
        self.read_job(path, self.token)

    @work(thread=True, exclusive=True, exit_on_error=False, group="job")
    def read_job(self, path: Path, token: object) -> None:
        """Read the job on a thread of its own."""
        worker = get_current_worker()

        def progress(done: float, what: str) -> None:
            self.post_message(self.Progressed(token, done, what))

        job = self.triage.read_job(path, progress, lambda: worker.is_cancelled)
        marks = self.triage.marks
        weighed = self.triage.weigh(marks, job, progress, lambda: worker.is_cancelled) if marks is not None else None
        self.post_message(self.JobRead(token, job, weighed))

    def on_attach_job_progressed(self, event: Progressed) -> None:
        """Show how far the reading is."""
        if event.token is self.token:
            self.query_one(ReadingBar).show(event.done, event.what)

    def on_attach_job_job_read(self, event: JobRead) -> None:
        """Take the job into the case."""
        if event.token is not self.token:
            return
        self.token = None
        try:
            self.triage.attach(event.job, event.weighed)
        except BadInput as error:
            self._complain(error)
            return
        self.warnings = event.job.warnings
        self.dismiss(True)

    def on_worker_state_changed(self, event: Worker.StateChanged) -> None:
        """The one door for readings that failed."""
        if event.state is not WorkerState.ERROR or self.token is None:
            return
        event.stop()
        error = event.worker.error
        self._idle()
        if isinstance(error, BadInput):
            self._complain(error)
        elif isinstance(error, Cancelled):
            self._say("Stopped. Nothing was changed.")
        else:
            self._say(f"The reader failed on this file ({type(error).__name__}: {error}). The case is as it was.")

    def action_stop(self) -> None:
        """Stop the reading, or go back."""
        if self.token is None:
            self.dismiss(False)
            return
        self._idle()
        self.workers.cancel_group(self, "job")
        self._say("Stopped. The job file was not attached.")

    def action_complete(self) -> None:
        """Take the proposed path, or go to the next field."""
        line = self.focused
        proposed = completed(line.value) if isinstance(line, Input) else None
        if isinstance(line, Input) and proposed and proposed != line.value:
            line.value = proposed
            line.cursor_position = len(proposed)
        else:
            self.focus_next()

    def _path(self) -> Path | None:
        typed = unquoted(self.query_one(Input).value)
        if not typed:
            self._say("Type the path of the file, or drag the file into the window.")
            return None
        path = _expanded(typed)
        try:
            kind = "folder" if path.is_dir() else "file" if path.is_file() else ""
        except (OSError, ValueError):
            kind = ""
        if kind == "file":
            return path
        self._say(
            "That is a folder: go on typing the name of the file in it." if kind else
            f"There is no such file: {path}. Look at the spelling; tab completes."
        )  # fmt: skip
        return None

    def _idle(self) -> None:
        self.token = None
        self.query_one(ReadingBar).display = False

    def _complain(self, error: BadInput) -> None:
        self._idle()
        place = f"{error.where}: " if error.where else ""
        self._say(f"{place}{look.sentence(error.what)} {look.sentence(error.hint)}")

    def _say(self, text: str) -> None:
        said = self.query_one("#said", Static)
        said.update(Content(look.plain(text)))
        said.display = bool(text)
