"""The part's surface unrolled, and marks folded on their beat, as grids of named signs: for the app and for commands.

Needs no toolkit. A `Sheet` says what lies where; it is made of the JSON of `marks`, so that a case that is resumed shows the same
without its job file, or of the job's `Skin`, which knows the whole part. A `Window` of it is drawn into so many cells.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import partial
from typing import TYPE_CHECKING, Any, Literal

import numpy as np

from diagnose.triage.wording import clock_time, length_of_time, place_on_part

if TYPE_CHECKING:
    from diagnose.marks.model import Marks
    from diagnose.marks.skin import Skin, Spots

Sign = Literal["", "short", "seam", "dip", "stop", "kept", "stray", "met", "kept-seam"]
"""A cell: nothing; a reserve too short for a save or a stall; a seam; a place where the head brakes; one where it stands still; a
mark that keeps the best beat; one that does not; a mark at a predicted stop; a mark on a seam."""

SIGNS: Mapping[Sign, tuple[str, str]] = {
    "": (" ", " "), "kept": ("●", "o"), "stray": ("○", "x"), "met": ("◆", "@"), "stop": ("▲", "^"), "seam": ("┃", ":"),
    "kept-seam": ("◉", "%"), "dip": ("▽", "v"), "short": ("░", ","),
}  # fmt: skip
"""Sign to what it is drawn as: in blocks, and in plain characters. No two look alike without colour."""

MEANING: Mapping[Sign, str] = {
    "kept": "mark", "stray": "mark off the beat", "met": "mark at a predicted stop", "kept-seam": "mark at a seam",
    "stop": "predicted stop", "dip": "brakes", "seam": "seam", "short": "queue nearly empty",
}  # fmt: skip

SPOKEN = 10.0
"""dB from which a beat is believed enough to say which marks keep it: ten to one."""
SIDES = ("right", "back", "left", "front")
"""Where the quarters of the circle begin, counted counter-clockwise from the x axis."""


@dataclass(frozen=True, slots=True)
class Window:
    """The piece of the surface that is looked at."""

    low: float
    high: float
    """mm."""
    left: float = 0.0
    """deg, the angle at the left edge, counted counter-clockwise from the right side of the part."""
    span: float = 360.0
    """deg from edge to edge."""

    def zoomed(self, factor: float, height: float, angle: float, whole: Window) -> Window:
        """Return the window made smaller by a factor round a spot that keeps its place in it, never larger than ``whole``."""
        tall = min(max((self.high - self.low) / factor, LEAST_HEIGHT), whole.high - whole.low)
        wide = min(max(self.span / factor, LEAST_SPAN), whole.span)
        up = (height - self.low) / max(self.high - self.low, 1e-9)
        across = ((angle - self.left) % 360.0) / self.span
        return replace(self, low=height - up * tall, high=height + (1 - up) * tall, left=angle - across * wide, span=wide).within(whole)

    def within(self, whole: Window) -> Window:
        """Return the window pushed back to where there is something to see; all round, it begins where ``whole`` does."""
        left = whole.left if self.span >= whole.span else self.left % 360.0
        span, tall = min(self.span, whole.span), self.high - self.low
        if tall >= whole.high - whole.low:
            return Window(whole.low, whole.high, left, span)
        low = min(max(self.low, whole.low), whole.high - tall)
        return Window(low, low + tall, left, span)

    def spot(self, row: int, column: int, rows: int, columns: int) -> tuple[float, float]:
        """Return (height mm, angle deg) of the middle of a cell."""
        height = self.high - (row + 0.5) * (self.high - self.low) / rows
        return height, (self.left + (column + 0.5) * self.span / columns) % 360.0

    def cell(self, height: float, angle: float, rows: int, columns: int) -> tuple[int, int] | None:
        """Return (row, column) of a spot, or None where it lies outside."""
        if not self.low <= height <= self.high:
            return None
        row = max(rows - 1 - int((height - self.low) / (self.high - self.low) * rows), 0)
        across = (angle - self.left) % 360.0
        return (row, min(int(across / self.span * columns), columns - 1)) if across < self.span else None


LEAST_HEIGHT, LEAST_SPAN = 1.0, 10.0
"""mm and deg that fill the picture at most zoom."""


@dataclass(frozen=True, slots=True)
class Layer:
    """Things of one kind on the surface; (k,) entries."""

    sign: Sign
    height: Any
    """mm."""
    angle: Any
    """deg; NaN where only the height is known."""
    say: Callable[[int], str]
    """Number of a thing to what the cursor reads out there."""


@dataclass(frozen=True, slots=True)
class Sheet:
    """What lies where on the surface."""

    whole: Window
    layers: Sequence[Layer]
    """From the lowest to the topmost one."""
    skin: Skin | None = None

    def at(self, window: Window, row: int, column: int, rows: int, columns: int) -> list[str]:
        """Return what lies in a cell of a window, the topmost first: for the cursor to read out."""
        found = []
        for layer in reversed(self.layers):
            for i in _inside(layer, window):
                angle = float(layer.angle[i])
                # A mark known by its height alone lies anywhere round.
                cell = window.cell(float(layer.height[i]), angle if angle == angle else window.left, rows, columns)
                if cell is not None and cell[0] == row and (angle != angle or cell[1] == column):
                    found.append(layer.say(int(i)))
        return found


@dataclass(frozen=True, slots=True)
class Unrolled:
    """A window of the surface: rows from the top down, columns counter-clockwise from its left edge."""

    rows: list[list[Sign]]
    margin: list[Sign]
    """A sign a row, for marks of which only the height is known."""
    heights: list[float]
    """mm, the lower edge of each row."""

    def signs(self) -> list[Sign]:
        """Return the signs that occur, in the order in which they are explained."""
        there = {sign for row in [*self.rows, self.margin] for sign in row}
        return [sign for sign in MEANING if sign in there]


def best_clock(told: Mapping[str, Any]) -> Mapping[str, Any] | None:
    """Return the clock that marks keep, where it is believed; None where it is not."""
    first = told["clocks"][0] if told["clocks"] else None
    return first if first and first["period"] is not None and (first["decibans"] or 0.0) >= SPOKEN else None


def keeping(told: Mapping[str, Any], clock: Mapping[str, Any] | None) -> list[bool]:
    """Return for each mark whether it keeps a clock's best beat: so many as hits were counted, the nearest ones."""
    count = len(told["list"])
    if clock is None:
        return [True] * count
    off = [abs(v) if v is not None else 9.0 for v in clock["folded"]] or [9.0] * count
    near = sorted(range(count), key=lambda i: off[i])[: clock["hits"]]
    return [i in near and off[i] < 1.0 for i in range(count)]


def unrolled(told: Mapping[str, Any], columns: int, rows: int) -> Unrolled:
    """Draw marks, predicted stops and seams of the marked region into so many cells."""
    sheet = sheet_of_marks(told)
    return draw(sheet, sheet.whole, columns, rows)


def draw(sheet: Sheet, window: Window, columns: int, rows: int) -> Unrolled:
    """Draw a window of a sheet into so many cells; what lies above covers what lies below, and says so where it tells something."""
    grid: list[list[Sign]] = [[""] * columns for _ in range(rows)]
    margin: list[Sign] = [""] * rows
    if sheet.skin is not None and sheet.skin.short_ms > 0:
        least = sheet.skin.least(window.low, window.high, window.left, window.span, columns, rows)
        for row, column in np.argwhere(least < sheet.skin.short_ms):
            grid[row][column] = "short"
    for layer in sheet.layers:
        for i in _inside(layer, window):
            height, angle = float(layer.height[i]), float(layer.angle[i])
            cell = window.cell(height, angle if angle == angle else window.left, rows, columns)
            if cell is None:
                continue
            row, column = cell
            if angle != angle:
                margin[row] = layer.sign
            else:
                grid[row][column] = _over(layer.sign, grid[row][column])
    step = (window.high - window.low) / rows
    return Unrolled(grid, margin, [window.high - (k + 1) * step for k in range(rows)])


def _inside(layer: Layer, window: Window) -> Iterator[int]:
    """Yield the things of a layer whose height lies in a window."""
    heights = np.asarray(layer.height, np.float64)
    yield from np.flatnonzero((heights >= window.low) & (heights <= window.high)).tolist()


def _over(sign: Sign, under: Sign) -> Sign:
    """Return what a cell shows where one thing lies over another: a mark where a stop or a seam is tells of it."""
    if sign == "kept" and under in ("stop", "met"):
        return "met"
    return "kept-seam" if sign == "kept" and under in ("seam", "kept-seam") else sign


def sheet_of_marks(told: Mapping[str, Any]) -> Sheet:
    """Return the marked region with its seams, predicted stops and marks, from the JSON of `marks`."""
    low, high = told["region"]
    if low is None or high is None or not high > low:
        heights = [m["height"] for m in told["list"] if m["height"] is not None] or [0.0]
        low, high = min(heights) - 0.5, max(heights) + 0.5
    below: list[Layer] = []
    named: tuple[tuple[Sign, str, Any], ...] = (("seam", "a seam", told["map"]["seams"]), ("stop", "a predicted stop", told["map"]["stops"]))
    for sign, name, points in named:
        height, angle = [p[0] for p in points], [p[1] for p in points]
        below.append(Layer(sign, height, angle, partial(_say_point, name, points)))
    return Sheet(Window(low, high), [*below, *_weighed_marks(told, low, high)])


def sheet_of_job(skin: Skin, told: Mapping[str, Any] | None = None, typed: Marks | None = None) -> Sheet:
    """Return the whole part with its seams, dips and stops, and with the marks: as weighed, else as they were typed."""
    layers = [
        Layer("seam", skin.seams.height, skin.seams.angle, lambda i: _say_spot("a loop begins", skin.seams, i)),
        Layer("dip", skin.dips.height, skin.dips.angle, lambda i: _say_spot("brakes for", skin.dips, i)),
        Layer("stop", skin.stops.height, skin.stops.angle, lambda i: _say_spot("stands still for", skin.stops, i)),
    ]
    if told is not None:
        layers += _weighed_marks(told, skin.low, skin.high)
    elif typed is not None:
        layers.append(typed_marks(typed))
    return Sheet(Window(skin.low, skin.high), layers, skin)


def typed_marks(marks: Marks) -> Layer:
    """Return marks where they were typed, before they are held against the job."""
    return Layer(
        "kept", marks.height, marks.angle % 360.0,
        lambda i: f"mark {i + 1}, as typed: {place_on_part(float(marks.height[i]), float(marks.angle[i]))}",
    )  # fmt: skip


def _weighed_marks(told: Mapping[str, Any], low: float, high: float) -> list[Layer]:
    kept = keeping(told, best_clock(told))
    layers = []
    wanted: tuple[tuple[Sign, bool], ...] = (("stray", False), ("kept", True))
    for sign, keeps in wanted:
        mine = [
            m for m, on in zip(told["list"], kept, strict=True) if on == keeps and m["on_part"] and m["height"] is not None
        ]
        height = [min(max(m["height"], low), high) for m in mine]
        angle = [float("nan") if m["angle"] is None else m["angle"] for m in mine]
        layers.append(Layer(sign, height, angle, partial(_say_one_of, mine)))
    return layers


def _say_point(name: str, points: Sequence[Sequence[float]], i: int) -> str:
    return f"{name}: {place_on_part(points[i][0], points[i][1])}"


def _say_one_of(marks: Sequence[Mapping[str, Any]], i: int) -> str:
    return say_mark(marks[i])


def say_mark(mark: Mapping[str, Any]) -> str:
    """Return where one mark of the JSON of `marks` was placed, as words."""
    name = f"mark {mark.get('row', '')}".strip()
    if not mark["on_part"]:
        off = "" if mark.get("off_mm") is None else f": {mark['off_mm']:.1f} mm off the surface"
        return f"{name} is not on the part{off}"
    angle = float("nan") if mark["angle"] is None else mark["angle"]
    line = f", line {mark['line']:,} of the job" if mark.get("line") else ""
    off = f", {mark['off_mm']:.1f} mm from what was measured" if mark.get("off_mm") else ""
    return f"{name}: {place_on_part(mark['height'], angle)}{line}{off}"


def _say_spot(what: str, spots: Spots, i: int) -> str:
    from diagnose.toolpath.starvation import WHY

    at = f"line {int(spots.line[i]):,}"
    if spots.t_s[i] != spots.t_s[i]:
        return f"{what}: {at}"
    length = length_of_time(float(spots.length_s[i]))
    return f"{what} {length} at {clock_time(float(spots.t_s[i]))}, {at}: {WHY_WORDS[WHY[int(spots.why[i])]]}"


WHY_WORDS: Mapping[str, str] = {
    "checkpoint": "a checkpoint is saved", "link-rate": "bytes come too slowly", "line-time": "the board takes so long a line",
    "round-trip": "each line waits for an answer", "random-stall": "card or cable stall at random",
}  # fmt: skip


def sides(columns: int, window: Window | None = None) -> str:
    """Return the names of the sides, each where its angle is; of a narrow window, angles beside them."""
    left, span = (window.left, window.span) if window else (0.0, 360.0)
    line = [" "] * columns
    step = 90 if span > 180 else 45 if span > 90 else 15 if span > 30 else 5
    free = 0
    for k in range(int(np.ceil(left / step)), int((left + span) // step) + 1):
        degrees = k * step % 360
        name = SIDES[degrees // 90] if degrees % 90 == 0 else f"{degrees}°"
        at = int((k * step - left) / span * columns)
        if at >= free and at + len(name) <= columns:
            line[at : at + len(name)] = name
            free = at + len(name) + 1
    return "".join(line).rstrip()


def folded(told: Mapping[str, Any], clock: Mapping[str, Any], columns: int, most: int = 14) -> list[list[Sign]]:
    """Draw marks folded on a clock's best beat as a heap: marks that keep the beat stack up in the middle column.

    Rows from the top down, at most ``most``; a heap that would stand higher is drawn at that height.
    """
    kept = keeping(told, clock)
    heaps: list[list[Sign]] = [[] for _ in range(columns)]
    for i in sorted(range(len(clock["folded"])), key=lambda i: not kept[i]):
        phase = clock["folded"][i]
        if phase is not None:
            at = min(int((phase + 0.5) * columns), columns - 1)
            heaps[at].append("kept" if kept[i] else "stray")
    tall = min(max((len(h) for h in heaps), default=0), most)
    return [[h[level] if level < len(h) else "" for h in heaps] for level in reversed(range(tall))]


def legend(signs: Sequence[Sign], unicode: bool, beat: bool, width: int) -> list[str]:
    """Return what each sign means, as lines of a width that break between signs only.

    ``beat`` says whether marks were told by the beat they keep.
    """
    words = dict(MEANING)
    if beat:
        words["kept"] = "mark on the beat"
    lines = [""]
    for sign in signs:
        said = f"{SIGNS[sign][0 if unicode else 1]} {words[sign]}"
        if lines[-1] and len(lines[-1]) + 3 + len(said) > width:
            lines.append("")
        lines[-1] += f"   {said}" if lines[-1] else said
    return lines
