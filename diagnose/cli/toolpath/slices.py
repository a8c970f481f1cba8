"""The height profile: the part stands upright, each row is a slice of it."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from typing import Any

from diagnose.cli.toolpath.draw import Pen
from diagnose.cli.toolpath.verdict import milliseconds, number

ROWS, MARKS = 12, 11
RESERVE_TO_MS = 1000.0
"""Where the bar of the reserve ends; from here on it is called ample."""

Slice = dict[str, float | None]


def rows_of(profile: dict[str, Any], rows: int) -> list[Slice]:
    """Return the slices of a summary's profile, joined to at most so many rows, the top of the part first."""
    count = len(profile["to_mm"])
    each = max(1, -(-count // max(rows, 1)))
    joined: list[Slice] = []
    for first in range(0, count, each):
        part = slice(first, min(first + each, count))
        joined.append(
            {
                "to_mm": profile["to_mm"][part.stop - 1],
                **{name: _join(profile[name], part, how) for name, how in _HOW.items()},
            }
        )
    return joined[::-1]


def _mean(values: Sequence[float]) -> float:
    return sum(values) / len(values)


_HOW: dict[str, Callable[[Sequence[float]], float]] = {
    "reserve_ms": min, "demand_per_s": max, "speed_mm_s": _mean, "nozzle_c": _mean, "fan": _mean, "stops": sum,
    "dips": sum,
}  # fmt: skip


def _join(values: Sequence[float | None] | None, part: slice, how: Callable[[Sequence[float]], float]) -> float | None:
    known = [v for v in values[part] if v is not None] if values else []
    return how(known) if known else None


def drawn(s: dict[str, Any], pen: Pen, rows: int = ROWS, *, legend: bool = True) -> Iterator[str]:
    """Yield the profile of a job: reserve, demand, speed, heat where it changes, and stops, by height."""
    slices = rows_of(s["profile"], rows)
    if not slices:
        return
    run = s["stops"] is not None
    save = s["supply"]["save_takes_ms"] if run and s["supply"]["save_every_s"] else None
    heats, fans = _varies(slices, "nozzle_c", 1.0), _varies(slices, "fan", 0.1)
    # What is left of the page beside the numbers goes to the bars.
    room = pen.width - 8 - 2 * 7 - (11 + MARKS if run else 0) - (8 if heats else 0) - (7 if fans else 0)
    wide = max(room // 2, 4) if run else 0
    demand_cells = max((room - wide) * 4 // 7, 3)
    speed_cells = max(room - wide - demand_cells, 2)
    head = f" {'height':>7}"
    if run:
        head += "  " + "reserve, least".ljust(wide + 9)
    head += "  " + _title("moves a second", "moves/s", demand_cells + 5)
    head += "  " + _title("wall speed, mm/s", "wall mm/s", speed_cells + 5)
    head += f"  {'nozzle':>6}" if heats else ""
    head += f"  {'fan':>5}" if fans else ""
    yield (head + ("  stops" if run else "")).rstrip()
    most_demand, most_speed = _most(slices, "demand_per_s"), _most(slices, "speed_mm_s")
    most_stops = max(_most(slices, "stops"), _most(slices, "dips"))
    for row in slices:
        line = f" {number(row['to_mm'] or 0):>4} mm"
        if run:
            line += " " + _reserve(row["reserve_ms"], wide, save, pen)
        line += " " + _bar(row["demand_per_s"], most_demand, demand_cells, pen)
        line += " " + _bar(row["speed_mm_s"], most_speed, speed_cells, pen)
        if heats:
            line += f"  {'' if row['nozzle_c'] is None else format(row['nozzle_c'], '.0f'):>4} C"
        if fans:
            line += f"  {'' if row['fan'] is None else format(100 * row['fan'], '.0f') + ' %':>5}"
        if run:
            line += "  " + _marks(row, most_stops, pen)
        yield line.rstrip()
    if legend:
        yield from _legend(run, save, pen)


def _title(long: str, short: str, room: int) -> str:
    return (long if len(long) <= room else short)[:room].ljust(room)


def _reserve(value: float | None, cells: int, save: float | None, pen: Pen) -> str:
    mark = None if save is None else save / RESERVE_TO_MS
    if value is None:
        return pen.edge + pen.bar(0, cells, mark) + " " * 9
    return f"{pen.edge}{pen.bar(value / RESERVE_TO_MS, cells, mark)} {milliseconds(value):>8}"


def _bar(value: float | None, most: float, cells: int, pen: Pen) -> str:
    if value is None:
        return pen.edge + " " * (cells + 5)
    return f"{pen.edge}{pen.bar(value / most if most else 0.0, cells)} {value:4.0f}"


def _marks(row: Slice, most: float, pen: Pen) -> str:
    count, sign = (row["stops"], pen.stop) if row["stops"] else (row["dips"], pen.dip)
    if not count:
        return ""
    return sign * max(1, round(4 * count / max(most, 4))) + f" {min(count, 9999):.0f}"


def _legend(run: bool, save: float | None, pen: Pen) -> Iterator[str]:
    if not run:
        return
    text = f"reserve: how long the queued moves would last; the bar ends at {milliseconds(RESERVE_TO_MS)}"
    if save:
        text += f", {'┊' if pen.unicode else ':'} is a save of {save:.0f} ms"
    text += f"; {pen.stop} stands still, {pen.dip} only brakes"
    yield from pen.folded(" " * 9, text)


def _varies(slices: Sequence[Slice], name: str, least: float) -> bool:
    """Return whether a value changes above the lowest row, where it is commonly still being set."""
    known = [row[name] for row in slices[:-1]]
    values = [v for v in known if v is not None]
    return bool(values) and max(values) - min(values) >= least


def _most(slices: Sequence[Slice], name: str) -> float:
    return max((row[name] or 0.0 for row in slices), default=0.0)
