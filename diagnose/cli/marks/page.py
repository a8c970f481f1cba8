"""One set of marks as a page: the verdict, clocks and places in decibans, the folded heap, the unrolled map."""

from __future__ import annotations

import math
import os
from collections.abc import Iterator, Mapping, Sequence
from typing import Any

import click

from diagnose.cli.toolpath.draw import Pen, table
from diagnose.screens.unrolled import SIGNS, Sign, best_clock, folded, legend, sides, unrolled
from diagnose.triage.wording import beat, clock_name, kinds_of_places, length_of, percent, times

FULL_BAR = 40.0
"""dB that fill one half of a bar: the most that one set of marks may say."""
ROOM_FOR_BARS = 16
"""Cells that the decibans and a bar need at least."""
SPOKEN = 3.0
"""dB from which something is said of a beat: two to one."""
COLOURS: Mapping[Sign, tuple[int, int, int]] = {
    "kept": (95, 184, 159), "met": (95, 184, 159), "kept-seam": (95, 184, 159), "stray": (230, 159, 0),
    "stop": (213, 94, 0), "seam": (86, 150, 200),
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
        also = [f"{length_of(first['clock'], a['period'])} ({percent(a['share'])})" for a in first["aliases"]]
        fits = [h.rstrip(".") for h in first["harmonics"]] + ([f"other beats that fit: {', '.join(also)}"] if also else [])
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
    there = [p for p in told["places"] if p["count"]]
    places = [
        [f" {kinds_of_places(p['place'])}", f"{p['count']:,} there", "", f"{p['hits']} of {count}", p["decibans"]]
        for p in there
    ]
    heads = [[" keeps time with", "best beat", "between", "on it"]] + ([[" lies at", "", "", "on it"]] if places else [])
    texts = [*heads, *(row[:-1] for row in clocks + places)]
    cells = list(table(texts, [False, True, True, True]))
    if max(map(len, cells)) > pen.width - ROOM_FOR_BARS:
        cells = list(table([[t[0], t[1], t[3]] for t in texts], [False, True, True]))
    wide = max(map(len, cells))
    values = [row[-1] or 0.0 for row in clocks + places]
    half = min(max(pen.width - wide - 14, 4), 40)
    left = min(max((math.ceil(min(-v, FULL_BAR) / FULL_BAR * half) for v in values if v < 0), default=0), half // 2)
    right = max(min(half, pen.width - wide - 10 - left), 1)
    scale = f"dB  {'against':>{left}} for" if left >= 7 else "dB"
    rows = [f"{text:<{wide}}  {v:+6.1f} {signed(v, left, right, pen)}".rstrip() for text, v in zip(cells[len(heads) :], values, strict=True)]
    yield f"{cells[0]:<{wide}}      {scale}"
    yield from rows[: len(clocks)]
    if places:
        yield ""
        yield cells[1].rstrip()
        yield from rows[len(clocks) :]
    silent = [kinds_of_places(p["place"]) for p in told["places"] if not p["count"]]
    if silent:
        yield from pen.folded(" none there: ", ", ".join(silent))


def _clock_row(c: Mapping[str, Any], count: int) -> list[Any]:
    if c["period"] is None:
        return [f" {clock_name(c['clock'])}", "no two beats", "", "", c["decibans"]]
    width = _width(c)
    between = ""
    if width is not None and (c["decibans"] or 0.0) >= SPOKEN:
        between = f"{length_of(c['clock'], c['low'], width).split()[0]} to {length_of(c['clock'], c['high'], width).split()[0]}"
    return [
        f" {clock_name(c['clock'])}", length_of(c["clock"], c["period"], width if between else None), between,
        f"{c['hits']} of {count}", c["decibans"],
    ]  # fmt: skip


def _width(c: Mapping[str, Any]) -> float | None:
    return None if c["low"] is None or c["high"] is None else float(c["high"] - c["low"])


def signed(decibans: float, left: int, right: int, pen: Pen) -> str:
    """Return a weight as a bar from a middle line."""
    middle = "│" if pen.unicode else "|"
    if decibans >= 0:
        return " " * left + middle + pen.bar(min(decibans / FULL_BAR, 1.0), right).rstrip()
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
    yield from pen.folded(" " * 10, pen.dot.join(legend(signs, pen.unicode, by_beat)))
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
