"""A list whose rows are laid out for its own width, and a line of keys."""

from __future__ import annotations

import time
from collections.abc import Callable
from functools import cache

from textual import events
from textual.app import RenderResult
from textual.binding import ActiveBinding, Binding
from textual.content import Content
from textual.css.styles import RulesMap
from textual.screen import Screen
from textual.strip import Strip
from textual.style import Style
from textual.visual import RenderOptions, Visual
from textual.widget import Widget
from textual.widgets import OptionList, Static
from textual.widgets.option_list import Option

from diagnose.screens import look


class Laid(Visual):
    """Text laid out for whatever width it is drawn in."""

    def __init__(self, draw: Callable[[int], Content]) -> None:
        self._draw = cache(lambda width: look.fitted(draw(width), width))

    def render_strips(self, width: int, height: int | None, style: Style, options: RenderOptions) -> list[Strip]:
        """Draw for a width."""
        return self._draw(width).render_strips(width, height, style, options)

    def get_optimal_width(self, rules: RulesMap, container_width: int) -> int:
        """Take all the width there is."""
        return container_width

    def get_minimal_width(self, rules: RulesMap) -> int:
        """Ask for no width."""
        return 1

    def get_height(self, rules: RulesMap, width: int) -> int:
        """Return the lines needed in a width: they are folded already, and folding them again is what takes time."""
        return self._draw(width).plain.count("\n") + 1


class Rows(OptionList):
    """A list to move in with the arrow keys. What a row looks like is said by `row`, for the width there is."""

    BINDINGS = [
        Binding("up", "cursor_up", "Move up", show=False, id="row-up", tooltip="To the row above."),
        Binding("down", "cursor_down", "Move down", show=False, id="row-down", tooltip="To the row below."),
        Binding("pageup", "page_up", "Page up", show=False, id="row-page-up", tooltip="One page up."),
        Binding("pagedown", "page_down", "Page down", show=False, id="row-page-down", tooltip="One page down."),
        Binding("home", "first", "First row", show=False, id="row-first", tooltip="To the first row."),
        Binding("end", "last", "Last row", show=False, id="row-last", tooltip="To the last row."),
        Binding("enter", "select", "Take this row", show=False, id="row-take", tooltip="Take the row under the cursor."),
    ]

    DEFAULT_CSS = """
    Rows {
        text-wrap: nowrap;
        height: 1fr; min-height: 1; border: none; padding: 0; background: $background;
        scrollbar-size-vertical: 1; scrollbar-gutter: stable;
        scrollbar-color: $line; scrollbar-color-hover: $quiet; scrollbar-color-active: $quiet;
        scrollbar-background: $background; scrollbar-background-hover: $background;
        scrollbar-background-active: $background;
        &:focus { border: none; background-tint: $foreground 0%; }
        & > .option-list--option { padding: 0; }
        & > .option-list--option-highlighted { color: $foreground; background: $panel; text-style: none; }
        & > .option-list--option-hover { background: $panel 50%; }
        & > .option-list--option-disabled { color: $foreground; }
        &:focus > .option-list--option-highlighted { color: $foreground; background: $panel; text-style: bold; }
    }
    """

    MARK = "›"
    """Before the row under the cursor, so that it shows without colour too."""

    def __init__(self, *, id: str | None = None) -> None:
        super().__init__(id=id, markup=False)
        self.count = 0

    def row(self, index: int, width: int) -> Content:
        """Return what a row shows in `width` cells; its first cell is kept for the cursor mark."""
        raise NotImplementedError

    def selectable(self, index: int) -> bool:
        """Return whether the cursor may rest on a row."""
        return True

    def show_rows(self, count: int, highlight: int | None) -> None:
        """Lay all rows out anew; no message is sent for the move of the cursor."""
        self.count = count
        with self.prevent(OptionList.OptionHighlighted):
            self.clear_options()
            self.add_options(Option(self._laid(i, i == highlight), disabled=not self.selectable(i)) for i in range(count))
            self.highlighted = highlight if highlight is not None and highlight < count else None

    def on_resize(self) -> None:
        """Keep the cursor in sight."""
        self.call_after_refresh(self.scroll_to_highlight)

    def watch_highlighted(self, highlighted: int | None) -> None:
        """Move the cursor mark along with the cursor."""
        super().watch_highlighted(highlighted)
        for index in {getattr(self, "_marked", None), highlighted}:
            if index is not None and index < self.option_count:
                self.replace_option_prompt_at_index(index, self._laid(index, index == highlighted))
        self._marked = highlighted

    def _laid(self, index: int, marked: bool) -> Laid:
        def draw(width: int) -> Content:
            head = Content.styled(f"{self.MARK} ", look.ACCENT) if marked else Content("  ")
            first, *rest = self.row(index, width - 2).split("\n", allow_blank=True) or [Content("")]
            return look.lines([head + first, *(Content("  ") + line for line in rest)])

        return Laid(draw)


LEAST_SIZE = 40, 10
"""Cells by lines of the smallest window that a question and its answers fit into."""


class TooSmall(Static):
    """All that a window shows that is too small for anything else."""

    DEFAULT_CSS = """
    TooSmall { display: none; width: 100%; height: 100%; padding: 0 1; background: $background; }
    """

    def __init__(self) -> None:
        wide, high = LEAST_SIZE
        super().__init__(Content(f"Window too small: make it {wide} x {high}."), markup=False)


class SaysWhyNot:
    """A screen on which a key that does nothing now says why, in the line of keys."""

    def why_not(self, action: str) -> str:
        """Return why an action cannot be done now; empty where there is nothing to say."""
        return ""

    def on_key(self, event: events.Key) -> None:
        """Take a key that nothing else took."""
        assert isinstance(self, Screen)
        active = self.active_bindings.get(event.key)
        if active is None or active.enabled:
            return
        why = getattr(active.node, "why_not", self.why_not)(active.binding.action.partition("(")[0])
        if why:
            self.query_one(KeyLine).say(why)


class KeyLine(Widget):
    """The keys that work now, from the live bindings; what does not fit is in the help, which always fits."""

    DEFAULT_CSS = """
    KeyLine { dock: bottom; height: 1; padding: 0 1; background: $background; color: $quiet; }
    """

    LAST = "help"
    """Id of the binding that is always shown."""

    SHOWN_FOR = 5.0
    """s that a sentence stands in place of the keys."""

    READ_S = 0.5
    """s that news stand at least, whatever changes with them."""

    said = ""
    news_at = 0.0

    def say(self, text: str, news: bool = False) -> None:
        """Show a sentence in place of the keys for a while, or until a key does something; ``news``: nobody asked for it."""
        self.said, self.news_at = text, time.monotonic() if news else -self.READ_S
        self.refresh()
        self.set_timer(self.SHOWN_FOR, self._hush)

    def _hush(self) -> None:
        self.said = ""
        self.refresh()

    def on_mount(self) -> None:
        """Follow the live bindings."""
        self.screen.bindings_updated_signal.subscribe(self, self._bindings_changed)

    def _bindings_changed(self, screen: Screen[object]) -> None:
        if time.monotonic() - self.news_at >= self.READ_S:
            self._hush()
        else:
            self.refresh()

    def render(self) -> RenderResult:
        """Draw as many keys as fit."""
        if self.said:
            return Content.styled(look.plain(self.said), "$foreground")
        by_id = {b.binding.id: b for b in reversed(self.screen.active_bindings.values()) if b.binding.show}
        shown = list(reversed(by_id.values()))  # of several keys for one thing the first
        last = [self._key(b) for b in shown if b.binding.id == self.LAST]
        keys = [self._key(b) for b in shown if b.binding.id != self.LAST]
        room = self.content_size.width + 2 - sum(k.cell_length + 2 for k in last)  # the last key has no gap behind it
        fitting: list[Content] = []
        for key in keys:
            room -= key.cell_length + 2
            if room < 0:
                break
            fitting.append(key)
        return Content("  ").join([*fitting, *last])

    def _key(self, active: ActiveBinding) -> Content:
        key = self.app.get_key_display(active.binding)
        if not active.enabled:
            return Content.styled(f"{key} {active.binding.description}", "$line")
        return Content.assemble((key, look.STRONG), " ", active.binding.description)
