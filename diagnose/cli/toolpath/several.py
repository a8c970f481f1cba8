"""Many jobs: one line each, the riskiest first."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from pathlib import Path

from diagnose.cli.toolpath.draw import Pen, table
from diagnose.cli.toolpath.reading import Told
from diagnose.cli.toolpath.verdict import milliseconds, rough_clock, verdict

REST = 58
"""Columns that everything but the name of the job takes at most."""


def by_risk(told: Sequence[Told]) -> list[Told]:
    """Return the jobs that were read, the riskiest first, then those that were not."""
    read = [t for t in told if t.error is None]
    return sorted(read, key=lambda t: verdict(t.summary).order, reverse=True) + [t for t in told if t.error is not None]


def lines(told: Sequence[Told], pen: Pen) -> Iterator[str]:
    """Yield the table: job, what happens, how often, where and why, least reserve, time."""
    run = any(t.error is None and t.summary["stops"] is not None for t in told)
    head = ("job", "", *(("times", "reserve") if run else ()), "takes", "where and why" if run else "")
    right = (False, False, *((True, True) if run else ()), True, False)
    names = _names([t.path for t in told])
    rows: list[Sequence[str]] = [head]
    refused: dict[int, str] = {}
    for one in by_risk(told):
        name = pen.shortened(names[one.path], max(pen.width - REST, 16))
        if one.error is not None:
            refused[len(rows)] = one.error.what
            rows.append((name, "NOT READ", *([""] * (len(head) - 2))))
            continue
        s, found = one.summary, verdict(one.summary)
        numbers: tuple[str, ...] = ()
        if run:
            least, count = s["reserve"]["least_ms"], s["stops"]["count"] or s["dips"]["count"]
            numbers = (f"{count:,}" if count else "", "" if least is None else milliseconds(least))
        rows.append((name, found.word, *numbers, rough_clock(s["time_s"]), found.short))
    start = max(len(row[0]) for row in rows) + max(len(row[1]) for row in rows) + 5
    for number, line in enumerate(table(rows, right)):
        if number in refused:
            yield from pen.folded(f" {line}".ljust(start), refused[number])
        else:
            yield f" {line}"[: pen.width]
        if number == 0:
            yield pen.rule
    if run:
        text = "times: how often the head stands still, or brakes, for want of moves; reserve: how close the queue comes to empty"
        yield from pen.folded(" ", text)


def _names(paths: Sequence[Path]) -> dict[Path, str]:
    """Return each path as shortly as it can be told from the others: its name, or the whole."""
    count: dict[str, int] = {}
    for path in set(paths):
        count[path.name] = count.get(path.name, 0) + 1
    return {path: path.name if count[path.name] == 1 and path.name else str(path) for path in paths}
