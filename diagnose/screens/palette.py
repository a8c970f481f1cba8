"""Everything that can be done or gone to, found by typing a few letters of it.

The toolkit has a palette of its own; it finds letters scattered over a text and no words in another order, fills its list while one may
already press enter, and its keys have no help.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from functools import partial

from textual import on
from textual.app import ComposeResult
from textual.binding import ActiveBinding, Binding
from textual.containers import Vertical
from textual.content import Content
from textual.screen import ModalScreen
from textual.widgets import Input, OptionList, Static

from diagnose.letters import folded
from diagnose.screens import look
from diagnose.screens.dialogs import DIALOG_CSS, LONGEST_TITLE, ShortInput
from diagnose.screens.rows import KeyLine, Rows, TooSmall

MOST = 100
"""Rows shown; who wants another one types more letters."""
MOVES = ("cursor_", "scroll", "move", "page_", "first", "last", "suspect", "app.focus", "into_list", "digit", "record")
"""Beginnings of actions that only move something: nobody looks for those by name."""


@dataclass(frozen=True, slots=True)
class Doing:
    """One thing to do, or one place to go to."""

    text: str
    kind: str
    """Its key, or a word for what it is."""
    do: Callable[[], object]


def doings_of(active: Sequence[ActiveBinding], display: Callable[[Binding], str], run: Callable[[ActiveBinding], object]) -> Iterator[Doing]:
    """Yield what the keys that work now would do, each once, those of the screen as they stand in its help."""
    seen: set[str] = set()
    for one in active:
        binding = one.binding
        name = binding.action.partition("(")[0]
        if not binding.id or not one.enabled or binding.id in seen or name.startswith(MOVES) or name == "palette":
            continue
        seen.add(binding.id)
        tooltip = one.tooltip or binding.tooltip
        yield Doing(f"{binding.description}: {tooltip[:1].lower()}{tooltip[1:]}".rstrip("."), display(binding), partial(run, one))


def matching(doings: Sequence[Doing], typed: str) -> list[Doing]:
    """Return what holds every word typed; what begins with them comes before what has them inside a word."""
    words = folded(typed).split()
    found = []
    for at, doing in enumerate(doings):
        text = folded(doing.text)
        if all(word in text for word in words):
            begins = sum(text.startswith(word) or f" {word}" in text for word in words)
            found.append((not text.startswith(" ".join(words)), -begins, at, doing))
    return [doing for *_, doing in sorted(found, key=lambda one: one[:3])[:MOST]]


class Doings(Rows):
    """What was found."""

    def __init__(self) -> None:
        super().__init__(id="doings")
        self.doings: Sequence[Doing] = ()

    def show(self, doings: Sequence[Doing]) -> None:
        """Show what was found, the cursor on the first."""
        self.doings = doings
        self.show_rows(len(doings), 0 if doings else None)

    def row(self, index: int, width: int) -> Content:
        """Return one thing on one line."""
        doing = self.doings[index]
        return look.spread(Content(look.plain(doing.text)), look.styled(doing.kind, look.QUIET), width)


class Palette(ModalScreen[Doing | None]):
    """Type a few letters, choose with the arrows, enter does it."""

    DEFAULT_CSS = DIALOG_CSS.format(name="Palette") + """
    Palette > Vertical { height: 100%; }
    Palette Input { border: none; height: 1; margin: 0 2; padding: 0; background: $panel; }
    Palette Input:focus { border: none; }
    Palette #found { height: 1; padding: 0 2; color: $quiet; }
    Palette Doings { margin: 0 1; }
    Palette KeyLine { dock: none; }
    """

    BINDINGS = [
        Binding("escape", "close", "Back", key_display="esc", id="leave-palette", tooltip="Back, doing nothing."),
        Binding("up", "step('cursor_up')", "Up", show=False, id="palette-up", tooltip="To the row above."),
        Binding("down", "step('cursor_down')", "Down", show=False, id="palette-down", tooltip="To the row below."),
        Binding("pageup", "step('page_up')", "Page up", show=False, id="palette-page-up", tooltip="One page up."),
        Binding("pagedown", "step('page_down')", "Page down", show=False, id="palette-page-down", tooltip="One page down."),
    ]  # fmt: skip

    def __init__(self, doings: Sequence[Doing]) -> None:
        super().__init__()
        self.doings = doings

    def compose(self) -> ComposeResult:
        """Lay out the line to type in and what was found."""
        with Vertical() as box:
            box.border_title = "Do, or go to"
            yield ShortInput(placeholder="a few letters of it", max_length=LONGEST_TITLE)
            yield Static(id="found", markup=False)
            yield Doings()
            yield KeyLine()
        yield TooSmall()

    def on_mount(self) -> None:
        """Show everything before a letter is typed."""
        self.show_found("")
        self.query_one(Input).focus()

    def show_found(self, typed: str) -> None:
        """Show what holds the words typed."""
        found = matching(self.doings, typed)
        self.query_one(Doings).show(found)
        more = "; type more of it" if len(found) == MOST else ""
        self.query_one("#found", Static).update(Content(f"{len(found)} of {len(self.doings)}{more}"))

    @on(Input.Changed)
    def typed(self, event: Input.Changed) -> None:
        """Look again."""
        event.stop()
        self.show_found(event.value)

    @on(Input.Submitted)
    def entered(self, event: Input.Submitted) -> None:
        """Do what the cursor is on."""
        event.stop()
        listed = self.query_one(Doings)
        if listed.highlighted is not None:
            self.dismiss(listed.doings[listed.highlighted])

    @on(OptionList.OptionSelected)
    def chosen(self, event: OptionList.OptionSelected) -> None:
        """Do what was clicked."""
        event.stop()
        self.dismiss(self.query_one(Doings).doings[event.option_index])

    def action_step(self, how: str) -> None:
        """Move the cursor of the list while letters are typed."""
        getattr(self.query_one(Doings), f"action_{how}")()

    def action_close(self) -> None:
        """Do nothing."""
        self.dismiss(None)
