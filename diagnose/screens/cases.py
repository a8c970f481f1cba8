"""The first screen: a new case, one to go on with, or one looked for. It stands before the rules are read."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime

from textual import events, on
from textual.app import ComposeResult
from textual.binding import Binding
from textual.content import Content
from textual.message import Message
from textual.screen import Screen
from textual.widgets import Input, OptionList, Static

from diagnose.cases.journal import Case
from diagnose.screens import look
from diagnose.screens.dialogs import LONGEST_TITLE, AskTitle, ShortInput
from diagnose.screens.rows import KeyLine, Rows, SaysWhyNot, TooSmall


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
        self.searched = False
        """Whether the cases are those found, so that a new one is not among them."""

    def show(self, cases: Sequence[Case], searched: bool) -> None:
        """Show cases; the cursor rests on the first of them."""
        self.cases, self.searched = cases, searched
        count = len(cases) + (0 if searched else 1)
        self.show_rows(count, None if not count else 0 if searched or not cases else 1)

    def case(self, index: int) -> Case | None:
        """Return the case in a row; None in that of a new one."""
        at = index - (0 if self.searched else 1)
        return self.cases[at] if 0 <= at < len(self.cases) else None

    def row(self, index: int, width: int) -> Content:
        """Return one case."""
        case = self.case(index)
        if case is None:
            return Content.styled("New case", look.STRONG)
        answers = f"{len(case.answers)} answer{'' if len(case.answers) == 1 else 's'}"
        ended = "cured" if case.cured else case.outcome.replace("-", " ")
        state = f"{answers}{', job read' if case.job else ''}{f', {ended}' if ended else ''}  {when(case.changed):>10}"
        return look.spread(Content(look.plain(case.title) or case.id), Content.styled(state, look.QUIET), width)


class CasesScreen(SaysWhyNot, Screen[None]):
    """New case, cases, search, quit."""

    DEFAULT_CSS = """
    CasesScreen { background: $background; }
    CasesScreen > Static { height: auto; padding: 0 2; }
    CasesScreen > #name { text-style: bold; color: $accent; margin-top: 1; }
    CasesScreen > #purpose { color: $quiet; margin-bottom: 1; }
    CasesScreen > #rules { color: $quiet; margin: 1 0; }
    CasesScreen > CaseList { margin: 0 1; }
    CasesScreen > Input { border: none; height: 1; margin: 0 2; padding: 0; background: $panel; }
    CasesScreen > Input:focus { border: none; }
    """

    BINDINGS = [
        Binding("n", "new", "New case", id="new-case", tooltip="Start a case for a bad print."),
        Binding("enter", "open", "Open", show=True, id="open-case", tooltip="Go on with the case under the cursor."),
        Binding("slash", "search", "Search", key_display="/", id="search-cases",
                tooltip="Look for cases: words of their title, answers, notes, causes, printers."),
        Binding("escape", "all", "All cases", show=False, id="all-cases", tooltip="All cases again, after a search."),
        Binding("f5", "read_again", "Read again", id="read-again", tooltip="Read the rules again, after mending them."),
        Binding("q", "leave", "Quit", id="quit", tooltip="Leave. Every case is saved."),
        Binding("down", "into_list", "Into the list", show=False, id="into-list", tooltip="From the search line into the list."),
    ]  # fmt: skip

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

    class SearchAsked(Message):
        """The user looks for cases that hold these words; none: all of them."""

        def __init__(self, words: Sequence[str]) -> None:
            super().__init__()
            self.words = words

    def __init__(self) -> None:
        super().__init__(id="start")
        self.broken = False
        self.told = ""
        """What was said last of the rules."""
        self.known: Sequence[Case] = ()
        """All cases, as they were listed last."""

    def compose(self) -> ComposeResult:
        """Lay out purpose, cases, state of the rules, keys."""
        yield Static(Content("diagnose"), id="name", markup=False)
        yield Static(Content("Finds the true cause of a bad print from what you see on it."), id="purpose", markup=False)
        yield ShortInput(placeholder="words of a case you look for", max_length=LONGEST_TITLE, id="search")
        yield CaseList()
        yield Static(Content("Reading the rules…"), id="rules", markup=False)
        yield KeyLine()
        yield TooSmall()

    def on_mount(self) -> None:
        """Offer a new case at once; the open ones follow."""
        self.query_one("#search").display = False
        self.query_one(CaseList).show((), searched=False)

    def show_cases(self, cases: Sequence[Case], words: Sequence[str] = ()) -> None:
        """Show all cases, or those found by words; the cursor rests on the last changed one."""
        if not words:
            self.known = cases
        if tuple(words) == tuple(self.words):  # an older search is of no interest any more
            self.query_one(CaseList).show(cases, searched=bool(words))
            if words:
                found = "1 case" if len(cases) == 1 else f"{len(cases) or 'no'} cases"
                self.query_one("#rules", Static).update(Content(f"{look.sentence(found + ' found')} Escape shows all again."))

    @property
    def words(self) -> list[str]:
        """What is looked for; empty where nothing is."""
        line = self.query_one("#search", Input)
        return line.value.split() if line.display else []

    @on(Input.Changed, "#search")
    def search(self, event: Input.Changed) -> None:
        """Look for what is typed so far."""
        event.stop()
        self.post_message(self.SearchAsked(self.words))

    @on(Input.Submitted, "#search")
    def found(self, event: Input.Submitted) -> None:
        """Go into what was found."""
        event.stop()
        self.query_one(CaseList).focus()

    def action_search(self) -> None:
        """Type what to look for."""
        line = self.query_one("#search", Input)
        line.display = True
        line.focus()

    def action_all(self) -> None:
        """Show all cases again."""
        line = self.query_one("#search", Input)
        if line.display:
            line.value, line.display = "", False
            self.say(self.told, self.broken)
            self.post_message(self.SearchAsked(()))
        self.query_one(CaseList).focus()

    def action_into_list(self) -> None:
        """From the search line into the list."""
        self.query_one(CaseList).focus()

    def say(self, text: str, broken: bool = False) -> None:
        """Say how the rules are, or what does not work."""
        self.broken, self.told = broken, text
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
        case = self.query_one(CaseList).case(event.option_index)
        if case is None:
            self.action_new()
        else:
            self.post_message(self.ResumeAsked(case.id))

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
