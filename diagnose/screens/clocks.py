"""What the marks keep time with: clocks as bars, and the marks folded on the beat of the one under the cursor."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from textual.app import ComposeResult, RenderResult
from textual.containers import Vertical
from textual.content import Content
from textual.widget import Widget
from textual.widgets import OptionList

from diagnose.screens import look, plot
from diagnose.screens.rows import Rows
from diagnose.screens.surface import STYLES
from diagnose.triage.unrolled import SIGNS, folded
from diagnose.triage.wording import beat, clock_name, decibans, kinds_of_places, length_of

FULL_DB = 40.0
"""dB that fill a bar: the most that one set of marks may say."""
HALF = 4
NOTHING = "What the marks keep time with comes here, once they are weighed."
NO_CLOCK = "Too few marks lie on the part to keep time with anything."
SPREADS = "Marks that keep the beat stack up in the middle; marks that do not lie about."


class ClockList(Rows):
    """The clocks, the likeliest first, then the places; each with its weight, and the beat it would keep."""

    def __init__(self) -> None:
        super().__init__(id="clock-list")
        self.told: Sequence[tuple[str, str, float]] = ()
        """(what, beat or count, decibans)."""

    def show(self, told: Mapping[str, Any] | None) -> None:
        """Show the clocks and places of the JSON of `marks`."""
        rows: list[tuple[str, str, float]] = []
        for c in told["clocks"] if told else ():
            kept = f"{length_of(c['clock'], c['period'], _width(c))}, {c['hits']}/{told['placed']}" if told and c["period"] else "none"
            rows.append((clock_name(c["clock"]), kept, c["decibans"] or 0.0))
        for p in told["places"] if told else ():
            if p["count"] and told:
                rows.append((kinds_of_places(p["place"]), f"{p['hits']}/{told['placed']}", p["decibans"] or 0.0))
        self.told = rows
        at = self.highlighted if self.highlighted is not None else 0
        self.show_rows(len(rows), min(at, len(rows) - 1) if rows else None)

    def row(self, index: int, width: int) -> Content:
        """Return one clock or kind of place on one line."""
        name, kept, weight = self.told[index]
        scaled = weight * look.FULL_BAR_DECIBANS / FULL_DB
        right = Content.assemble(f"{decibans(weight)} ", look.signed_bar(scaled, HALF))
        return look.spread(Content.assemble(look.plain(name), (f"  {kept}", look.QUIET)), right, width)


class Fold(Widget):
    """The marks folded on one beat: a heap in the middle where they keep it, grains all along where they do not."""

    DEFAULT_CSS = "Fold { height: 1fr; min-height: 4; padding: 0 1; }"

    def __init__(self) -> None:
        super().__init__(id="fold")
        self.told: Mapping[str, Any] | None = None
        self.clock = 0

    def show(self, told: Mapping[str, Any] | None, clock: int) -> None:
        """Fold the marks on the beat of a clock, by its number in the list."""
        self.told, self.clock = told, clock
        self.refresh()

    def render(self) -> RenderResult:
        """Draw the heap above a line whose middle is the beat."""
        width, height = self.content_size
        if self.told is None:
            return look.lines(look.fold(look.styled(NOTHING, look.QUIET), max(width, 16)))
        clocks = self.told["clocks"]
        if not clocks:
            return look.lines(look.fold(look.styled(NO_CLOCK, look.QUIET), max(width, 16)))
        clock = clocks[min(self.clock, len(clocks) - 1)]
        if clock["period"] is None:
            return look.lines(look.fold(look.styled(f"{clock_name(clock['clock'])}: no two beats fit between these marks.", look.QUIET), width))
        said = look.fold(f"Folded on {beat(clock['clock'], clock['period'], _width(clock))}. {SPREADS}", max(width, 16))
        columns = max((width - 1) | 1, 9) if width % 2 else max(width - 1, 9)
        room = max(height - 2 - len(said), 1)
        heap = folded(self.told, clock, columns, room)
        parts = [line.stylize(look.QUIET) for line in said]
        parts += [Content("")] * max(room - len(heap), 0)
        parts += [plot.row_of((SIGNS[sign][0], STYLES.get(sign, "")) for sign in row) for row in heap]
        half = columns // 2
        parts.append(Content.styled("─" * half + "┴" + "─" * half, "$line"))
        ends, middle = ("half a beat early", "on the beat", "late"), columns - 17 - 4
        words = f"{ends[0]}{ends[1]:^{middle}}{ends[2]}" if middle >= 13 else f"{'early':<{half - 2}}beat{'late':>{columns - half - 2}}"
        parts.append(look.lines([Content.styled(words[:columns], look.QUIET)]))
        return look.lines(parts)


class Clocks(Vertical):
    """The table of clocks, and below it the marks folded on the one under the cursor."""

    DEFAULT_CSS = """
    Clocks ClockList { height: auto; max-height: 60%; }
    """

    def __init__(self, *, id: str, classes: str) -> None:
        super().__init__(id=id, classes=classes)
        self.told: Mapping[str, Any] | None = None

    def compose(self) -> ComposeResult:
        """Lay out table and heap."""
        yield ClockList()
        yield Fold()

    def show(self, told: Mapping[str, Any] | None) -> None:
        """Show what marks keep time with; None before they are weighed."""
        self.told = told
        listed = self.query_one(ClockList)
        listed.show(told)
        listed.display = bool(listed.told)
        self.query_one(Fold).show(told, listed.highlighted or 0)

    def on_option_list_option_highlighted(self, event: OptionList.OptionHighlighted) -> None:
        """Fold on the clock under the cursor; places have no beat, and the heap stays."""
        event.stop()
        if self.told is not None and event.option_index < len(self.told["clocks"]):
            self.query_one(Fold).show(self.told, event.option_index)


def _width(clock: Mapping[str, Any]) -> float | None:
    return None if clock["low"] is None or clock["high"] is None else float(clock["high"] - clock["low"])
