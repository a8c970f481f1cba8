"""``diagnose toolpath``: what a job file asks of the machine, and where the queue runs short."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import click

from diagnose.cli.common import json_option, print_json, printer_option, progress, quiet_option, rules_option
from diagnose.cli.words import indented
from diagnose.errors import BadInput
from diagnose.triage import card, knowledge_from, machine_of

SHOWN = 8


@click.command()
@click.argument("jobs", metavar="JOB...", nargs=-1, required=True, type=click.Path(path_type=Path))
@printer_option
@rules_option
@json_option
@quiet_option
@click.option("--advise", "advised", is_flag=True, help="Find what would keep the queue from running dry (slower).")
def toolpath(
    jobs: tuple[Path, ...],
    printer: str | None,
    packs: tuple[Path, ...],
    as_json: bool,
    quiet: bool,
    advised: bool,
) -> None:
    """Read job files and show where the motion queue runs short.

    Stops, dips and reserve need a printer card; without one only what the file says by itself is shown.
    """
    from diagnose.toolpath.job import read_job
    from diagnose.toolpath.summary import summary

    if advised and not printer:
        raise BadInput("advice needs a printer card", "name one with --printer; `printers list` shows them", "--advise")
    machine = machine_of(card(knowledge_from(packs), printer)) if printer else None
    found = []
    for path in jobs:
        job = read_job(path, machine, progress=progress(quiet or as_json))
        if advised:
            job.advise(progress(quiet or as_json))
        found.append(summary(job))
    if as_json:
        print_json(found[0] if len(found) == 1 else {"jobs": found})
        return
    for number, told in enumerate(found):
        if number:
            click.echo()
        for line in _lines(told, quiet):
            click.echo(line)


def _lines(s: dict[str, Any], quiet: bool) -> Iterator[str]:
    yield f"{s['job']}: {s['bytes']:,} bytes, {s['lines']:,} lines, {s['moves']:,} moves, {s['layers']:,} layers"
    clock = _clock(s["time_s"])
    yield f"  {clock} {s['time']}, {s['filament_mm'] / 1000:.2f} m of filament"
    spiral, facets = s["spiral"], s["facets"]
    if spiral["share"] and spiral["share"] > 0:
        yield f"  spiral: {100 * spiral['share']:.0f} % of the path, {spiral['from_mm']:g} to {spiral['to_mm']:g} mm"
    yield f"  seams: {s['seams']['count']:,}, {s['seams']['style']}"
    if facets["median_mm"] is not None:
        yield (
            f"  facets: {facets['median_mm']:.2f} mm at the median, {facets['p05_mm']:.2f} mm the finest twentieth"
            + (f", up to {facets['demand_per_s']:.0f} moves/s" if facets["demand_per_s"] else "")
        )
    if s["reserve"] is not None:
        least = s["reserve"]["least_ms"]
        if least is not None:
            yield f"  reserve: {least:.0f} ms at the least, line {s['reserve']['at_line']}"
        yield from _stops(s["stops"], s["dips"])
    if s["advice"] is not None:
        yield from _advice(s["advice"])
    if not quiet:
        yield "  findings"
        for f in s["findings"]:
            lines = f", line {f['lines'][0]}" if f["lines"] else ""
            yield f"    {f['id']}: {f['answer']} (confidence {f['confidence']:.2f}{lines})"
            yield from indented(f["because"], 6)
    for warning in s["warnings"]:
        yield from indented(f"note: {warning}", 2)


def _stops(stops: dict[str, Any], dips: dict[str, Any]) -> Iterator[str]:
    if not stops["count"]:
        yield "  the head never stands still for want of moves"
    else:
        why = ", ".join(f"{count} for {name}" for name, count in stops["by_why"].items())
        yield f"  stops: {stops['count']} ({why}), {stops['total_s']:.2f} s in all"
        for stop in stops["list"][:SHOWN]:
            yield (
                f"    line {stop['line']:>8}  x {stop['x']:8.2f}  y {stop['y']:8.2f}  z {stop['z']:7.2f}"
                f"  at {_clock(stop['t_s'])}  {1000 * stop['length_s']:6.1f} ms  {stop['why']}"
            )
        if stops["count"] > SHOWN:
            yield f"    and {stops['count'] - SHOWN} more (--json lists them)"
    if dips["count"]:
        yield f"  dips: {dips['count']} times it brakes for want of moves without standing"


def _advice(a: dict[str, Any]) -> Iterator[str]:
    yield f"  {a['checkpoints']} checkpoints are written while it runs" if a["checkpoints"] else "  no checkpoint is written"
    if a["clean"]:
        yield "  as it is, the head never stands or brakes for want of moves; it would begin to"
        edges = {
            "queue": "with fewer moves in the queue than {clean:g} (now {now:g})",
            "speed": "above {clean:.0%} of the speeds it asks for",
            "save": "with saves longer than {clean:.0f} ms (now {now:.0f})",
            "link": "on a link slower than {clean:,.0f} bytes/s (now {now:,.0f})",
        }
    else:
        yield "  any one of these alone would keep the head moving"
        edges = {
            "queue": "at least {clean:g} moves in the queue (now {now:g})",
            "speed": "at most {clean:.0%} of the speeds it asks for",
            "save": "saves of at most {clean:.0f} ms (now {now:.0f})",
            "link": "a link of at least {clean:,.0f} bytes/s (now {now:,.0f})",
            "facets": "facets joined where that moves the path by no more than {clean:.3f} mm",
        }
    for name, text in edges.items():
        edge = a[name]
        if edge is None:
            continue
        if not a["clean"] and name == "link" and edge["clean"] is not None and edge["clean"] <= edge["now"]:
            continue  # the link is quick enough already
        if edge["clean"] is None:
            yield f"    no {name} in the range tried cures it by itself"
        elif edge["open_ended"]:
            yield f"    not even {text.format(**edge)}" if a["clean"] else f"    {text.format(**edge)}"
        else:
            yield f"    {text.format(**edge)}"


def _clock(seconds: float) -> str:
    whole = int(seconds)
    return f"{whole // 3600}:{whole // 60 % 60:02d}:{seconds % 60:04.1f}"
