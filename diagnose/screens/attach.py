"""Attaching the job file: its path, and the printer it ran on. The reading itself goes on behind the screens."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path

from textual import on
from textual.app import ComposeResult
from textual.binding import Binding
from textual.containers import Vertical
from textual.content import Content
from textual.screen import ModalScreen
from textual.widgets import Input, OptionList, Static

from diagnose.errors import BadInput
from diagnose.knowledge.cards import Printer
from diagnose.screens import look
from diagnose.screens.dialogs import DIALOG_CSS, Choice
from diagnose.screens.paths import PathLine, expanded, file_at, unquoted
from diagnose.screens.rows import KeyLine, TooSmall
from diagnose.triage import Triage

NO_CARD = "I don't know, or none of these"
OWN_CARD = "A card file of my own"


class AttachJob(ModalScreen[Path | None]):
    """Choose the job file and the printer card. The result is the path of the file to read; the card is on the case then."""

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
        Binding("escape", "close", "Back", key_display="esc", id="leave-attach", tooltip="Back, attaching nothing."),
    ]  # fmt: skip

    def __init__(self, triage: Triage) -> None:
        super().__init__()
        self.triage = triage
        self.cards: Sequence[Printer] = list(triage.knowledge.printers.values())

    def compose(self) -> ComposeResult:
        """Lay out path and cards."""
        with Vertical() as box:
            box.border_title = "Attach the job file"
            yield Static(Content("Path of the job file (G-code) of this print; enter goes on"), markup=False, classes="label")
            yield PathLine()
            yield Static(Content("Printer it ran on; enter reads the file"), markup=False, classes="label")
            yield Choice([*(self._card_row(card) for card in self.cards), self._own_card, self._no_card])
            yield PathLine("path of the card file (YAML); enter reads the job", id="own-card")
            yield Static(id="said", markup=False)
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
        self._read_on(str(expanded(path)))

    def _read_on(self, chosen: str | None) -> None:
        path = self._path()
        if path is None:
            return
        try:
            if chosen != self.triage.case.printer:
                self.triage.choose_printer(chosen)
        except BadInput as error:
            place = f"{error.where}: " if error.where else ""
            self._say(f"{place}{look.sentence(error.what)} {look.sentence(error.hint)}")
            return
        self.dismiss(path)

    def action_close(self) -> None:
        """Attach nothing."""
        self.dismiss(None)

    def _path(self) -> Path | None:
        found = file_at(self.query_one(Input).value, "the file")
        if isinstance(found, Path):
            return found
        self._say(found)
        return None

    def _say(self, text: str) -> None:
        said = self.query_one("#said", Static)
        said.update(Content(look.plain(text)))
        said.display = bool(text)
