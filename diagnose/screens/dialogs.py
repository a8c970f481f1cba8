"""Pages laid over the work: text to read, things to choose from, a line to type."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from textual import events, on
from textual.app import ComposeResult
from textual.binding import Binding
from textual.containers import Vertical, VerticalScroll
from textual.content import Content
from textual.screen import ModalScreen
from textual.widgets import Input, OptionList, Static

from diagnose.errors import BadInput
from diagnose.screens import look
from diagnose.screens.rows import KeyLine, Laid, Rows, SaysWhyNot, TooSmall

SPARE = 1
"""Cells left free beside the text of a page, for the bar that shows how far it is scrolled."""
LONGEST_TITLE = 120
"""Characters of a case's title; more would only hide the end of it."""

DIALOG_CSS = """
    {name} {{ align: center middle; background: $background 60%; }}
    {name} > Vertical {{
        width: 96%; max-width: 104; height: auto; max-height: 100%; background: $background;
        border: round $line; border-title-color: $accent; border-title-style: bold; padding: 0;
    }}
"""


class Page(SaysWhyNot, ModalScreen[str | None]):
    """Text to read, folded for the width there is. Closes with escape."""

    DEFAULT_CSS = DIALOG_CSS.format(name="Page") + """
    Page VerticalScroll { height: auto; padding: 0 2; scrollbar-size-vertical: 1;
        scrollbar-color: $line; scrollbar-background: $background; scrollbar-color-hover: $quiet;
        scrollbar-background-hover: $background; scrollbar-background-active: $background;
        scrollbar-color-active: $quiet; }
    Page VerticalScroll > Static { height: auto; text-wrap: nowrap; }
    Page KeyLine { dock: none; }
    """

    BINDINGS = [
        Binding("escape,q,enter", "close", "Close", key_display="esc", id="close-page", tooltip="Close this page."),
        Binding("up", "scroll('up')", "Up", show=False, id="page-line-up", tooltip="Up one line."),
        Binding("down", "scroll('down')", "Down", show=False, id="page-line-down", tooltip="Down one line."),
        Binding("pageup", "scroll('page_up')", "Page up", show=False, id="page-up", tooltip="Up one page."),
        Binding("pagedown,space", "scroll('page_down')", "Page down", show=False, id="page-down",
                tooltip="Down one page."),
    ]  # fmt: skip

    def __init__(self, title: str, build: Callable[[int], Content]) -> None:
        super().__init__()
        self.title_text = title
        self.build = build
        """Width in cells -> the text."""

    def compose(self) -> ComposeResult:
        """Lay out title, text, keys."""
        with Vertical() as box:
            box.border_title = look.plain(self.title_text)
            with VerticalScroll(can_focus=False):
                yield Static(Laid(lambda width: self.build(max(width - SPARE, 20))), markup=False)
            yield KeyLine()
        yield TooSmall()

    def on_resize(self, event: events.Resize) -> None:
        """Keep border and keys in sight."""
        self.query_one(VerticalScroll).styles.max_height = max(event.size.height - 3, 1)

    def action_close(self) -> None:
        """Close without a result."""
        self.dismiss(None)

    def action_scroll(self, how: str) -> None:
        """Scroll the text."""
        getattr(self.query_one(VerticalScroll), f"scroll_{how}")(animate=False)


def text_page(title: str, paragraphs: Sequence[str | Content]) -> Page:
    """Return a page of paragraphs with a free line between them."""
    return Page(
        title, lambda width: Content("\n\n").join(look.lines(look.fold(p, width)) for p in paragraphs)
    )  # fmt: skip


def problem_page(error: BadInput) -> Page:
    """Return a page that says what does not work, and what to do instead."""
    said: list[str | Content] = [look.sentence(error.what)]
    if error.where:
        said.append(look.styled(f"Where: {error.where}", look.QUIET))
    if error.hint:
        said.append(f"What helps: {look.sentence(error.hint)}")
    return text_page("This did not work", said)


MAKE_SAFE = "Make safe first"


def alarm_text(stop: str) -> str:
    """Return what to do at once, without the words that already stand above it."""
    return look.plain(stop).removeprefix(f"{MAKE_SAFE}. ")


class Alarm(ModalScreen[bool]):
    """Something dangerous was answered: the interview waits until the user says that it is safe."""

    DEFAULT_CSS = DIALOG_CSS.format(name="Alarm") + """
    Alarm > Vertical { border: heavy $alarm; border-title-color: $alarm; }
    Alarm Static { height: auto; padding: 1 2; }
    Alarm KeyLine { dock: none; }
    """

    BINDINGS = [
        Binding("y", "acknowledge", "It is safe now: go on", id="acknowledge-alarm",
                tooltip="Only when you have done what this page says."),
        Binding("b", "take_back", "I mistyped: take the answer back", id="take-alarm-back",
                tooltip="Take the answer back that led here."),
    ]  # fmt: skip

    READ_FIRST = 0.8
    """s before a key is heard, so that none typed ahead can acknowledge what was not read."""

    def __init__(self, alarms: Sequence[str]) -> None:
        super().__init__()
        self.alarms = alarms
        self.heard = False

    def on_mount(self) -> None:
        """Listen only once the page has stood for a moment."""
        self.call_after_refresh(self.set_timer, self.READ_FIRST, self._listen)

    def _listen(self) -> None:
        self.heard = True
        self.refresh_bindings()

    def check_action(self, action: str, parameters: tuple[object, ...]) -> bool | None:
        """Grey the keys until they are listened to."""
        return super().check_action(action, parameters) if self.heard else None

    def compose(self) -> ComposeResult:
        """Lay out what to do."""
        with Vertical() as box:
            box.border_title = f"▲ {MAKE_SAFE}"
            yield Static(Content("\n\n").join(alarm_text(a) for a in self.alarms), markup=False)
            yield KeyLine()
        yield TooSmall()

    def action_acknowledge(self) -> None:
        """Go on."""
        self.dismiss(True)

    def action_take_back(self) -> None:
        """The answer was a slip of the finger."""
        self.dismiss(False)


class ShortInput(Input):
    """One line of text; a longer paste is cut, not refused. Its cursor stands still."""

    def on_mount(self) -> None:
        """Nothing blinks here."""
        self.cursor_blink = False

    def on_paste(self, event: events.Paste) -> None:
        """Take what fits of a pasted text, on one line and without control characters."""
        event.prevent_default()
        event.stop()
        room = (self.max_length or len(event.text)) - len(self.value) + len(self.selected_text)
        text = look.plain(event.text[: 4 * (self.max_length or len(event.text))])
        if self.selection.is_empty:
            self.insert_text_at_cursor(text[: max(room, 0)])
        else:
            self.replace(text[: max(room, 0)], *sorted(self.selection))


class AskTitle(ModalScreen[str | None]):
    """What the part is: the title of a new case. May stay empty."""

    DEFAULT_CSS = DIALOG_CSS.format(name="AskTitle") + """
    AskTitle Static { height: auto; padding: 0 2; color: $quiet; }
    AskTitle Input { border: none; height: 1; margin: 1 2; padding: 0; background: $panel; }
    AskTitle Input:focus { border: none; }
    AskTitle KeyLine { dock: none; }
    """

    BINDINGS = [
        Binding("escape", "close", "Back", key_display="esc", id="leave-title", tooltip="Back, without a new case."),
    ]

    def compose(self) -> ComposeResult:
        """Lay out one line to type in."""
        with Vertical() as box:
            box.border_title = "New case"
            yield Static(Content("What is the part, and which copy? You can leave it empty. Enter starts."), markup=False)
            yield ShortInput(placeholder="lamp shade 14, left rim", max_length=LONGEST_TITLE, select_on_focus=False)
            yield KeyLine()
        yield TooSmall()

    @on(Input.Submitted)
    def take_title(self, event: Input.Submitted) -> None:
        """Start the case."""
        event.stop()
        self.dismiss(look.plain(event.value))

    def action_close(self) -> None:
        """Start nothing."""
        self.dismiss(None)


class Choice(Rows):
    """Things to choose from, each a function from width to text."""

    def __init__(self, draw: Sequence[Callable[[int], Content]]) -> None:
        super().__init__()
        self.draw = draw
        self.show_rows(len(draw), 0 if draw else None)

    def row(self, index: int, width: int) -> Content:
        """Return one thing to choose."""
        return self.draw[index](width)


class Choose(ModalScreen[int | None]):
    """Choose one of several things; the result is its index."""

    DEFAULT_CSS = DIALOG_CSS.format(name="Choose") + """
    Choose > Vertical { height: 100%; }
    Choose Static { height: auto; padding: 0 2; margin-bottom: 1; color: $quiet; }
    Choose KeyLine { dock: none; }
    """

    BINDINGS = [
        Binding("escape,q", "close", "Back", key_display="esc", id="leave-choice", tooltip="Back, choosing nothing."),
    ]

    def __init__(self, title: str, about: str, draw: Sequence[Callable[[int], Content]]) -> None:
        super().__init__()
        self.title_text, self.about, self.draw = title, about, draw

    def compose(self) -> ComposeResult:
        """Lay out the things to choose from."""
        with Vertical() as box:
            box.border_title = self.title_text
            yield Static(Content(self.about), markup=False)
            yield Choice(self.draw)
            yield KeyLine()
        yield TooSmall()

    @on(OptionList.OptionSelected)
    def choose(self, event: OptionList.OptionSelected) -> None:
        """Take the row."""
        event.stop()
        self.dismiss(event.option_index)

    def action_close(self) -> None:
        """Choose nothing."""
        self.dismiss(None)
