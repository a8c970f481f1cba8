"""The answers given, on a page of their own where the screen is narrow."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from textual.app import ComposeResult
from textual.binding import Binding
from textual.containers import Vertical
from textual.screen import ModalScreen

from diagnose.screens.dialogs import DIALOG_CSS
from diagnose.screens.panels import GivenList
from diagnose.screens.rows import KeyLine, SaysWhyNot, TooSmall
from diagnose.triage import Given

MARKS = "="
"""What the page of answers closes with when the marks are wanted: no id of a question."""


class GivenPage(SaysWhyNot, ModalScreen[str | None]):
    """The answers on a narrow screen, where they have no band of their own."""

    DEFAULT_CSS = DIALOG_CSS.format(name="GivenPage") + """
    GivenPage > Vertical { height: 100%; }
    GivenPage KeyLine { dock: none; }
    """

    BINDINGS = [
        Binding("escape,q", "close", "Close", key_display="esc", id="close-answers", tooltip="Back to the question."),
    ]

    def __init__(self, given: Sequence[Given], take_back: Callable[[Given], Sequence[Given]]) -> None:
        super().__init__()
        self.given, self.take_back = given, take_back

    def compose(self) -> ComposeResult:
        """Lay out the list."""
        with Vertical() as box:
            box.border_title = "Answers given"
            yield GivenList()
            yield KeyLine()
        yield TooSmall()

    def on_mount(self) -> None:
        """Show the answers."""
        self.query_one(GivenList).show(self.given)

    def on_given_list_change_asked(self, event: GivenList.ChangeAsked) -> None:
        """Close with the question to answer again."""
        event.stop()
        self.dismiss(event.question)

    def on_given_list_marks_asked(self, event: GivenList.MarksAsked) -> None:
        """Close and show the marks."""
        event.stop()
        self.dismiss(MARKS)

    def on_given_list_take_back_asked(self, event: GivenList.TakeBackAsked) -> None:
        """Take an answer back and show what is left."""
        event.stop()
        self.query_one(GivenList).show(self.take_back(event.given))

    def action_close(self) -> None:
        """Close without a question."""
        self.dismiss(None)
