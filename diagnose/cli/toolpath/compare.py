"""Jobs and printers side by side in one screen: which would stop, where and why."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import Any

from diagnose.cli.toolpath.draw import Pen
from diagnose.cli.toolpath.reading import Told
from diagnose.cli.toolpath.slices import RESERVE_TO_MS, Slice, rows_of
from diagnose.cli.toolpath.verdict import (
    clock,
    milliseconds,
    mm,
    number,
    percent,
    seconds,
    verdict,
)
from diagnose.errors import BadInput

LABEL = 14
NARROWEST = 15
ROWS, LOW_ROWS = 8, 6

Summary = dict[str, Any]


def most_columns(pen: Pen) -> int:
    """Return how many stand side by side on this page."""
    return max(2, (pen.width - LABEL) // (NARROWEST + 2))


def screen(told: Sequence[Told], pen: Pen, *, low: bool = False) -> Iterator[str]:
    """Yield the comparison; ``low`` fits a terminal of 24 lines.

    Raises BadInput when there are too many columns, or a job could not be read.
    """
    for one in told:
        if one.error is not None:
            raise one.error
    if len(told) > most_columns(pen):
        raise BadInput(
            f"{len(told)} columns do not fit on this page",
            f"compare {most_columns(pen)} at a time, use a wider terminal, or leave --compare away for one line each",
            "--compare",
        )
    wide = (pen.width - LABEL) // len(told) - 2
    jobs, printers = list(dict.fromkeys(t.path for t in told)), list(dict.fromkeys(t.printer for t in told))
    yield from _title(told, jobs, printers, pen)
    yield pen.rule
    heads = [_head(t, jobs, printers) for t in told]
    yield _row("", [pen.shortened(head, wide) for head in heads], wide)
    yield _row("", [verdict(t.summary).word for t in told], wide)
    for label, tell in ROWS_TOLD:
        cells = [tell(t.summary) for t in told]
        if any(cells):
            yield _row(label, [pen.shortened(cell, wide) for cell in cells], wide)
    if low:
        yield from _profiles(told, wide, pen, LOW_ROWS)
        return
    yield ""
    yield from _profiles(told, wide, pen, ROWS)
    yield ""
    for head, one in zip(heads, told, strict=True):
        yield from pen.folded(" ", f"{head}: {verdict(one.summary).sentence}{_because(one.summary)}")


def _title(told: Sequence[Told], jobs: Sequence[Path], printers: Sequence[str | None], pen: Pen) -> Iterator[str]:
    if len(jobs) == 1:
        yield pen.spread(f" {jobs[0]}", f"the same job on {len(printers)} printers ")
    elif len(printers) == 1:
        on = f"on {printers[0]}" if printers[0] else "without a printer card"
        yield pen.spread(f" {len(jobs)} jobs", f"{on} ")
    else:
        yield pen.spread(f" {len(jobs)} jobs", f"on {len(printers)} printers ")


def _head(one: Told, jobs: Sequence[Path], printers: Sequence[str | None]) -> str:
    names = [path.name for path in jobs]
    job = one.path.name if len(set(names)) == len(names) else str(one.path)
    if len(jobs) == 1:
        return one.printer or "no card"
    return job if len(printers) == 1 else f"{job} on {one.printer}"


def _row(label: str, cells: Sequence[str], wide: int) -> str:
    return (f" {label:<{LABEL - 1}}" + "".join(f"{cell:<{wide}}  " for cell in cells)).rstrip()


def _run(tell: Callable[[Summary], str]) -> Callable[[Summary], str]:
    """Return a cell that stays empty where the job was run on no printer."""
    return lambda s: "" if s["stops"] is None else tell(s)


def _places(s: Summary) -> str:
    places = s["stops"] if s["stops"]["count"] else s["dips"]
    if places["from_mm"] is None:
        return "nowhere"
    low, high = number(places["from_mm"]), number(places["to_mm"])
    return f"{mm(places['from_mm'])} up" if low == high else f"{low} to {high} mm up"


def _why(s: Summary) -> str:
    reasons = list(s["stops"]["by_why"]) or list(dict.fromkeys(dip["why"] for dip in s["dips"]["list"]))
    return ", ".join(WHY.get(why, why) for why in reasons)


WHY = {
    "checkpoint": "while saving",
    "link-rate": "bytes too slow",
    "line-time": "board too slow",
    "round-trip": "waits for answers",
    "random-stall": "random stalls",
}
"""As `verdict.SHORT`, for a cell."""


def _saves(s: Summary) -> str:
    supply = s["supply"]
    if not supply["save_every_s"]:
        return "none"
    return f"{supply['save_takes_ms']:.0f} ms, {s['checkpoints']['count']:,} times"


def _queue(s: Summary) -> str:
    return f"{s['supply']['queue_moves']:,} moves, {s['supply']['planning']}"


def _reserve(s: Summary) -> str:
    reserve = s["reserve"]
    return "" if reserve["least_ms"] is None else f"{milliseconds(reserve['least_ms'])}, {mm(reserve['z'])} up"


def _finding(s: Summary, id: str) -> Any:
    return next((f for f in s["findings"] if f["id"] == id), None)


def _link(s: Summary) -> str:
    load = _finding(s, "link-load")
    way = s["supply"]["feed"]
    return way if load is None else f"{way}, {percent(load['value'])} busy"


def _risk(s: Summary) -> str:
    expected = s["risk"]["expected_stops"]
    return f"{expected:.1f} stops" if expected >= 0.05 else "hardly any"


ROWS_TOLD: Sequence[tuple[str, Callable[[Summary], str]]] = (
    ("stands still", _run(lambda s: f"{s['stops']['count']:,} times" if s["stops"]["count"] else "never")),
    ("only brakes", _run(lambda s: f"{s['dips']['count']:,} times" if s["dips"]["count"] else "never")),
    ("where", _run(_places)),
    ("why", _run(_why)),
    ("stood in all", _run(lambda s: seconds(s["stops"]["total_s"]) if s["stops"]["count"] else "")),
    ("by chance", _run(_risk)),
    ("reserve", _run(_reserve)),
    ("one save", _run(_saves)),
    ("queue holds", _run(_queue)),
    ("fed from", _run(_link)),
    ("asks for", lambda s: f"{s['facets']['demand_per_s']:.0f} moves/s" if s["facets"]["demand_per_s"] else ""),
    ("takes", lambda s: clock(s["time_s"])),
)
"""Label and cell of each row; a row without any cell is left out."""


def _profiles(told: Sequence[Told], wide: int, pen: Pen, rows: int) -> Iterator[str]:
    """Yield the reserve by height of each column, with the stops beside it."""
    columns = [rows_of(t.summary["profile"], rows) for t in told]
    if not all(columns) or any(t.summary["stops"] is None for t in told):
        return
    same = len({tuple(row["to_mm"] for row in column) for column in columns}) == 1
    said = f"least reserve by height, bars end at {milliseconds(RESERVE_TO_MS)}"
    yield from pen.folded(" ", f"{said}; {pen.stop} stands still, {pen.dip} only brakes")
    for i in range(max(len(column) for column in columns)):
        cells = []
        for one, column in zip(told, columns, strict=True):
            cells.append(_cell(column[i], one.summary, wide, pen, not same) if i < len(column) else "")
        label = f"{number(columns[0][i]['to_mm'] or 0)} mm" if same else ""
        yield _row(f"{label:>{LABEL - 3}}", cells, wide)


def _cell(row: Slice, s: Summary, wide: int, pen: Pen, labelled: bool) -> str:
    count, sign = (row["stops"], pen.stop) if row["stops"] else (row["dips"], pen.dip)
    marks = f"{sign}{count:.0f}" if count else ""
    label = f"{number(row['to_mm'] or 0):>5} " if labelled else ""
    cells = max(wide - len(label) - 7, 4)
    save = s["supply"]["save_takes_ms"] / RESERVE_TO_MS if s["supply"]["save_every_s"] else None
    return f"{label}{pen.edge}{pen.bar((row['reserve_ms'] or 0) / RESERVE_TO_MS, cells, save)} {marks}"


def _because(s: Summary) -> str:
    """Return what in printer and job makes the verdict, in a sentence that begins with a space; empty without a run."""
    if s["stops"] is None or s["reserve"]["least_ms"] is None:
        return ""
    supply, least = s["supply"], s["reserve"]["least_ms"]
    load = _finding(s, "link-load")
    said = []
    if supply["save_every_s"]:
        longer = "longer" if supply["save_takes_ms"] > least else "shorter"
        said.append(f"a save of {supply['save_takes_ms']:.0f} ms is {longer} than the least reserve")
    else:
        said.append("nothing is saved while it runs")
    if load is not None:
        said.append(f"the {supply['feed']} is busy {percent(load['value'])} of the time where the job is busiest")
    return " " + (", and ".join(said))[0].upper() + (", and ".join(said))[1:] + "."
