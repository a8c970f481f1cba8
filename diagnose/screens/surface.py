"""The unrolled surface as a picture to move in: zoom, a cursor that reads out what lies under it, bars of reserve and speed beside."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

import numpy as np
from textual import events
from textual.app import RenderResult
from textual.binding import Binding
from textual.content import Content
from textual.widget import Widget

from diagnose.screens import look, plot
from diagnose.triage.unrolled import SIGNS, Sheet, Sign, Window, draw, legend, sides
from diagnose.triage.wording import place_on_part

STYLES: Mapping[Sign, str] = {
    "kept": "bold $accent", "met": "bold $accent", "kept-seam": "bold $accent", "stray": "bold $contra", "stop": "$alarm",
    "dip": "$alarm", "seam": "$pro", "short": "$quiet",
}  # fmt: skip
"""Sign to its colour; its shape says the same."""
RESERVE_TO_MS = 1000.0
"""Where the bar of the reserve ends; from here on it is ample."""
LABELS = 8
"""Cells of height, margin and edge to the left of the map."""
STRIPS = ((110, 18, 16), (64, 11, 9))
"""Least width of the picture, cells of the reserve and of the speed beside it."""
ZOOM = 2.0
READ_OUT = 2
"""Lines for what the cursor reads out."""
LEAST_ROWS = 3
MOST_LEGEND = 3
"""Lines of what the signs mean."""
NOTHING = "The surface unrolled comes here once the job file is read."


class SurfaceMap(Widget, can_focus=True):
    """A window of a `Sheet`, its cursor and what it reads out there."""

    DEFAULT_CSS = """
    SurfaceMap { height: 1fr; width: 1fr; padding: 0 1; }
    """

    BINDINGS = [
        Binding("up", "move(1, 0)", "Up", show=False, id="map-up", tooltip="The cursor up the part."),
        Binding("down", "move(-1, 0)", "Down", show=False, id="map-down", tooltip="The cursor down the part."),
        Binding("left", "move(0, -1)", "Left", show=False, id="map-left", tooltip="The cursor round the part, to the left."),
        Binding("right", "move(0, 1)", "Right", show=False, id="map-right", tooltip="The cursor round the part, to the right."),
        Binding("pageup", "move(5, 0)", "Far up", show=False, id="map-far-up", tooltip="Five lines up."),
        Binding("pagedown", "move(-5, 0)", "Far down", show=False, id="map-far-down", tooltip="Five lines down."),
        Binding("plus,equals_sign", "zoom(1)", "Nearer", key_display="+", id="map-nearer", tooltip="Look nearer, round the cursor."),
        Binding("minus", "zoom(-1)", "Further", show=False, key_display="-", id="map-further", tooltip="Look from further off."),
        Binding("0", "whole", "Whole part", show=False, id="map-whole", tooltip="The whole part again."),
        Binding("n", "next(1)", "Next stop", id="map-next", tooltip="The cursor to the next predicted stop, as they come in the job."),
        Binding("shift+n,N", "next(-1)", "Stop before", show=False, key_display="N", id="map-before",
                tooltip="The cursor to the stop before."),
    ]  # fmt: skip

    def __init__(self, *, id: str | None = None) -> None:
        super().__init__(id=id)
        self.sheet: Sheet | None = None
        self.window = Window(0.0, 1.0)
        self.cursor: tuple[float, float] | None = None
        """(mm, deg)."""
        self.by_beat = False
        self.empty = NOTHING
        self._stop = -1

    # -- what is shown -----------------------------------------------------------------------------------------------

    def show(self, sheet: Sheet | None, by_beat: bool = False, empty: str = NOTHING) -> None:
        """Show a sheet; the window and the cursor stay where they were on the same part. ``empty``: what stands there without one."""
        same = self.sheet is not None and sheet is not None and self.sheet.whole == sheet.whole
        self.sheet, self.by_beat, self.empty = sheet, by_beat, empty
        if sheet is not None and not same:
            self.window, self._stop = sheet.whole, -1
            self.cursor = (sheet.whole.low + sheet.whole.high) / 2, 180.0
        self.refresh()

    def grid(self) -> tuple[int, int]:
        """Return (rows, columns) of the map in the room there is."""
        width, height = self.content_size
        reserve, speed = self._strips()
        columns = width - LABELS - sum(cells + 2 for cells in (reserve, speed) if cells)
        rows = height - 2 - READ_OUT - (1 if reserve else 0) - self._legend_lines
        return max(rows, LEAST_ROWS), max(columns, 8)

    _legend_lines = 1

    def _strips(self) -> tuple[int, int]:
        if self.sheet is None or self.sheet.skin is None or not np.isfinite(self.sheet.skin.speed_mm_s).any():
            return 0, 0
        runs = bool(np.isfinite(self.sheet.skin.reserve_ms).any())
        for least, reserve, speed in STRIPS:
            if self.content_size.width >= least:
                return (reserve if runs else 0), speed
        return 0, 0

    def render(self) -> RenderResult:
        """Draw the window."""
        width, _ = self.content_size
        if self.sheet is None:
            return look.lines(look.fold(look.styled(self.empty, look.QUIET), max(width, 20)))
        self._legend_lines = 1
        rows, columns = self.grid()
        drawn = draw(self.sheet, self.window, columns, rows)
        means = legend(drawn.signs(), True, self.by_beat, max(width, 20))[:MOST_LEGEND] or [""]
        if len(means) != self._legend_lines:
            self._legend_lines = len(means)
            rows, columns = self.grid()
            drawn = draw(self.sheet, self.window, columns, rows)
        at = self._cell(rows, columns)
        reserve, speed = self._bars(rows)
        labels = plot.thinned([f"{h:6.1f}" for h in drawn.heights], 4)
        parts: list[Content] = list(self._head(columns))
        for k, row in enumerate(drawn.rows):
            cells: list[plot.Cell] = [(c, look.QUIET) for c in f"{labels[k]:>6}"]
            cells += [self._sign(drawn.margin[k]), ("│", "$line")]
            cells += [self._sign(sign, at == (k, c)) for c, sign in enumerate(row)]
            for bar in (reserve, speed):
                if bar:
                    cells += [(" ", ""), ("▏", "$line"), *((c, look.ACCENT) for c in bar[k])]
            parts.append(plot.row_of(cells))
        parts.append(Content.styled(" " * LABELS + sides(columns, self.window), look.QUIET))
        parts += [Content(line) for line in means]
        read = [line for text in self.read_out() for line in look.fold(text, max(width, 20))][:READ_OUT]
        return look.lines([*parts, *read])

    def read_out(self) -> list[str]:
        """Return what lies under the cursor: what it is, the least reserve there, and the place."""
        if self.sheet is None or self.cursor is None:
            return []
        rows, columns = self.grid()
        cell = self._cell(rows, columns)
        if cell is None:
            return []
        found = self.sheet.at(self.window, *cell, rows, columns)
        place = f"› {place_on_part(*self.cursor)}"
        skin = self.sheet.skin
        if skin is not None:
            down, across = (self.window.high - self.window.low) / rows, self.window.span / columns
            top = self.window.high - cell[0] * down
            least = float(skin.least(top - down, top, self.window.left + cell[1] * across, across, 1, 1)[0, 0])
            if np.isfinite(least):
                place += f"; least queue {least:.0f} ms"
        more = f" (and {len(found) - 1} more)" if len(found) > 1 else ""
        return [place, found[0] + more] if found else [place]

    def _head(self, columns: int) -> Iterator[Content]:
        reserve, speed = self._strips()
        if not (reserve or speed):
            return
        skin = self.sheet.skin if self.sheet else None
        most = float(np.nanmax(skin.speed_mm_s)) if skin is not None else 0.0
        text = f"{'mm up':>6}".ljust(LABELS + columns)
        text += f"  {f'queue {RESERVE_TO_MS / 1000:g} s':<{reserve}}"[: reserve + 2] if reserve else ""
        text += f"  {f'{most:.0f} mm/s':<{speed}}"[: speed + 2] if speed else ""
        yield Content.styled(text, look.QUIET)

    def _bars(self, rows: int) -> tuple[list[str], list[str]]:
        reserve, speed = self._strips()
        skin = self.sheet.skin if self.sheet else None
        if skin is None or not (reserve or speed):
            return [], []
        held, pace = skin.by_height(self.window.low, self.window.high, rows * plot.DOTS_DOWN)
        most = float(np.nanmax(skin.speed_mm_s))
        return (
            plot.braille_bars(held / RESERVE_TO_MS, reserve) if reserve else [],
            plot.braille_bars(pace / max(most, 1e-9), speed) if speed else [],
        )

    def _cell(self, rows: int, columns: int) -> tuple[int, int] | None:
        return None if self.cursor is None else self.window.cell(*self.cursor, rows, columns)

    def _sign(self, sign: Sign, cursor: bool = False) -> plot.Cell:
        style = STYLES.get(sign, "")
        if not cursor:
            return SIGNS[sign][0], style
        return (SIGNS[sign][0] if sign else "+"), f"{style} reverse".strip() if self.has_focus else f"{style} underline".strip()

    # -- what the user does ------------------------------------------------------------------------------------------

    def move_to(self, height: float, angle: float) -> None:
        """Put the cursor on a spot, and the window with it where it lies outside."""
        if self.sheet is None:
            return
        whole, window = self.sheet.whole, self.window
        height = min(max(height, whole.low), whole.high)
        angle %= 360.0
        if not window.low <= height <= window.high:
            shift = height - window.low if height < window.low else height - window.high
            window = Window(window.low + shift, window.high + shift, window.left, window.span)
        across = (angle - window.left) % 360.0
        if across >= window.span:
            nearer = across - window.span if across - window.span < 360.0 - across else across - 360.0
            shift = nearer + (1e-6 if nearer > 0 else 0.0)
            window = Window(window.low, window.high, window.left + shift, window.span)
        self.window = window.within(whole)
        self.cursor = height, angle
        self.refresh()

    def action_move(self, up: int, round_: int) -> None:
        """Move the cursor by cells."""
        if self.sheet is None or self.cursor is None:
            return
        rows, columns = self.grid()
        cell = self._cell(rows, columns)
        height, angle = self.window.spot(*cell, rows, columns) if cell else self.cursor
        down, across = (self.window.high - self.window.low) / rows, self.window.span / columns
        self.move_to(height + up * down, angle + round_ * across)

    def action_zoom(self, way: int) -> None:
        """Look nearer or from further off, round the cursor."""
        if self.sheet is not None and self.cursor is not None:
            self.window = self.window.zoomed(ZOOM**way, *self.cursor, self.sheet.whole)
            self.refresh()

    def action_whole(self) -> None:
        """Show the whole part."""
        if self.sheet is not None:
            self.window = self.sheet.whole
            self.refresh()

    def action_next(self, by: int) -> None:
        """Put the cursor on the next predicted stop, or the one before."""
        stops = next((layer for layer in self.sheet.layers if layer.sign == "stop"), None) if self.sheet else None
        if stops is None or not len(stops.height):
            return
        self._stop = (self._stop + by) % len(stops.height) if self._stop >= 0 or by > 0 else len(stops.height) - 1
        self.move_to(float(stops.height[self._stop]), float(stops.angle[self._stop]))

    def why_not(self, action: str) -> str:
        """Return why something cannot be done now."""
        return "No stop is predicted here." if action == "next" else "There is no picture yet."

    def check_action(self, action: str, parameters: tuple[object, ...]) -> bool | None:
        """There must be a picture, and a stop to go to."""
        if action == "next":
            return any(layer.sign == "stop" and len(layer.height) for layer in self.sheet.layers) or None if self.sheet else None
        if action in ("move", "zoom", "whole"):
            return self.sheet is not None or None
        return super().check_action(action, parameters)

    def on_click(self, event: events.Click) -> None:
        """Put the cursor where the mouse points."""
        rows, columns = self.grid()
        at = event.get_content_offset(self)
        if at is None or self.sheet is None:
            return
        row, column = at.y - (1 if any(self._strips()) else 0), at.x - LABELS
        if 0 <= row < rows and 0 <= column < columns:
            self.move_to(*self.window.spot(row, column, rows, columns))

    def on_mouse_scroll_up(self, event: events.MouseScrollUp) -> None:
        """Look nearer."""
        event.stop()
        self.action_zoom(1)

    def on_mouse_scroll_down(self, event: events.MouseScrollDown) -> None:
        """Look from further off."""
        event.stop()
        self.action_zoom(-1)

    def on_focus(self) -> None:
        """Draw the cursor as the one that keys move."""
        self.refresh()

    def on_blur(self) -> None:
        """Draw the cursor as one that rests."""
        self.refresh()
