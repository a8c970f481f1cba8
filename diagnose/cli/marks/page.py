"""One set of marks as a page: the verdict, clocks and places in decibans, the folded heap, the unrolled map."""

from __future__ import annotations

import math
import os
from collections.abc import Iterator, Mapping, Sequence
from typing import Any

import click

from diagnose.cli.toolpath.draw import Pen, table
from diagnose.triage.unrolled import SIGNS, Sign, best_clock, folded, legend, sides, unrolled
from diagnose.triage.wording import beat, clock_name, kinds_of_places, length_of, percent, times

FULL_BAR = 40.0
"""dB that fill one half of a bar: the most that one set of marks may say."""
SILENT = 0.5
"""dB under which a reading says nothing, and neither do its hits."""
SPOKEN = 3.0
"""dB from which something is said of a beat: two to one."""
COLOURS: Mapping[Sign, tuple[int, int, int]] = {
    "kept": (95, 184, 159), "met": (95, 184, 159), "kept-seam": (95, 184, 159), "stray": (230, 159, 0),
    "stop": (213, 94, 0), "seam": (86, 150, 200), "dip": (213, 94, 0),
    "short": (155, 161, 165),
}  # fmt: skip
"""Sign to its colour, which says nothing that its shape does not: of a palette for colour-blind eyes."""


def page(told: Mapping[str, Any], pen: Pen, *, brief: bool = False) -> Iterator[str]:
    """Yield the page of one set of marks; ``brief`` leaves out the pictures."""
    yield pen.spread(f" {told['job']}", f"on {told['printer']} " if told["printer"] else "no printer card ")
    yield pen.rule
    yield from pen.folded(f" {word(told)}  ", told["verdict"])
    yield ""
    yield from pen.folded(" marks   ", measured(told))
    first = told["clocks"][0] if told["clocks"] else None
    if first and (first["decibans"] or 0.0) >= SPOKEN:
        if first["part"]:
            yield from pen.folded(" part    ", f"{beat(first['clock'], first['period'], _width(first))}: {first['part']}")
        fits = [h.rstrip(".") for h in first["harmonics"]]
        beats = [(f"{a['period']:.3g}", a) for a in first["aliases"]]
        also = [f"{length_of(first['clock'], a['period'])} ({percent(a['share'])})" for figure, a in beats
                if not any(figure in said for said in fits)]  # fmt: skip
        fits += [f"other beats that fit: {', '.join(also)}"] if also else []
        if fits:
            yield from pen.folded(" also    ", "; ".join(fits))
    for why in told["why_tied"]:
        yield from pen.folded(" tied    ", why)
    for warning in told["warnings"]:
        yield from pen.folded(" note    ", warning)
    if told["clocks"] or told["places"]:
        yield ""
        yield from _tables(told, pen)
    if brief or not any(m["on_part"] for m in told["list"]):
        return
    clock = best_clock(told)
    if clock is not None:
        yield ""
        yield from _folded(told, clock, pen)
    yield ""
    yield from _map(told, clock is not None, pen)


def word(told: Mapping[str, Any]) -> str:
    """Return what the marks show in a word."""
    clock, place = (told[name][0] if told[name] else None for name in ("clocks", "places"))
    by_clock, by_place = ((best["decibans"] or 0.0) if best else 0.0 for best in (clock, place))
    if told["placed"] < 4:
        return "TOO FEW"
    if max(by_clock, by_place) < 10.0:
        return "NO ORDER" if max(by_clock, by_place) < SPOKEN else "HARDLY"
    if by_place > by_clock:
        return "PLACES"
    return "TIED" if any(clock and clock["clock"] in tie for tie in told["ties"]) else "BEAT"


def measured(told: Mapping[str, Any]) -> str:
    """Return how many marks there are and where."""
    on_part = [m for m in told["list"] if m["on_part"] and m["height"] is not None]
    text = f"{told['marks']} measured, {told['placed']} on the part"
    if not on_part:
        return text
    low, high = min(m["height"] for m in on_part), max(m["height"] for m in on_part)
    text += f", {low:.1f} to {high:.1f} mm up"
    alone = sum(m["angle"] is None for m in on_part)
    return text + (f"; {'all' if alone == len(on_part) else alone} by height alone" if alone else "")


def _tables(told: Mapping[str, Any], pen: Pen) -> Iterator[str]:
    """Yield clocks and places with their decibans under each other, and what this job has none of."""
    count = told["placed"]
    clocks = [_clock_row(c, count) for c in told["clocks"]]
    places = [_place_row(p, count) for p in told["places"] if p["count"]]
    heads = [[" keeps time with", "best beat (between)", "on it"]] + ([[" lies at", "", "on it"]] if places else [])
    cells = list(table([*heads, *(row[:-1] for row in clocks + places)], [False, False, True]))
    wide = max(map(len, cells))
    values = [row[-1] for row in clocks + places]
    half = min(max(pen.width - wide - 14, 4), 40)
    left = min(max((math.ceil(min(-v, FULL_BAR) / FULL_BAR * half) for v in values if v is not None and v < 0), default=0), half // 2)
    right = max(min(half, pen.width - wide - 10 - left), 1)
    scale = f"dB  {'against':>{left}} for" if left >= 7 else "dB"
    rows = [f"{text:<{wide}}" + ("" if v is None else f"  {v:+6.1f} {signed(v, left, right, pen)}")
            for text, v in zip(cells[len(heads) :], values, strict=True)]  # fmt: skip
    rows = [row.rstrip() for row in rows]
    yield f"{cells[0]:<{wide}}      {scale}"
    yield from rows[: len(clocks)]
    if clocks:
        yield from pen.folded(" ", f"{told['tried_db']:.0f} dB are taken off each: the best of {len(clocks)} tried looks good even by chance")
    if places:
        yield ""
        yield cells[1].rstrip()
        yield from rows[len(clocks) :]
    silent = [kinds_of_places(p["place"]) for p in told["places"] if not p["count"]]
    if silent:
        yield from pen.folded(" none there: ", ", ".join(silent))


def _clock_row(c: Mapping[str, Any], count: int) -> list[Any]:
    if c["period"] is None:
        return [f" {clock_name(c['clock'])}", "no two beats", "", None]
    width, name = _width(c), c["clock"]
    if width is None or (c["decibans"] or 0.0) < SPOKEN:
        return [f" {clock_name(name)}", length_of(name, c["period"]), _hits(c, count), c["decibans"]]
    low, high = (length_of(name, c[end], width).split()[0] for end in ("low", "high"))
    return [f" {clock_name(name)}", f"{length_of(name, c['period'], width)} ({low}-{high})", _hits(c, count), c["decibans"]]


def _place_row(p: Mapping[str, Any], count: int) -> list[Any]:
    return [f" {kinds_of_places(p['place'])}", f"{p['count']:,} there", _hits(p, count), p["decibans"]]


def _hits(reading: Mapping[str, Any], count: int) -> str:
    """Return how many marks were counted; nothing where the figure says nothing."""
    return f"{reading['hits']} of {count}" if abs(reading["decibans"] or 0.0) >= SILENT else ""


def _width(c: Mapping[str, Any]) -> float | None:
    return None if c["low"] is None or c["high"] is None else float(c["high"] - c["low"])


def signed(decibans: float, left: int, right: int, pen: Pen) -> str:
    """Return a weight as a bar from a middle line; one that is more than a full bar ends in an arrow."""
    middle = "│" if pen.unicode else "|"
    if decibans >= 0:
        return " " * left + middle + pen.bar(decibans / FULL_BAR, right).rstrip()
    cells = min(max(round(-decibans / FULL_BAR * right), 1), left)
    return ("▒" * cells if pen.unicode else "-" * cells).rjust(left) + middle


def _folded(told: Mapping[str, Any], clock: Mapping[str, Any], pen: Pen) -> Iterator[str]:
    bins = (min(pen.width - 10, 90) // 2 - 1) | 1
    columns = 2 * bins - 1
    yield from pen.folded(" ", f"Folded on {beat(clock['clock'], clock['period'], _width(clock))}: marks that keep it stack up in the middle")
    for row in folded(told, clock, bins):
        spaced: list[Sign] = [cell for sign in row for cell in (sign, "")]
        yield "    " + _drawn(spaced, pen)
    line, tick = ("─", "┴") if pen.unicode else ("-", "+")
    yield "    " + line * (columns // 2) + tick + line * (columns // 2)
    half = f"half a beat {'early'}"
    yield "    " + f"{half}{'on the beat':^{columns - 2 * len(half)}}{'half a beat late':>{len(half)}}".rstrip()


def _map(told: Mapping[str, Any], by_beat: bool, pen: Pen) -> Iterator[str]:
    columns, rows = pen.width - 11, 14 if pen.width < 100 else 20
    drawn = unrolled(told, columns, rows)
    yield from pen.folded(" ", "The surface unrolled, seen from outside: up is up, and it goes round once")
    wall = "│" if pen.unicode else "|"
    for k, row in enumerate(drawn.rows):
        label = f"{drawn.heights[k]:6.1f}" if k % 3 == 2 or k == rows - 1 else ""
        yield f" {label:>6} {_drawn([drawn.margin[k]], pen)}{wall}{_drawn(row, pen, keep=True)}".rstrip()
    line, corner = ("─", "└") if pen.unicode else ("-", "+")
    yield " " * 9 + corner + line * columns
    yield " " * 10 + sides(columns)
    signs = drawn.signs()
    for text in legend(signs, pen.unicode, by_beat, columns):
        yield " " * 10 + text
    if any(drawn.margin):
        yield from pen.folded(" " * 10, f"left of the line: {times(sum(bool(m) for m in drawn.margin), 'row')} with marks known by height alone")
    if "stop" in signs or "met" in signs:
        yield from pen.folded(" " * 10, "predicted stops are one run of many: their beat is right, their exact places are not")


def _drawn(row: Sequence[Sign], pen: Pen, *, keep: bool = False) -> str:
    """Return cells as text; colour only where standard output shows it and NO_COLOR is not set."""
    colour = not os.environ.get("NO_COLOR") and pen.unicode
    text = ""
    for sign in row:
        character = SIGNS[sign][0 if pen.unicode else 1]
        text += click.style(character, fg=COLOURS[sign]) if colour and sign else character
    return text if keep else text.rstrip()
