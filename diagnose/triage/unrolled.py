"""The part's surface unrolled, and marks folded on their beat, as grids of named signs: for the app and for commands.

Needs no toolkit. Works on the JSON of `marks`, so that a case that is resumed shows the same without its job file.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Literal

Sign = Literal["", "kept", "stray", "met", "stop", "seam", "kept-seam"]
"""A cell: nothing; a mark that keeps the best beat; one that does not; a mark at a predicted stop; such a stop; a seam;
a mark on a seam."""

SIGNS: Mapping[Sign, tuple[str, str]] = {
    "": (" ", " "), "kept": ("●", "o"), "stray": ("○", "x"), "met": ("◆", "@"), "stop": ("▲", "^"), "seam": ("┃", ":"),
    "kept-seam": ("◉", "%"),
}  # fmt: skip
"""Sign to what it is drawn as: in blocks, and in plain characters. No two look alike without colour."""

MEANING: Mapping[Sign, str] = {
    "kept": "mark", "stray": "mark off the beat", "met": "mark at a predicted stop", "kept-seam": "mark at a seam",
    "stop": "predicted stop", "seam": "seam",
}  # fmt: skip

SPOKEN = 10.0
"""dB from which a beat is believed enough to say which marks keep it: ten to one."""
SIDES = ("right", "back", "left", "front")
"""Where the quarters of the circle begin, counted counter-clockwise from the x axis."""


@dataclass(frozen=True, slots=True)
class Unrolled:
    """The marked region: rows from the top down, columns counter-clockwise from the right side."""

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
    low, high = told["region"]
    if low is None or high is None or not high > low:
        heights = [m["height"] for m in told["list"] if m["height"] is not None] or [0.0]
        low, high = min(heights) - 0.5, max(heights) + 0.5
    step = (high - low) / rows
    grid: list[list[Sign]] = [[""] * columns for _ in range(rows)]
    margin: list[Sign] = [""] * rows

    def row(height: float) -> int | None:
        at = rows - 1 - int((height - low) / step) if height < high else 0
        return at if 0 <= at < rows and height >= low - 0.02 * (high - low) else None

    layers: tuple[tuple[Sign, Any], ...] = (("seam", told["map"]["seams"]), ("stop", told["map"]["stops"]))
    for sign, points in layers:
        for height, angle in points:
            at = row(height)
            if at is not None and low <= height <= high:
                grid[at][_column(angle, columns)] = sign
    kept = keeping(told, best_clock(told))
    for i, mark in enumerate(told["list"]):
        if not mark["on_part"] or mark["height"] is None:
            continue
        at = row(min(max(mark["height"], low), high))
        if at is None:
            continue
        sign = "kept" if kept[i] else "stray"
        if mark["angle"] is None:
            margin[at] = sign
            continue
        under = grid[at][_column(mark["angle"], columns)]
        if kept[i] and under in ("stop", "met"):
            sign = "met"
        elif kept[i] and under in ("seam", "kept-seam"):
            sign = "kept-seam"
        grid[at][_column(mark["angle"], columns)] = sign
    return Unrolled(grid, margin, [high - (k + 1) * step for k in range(rows)])


def _column(angle: float, columns: int) -> int:
    return int(angle % 360.0 / 360.0 * columns) % columns


def sides(columns: int) -> str:
    """Return the names of the sides, each where its angle is."""
    line = [" "] * columns
    for k, name in enumerate(SIDES):
        at = k * columns // 4
        room = (k + 1) * columns // 4 - at
        line[at : at + min(len(name), room - 1)] = name[: room - 1]
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
