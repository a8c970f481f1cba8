"""The first screen: a new case, or one to go on with. It stands before the rules are read."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime

from textual import events, on
from textual.app import ComposeResult
from textual.binding import Binding
from textual.content import Content
from textual.message import Message
from textual.screen import Screen
from textual.widgets import OptionList, Static

from diagnose.cases.journal import Case
from diagnose.screens import look
from diagnose.screens.dialogs import AskTitle
from diagnose.screens.rows import KeyLine, Rows, TooSmall


def when(changed: str) -> str:
    """Return a time of day today, else a date, as the clock on the wall shows them."""
    try:
        moment = datetime.fromisoformat(changed)
    except ValueError:
        return ""
    now = datetime.now(moment.tzinfo)
    return f"{moment:%H:%M}" if moment.date() == now.date() else f"{moment:%Y-%m-%d}"


class CaseList(Rows):
    """A row for a new case, then the open ones, last changed first."""

    def __init__(self) -> None:
        super().__init__(id="cases")
        self.cases: Sequence[Case] = ()

    def row(self, index: int, width: int) -> Content:
        """Return one case."""
        if index == 0:
            return Content.styled("New case", look.STRONG)
        case = self.cases[index - 1]
        answers = f"{len(case.answers)} answer{'' if len(case.answers) == 1 else 's'}"
        ended = "cured" if case.cured else case.outcome.replace("-", " ")
        state = f"{answers}{', job read' if case.job else ''}{f', {ended}' if ended else ''}  {when(case.changed):>10}"
        return look.spread(Content(look.plain(case.title) or case.id), look.styled("", "") + Content.styled(state, look.QUIET), width)


class StartScreen(Screen[None]):
    """New case, open cases, quit."""

    DEFAULT_CSS = """
    StartScreen { background: $background; }
    StartScreen > Static { height: auto; padding: 0 2; }
    StartScreen > #name { text-style: bold; color: $accent; margin-top: 1; }
    StartScreen > #purpose { color: $quiet; margin-bottom: 1; }
    StartScreen > #rules { color: $quiet; margin: 1 0; }
    StartScreen > CaseList { margin: 0 1; }
    """

    BINDINGS = [
        Binding("n", "new", "New case", id="new-case", tooltip="Start a case for a bad print."),
        Binding("enter", "open", "Open", show=True, id="open-case", tooltip="Go on with the case under the cursor."),
        Binding("r", "read_again", "Read again", id="read-again", tooltip="Read the rules again, after mending them."),
        Binding("q", "leave", "Quit", id="quit", tooltip="Leave. Every case is saved."),
    ]

    class NewAsked(Message):
        """The user wants a new case with a title."""

        def __init__(self, title: str) -> None:
            super().__init__()
            self.title = title

    class ResumeAsked(Message):
        """The user wants to go on with a case."""

        def __init__(self, id: str) -> None:
            super().__init__()
            self.id = id

    class RulesAsked(Message):
        """The user wants the rules read again."""

    def __init__(self) -> None:
        super().__init__(id="start")
        self.broken = False

    def compose(self) -> ComposeResult:
        """Lay out purpose, cases, state of the rules, keys."""
        yield Static(Content("diagnose"), id="name", markup=False)
        yield Static(Content("Finds the true cause of a bad print from what you see on it."), id="purpose", markup=False)
        yield CaseList()
        yield Static(Content("Reading the rules…"), id="rules", markup=False)
        yield KeyLine()
        yield TooSmall()

    def on_mount(self) -> None:
        """Offer a new case at once; the open ones follow."""
        self.query_one(CaseList).show_rows(1, 0)

    def show_cases(self, cases: Sequence[Case]) -> None:
        """Show the open cases; the cursor rests on the last changed one."""
        listed = self.query_one(CaseList)
        listed.cases = cases
        listed.show_rows(len(cases) + 1, 1 if cases else 0)

    def say(self, text: str, broken: bool = False) -> None:
        """Say how the rules are, or what does not work."""
        self.broken = broken
        self.query_one("#rules", Static).update(Content(text))
        self.refresh_bindings()

    def check_action(self, action: str, parameters: tuple[object, ...]) -> bool | None:
        """Reading again makes sense only where the rules are broken."""
        if action == "read_again":
            return self.broken
        return super().check_action(action, parameters)

    @on(OptionList.OptionSelected)
    def open_row(self, event: OptionList.OptionSelected) -> None:
        """Open the row."""
        event.stop()
        if event.option_index == 0:
            self.action_new()
        else:
            self.post_message(self.ResumeAsked(self.query_one(CaseList).cases[event.option_index - 1].id))

    def action_new(self) -> None:
        """Ask for the title of a new case."""

        def start(title: str | None) -> None:
            if title is not None:
                self.post_message(self.NewAsked(title))

        self.app.push_screen(AskTitle(), start)

    def action_open(self) -> None:
        """Enter is taken by the list; this is for its place in the help."""
        self.query_one(CaseList).action_select()

    def action_read_again(self) -> None:
        """Read the rules again."""
        self.post_message(self.RulesAsked())

    def action_leave(self) -> None:
        """Leave the app."""
        self.app.exit(0)

    def on_screen_resume(self, event: events.ScreenResume) -> None:
        """Focus the list, so that the arrows work at once."""
        self.query_one(CaseList).focus()
