"""One job as a page that a person reads at a glance."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

from diagnose.cli.toolpath.advised import advice_lines
from diagnose.cli.toolpath.draw import Pen
from diagnose.cli.toolpath.slices import ROWS, drawn
from diagnose.cli.toolpath.verdict import clock, milliseconds, mm, number, percent, size, verdict
from diagnose.knowledge.pack import Knowledge
from diagnose.triage.meaning import standing_out, usual_of

SEAMS = {
    "aligned": "on one line up the part",
    "corners": "in the corners",
    "scattered": "scattered round the part",
    "none": "none: the wall is one spiral",
}
"""How the seams lie, in words; a style that is not here is shown as it is."""
LOW_ROWS, LOW_FINDINGS = 6, 3
ID_WIDTH = 22
"""Of the longest name of a finding."""


def page(
    s: dict[str, Any], knowledge: Knowledge, pen: Pen, *, rows: int = ROWS, all_findings: bool = False, brief: bool = False,
    low: bool = False,
) -> Iterator[str]:  # fmt: skip
    """Yield the page of one job: verdict, facts, profile, findings.

    Parameters
    ----------
    brief
        Leave out profile, findings and notes.
    low
        Fit a terminal of 24 lines: fewer slices, the first findings only, each on one line.
    """
    yield pen.spread(f" {s['job']}", f"on {s['printer']} " if s["printer"] else "no printer card ")
    yield pen.rule
    found = verdict(s)
    yield from pen.folded(f" {found.word}  ", found.sentence)
    if not low:
        yield ""
    for name, text in facts(s, pen):
        if not low:
            yield from pen.folded(f" {name:<7}", text)
        elif name != "first":
            yield pen.cut(f" {name:<7}{text}")
    if s["advice"] is not None:
        yield ""
        yield from advice_lines(s["advice"], pen)
    if brief:
        return
    if low and not all_findings:
        yield from drawn(s, pen, LOW_ROWS, legend=False)
        yield from _first_findings(s, knowledge, pen)
        return
    yield ""
    profile = list(drawn(s, pen, rows))
    yield from profile
    if profile:
        yield ""
    yield from _findings(s, knowledge, pen, all_findings)
    for warning in s["warnings"]:
        yield from pen.folded(" note  ", warning)


def facts(s: dict[str, Any], pen: Pen) -> Iterator[tuple[str, str]]:
    """Yield a word and a line for each thing worth knowing at once."""
    yield "job", pen.dot.join(_job(s))
    yield "size", pen.dot.join(_sizes(s))
    reserve = s["reserve"]
    if reserve is not None:
        yield "queue", _queue(s)
        if s["stops"]["count"]:
            yield "first", _first_stop(s["stops"]["list"][0])
    yield "seams", _seams(s)
    heat = list(_heat(s["heat"], pen))
    if heat:
        yield "heat", pen.dot.join(heat)
    flow = list(_flow(s["flow"]))
    if flow:
        yield "flow", pen.dot.join(flow)
    facets = s["facets"]
    if facets["median_mm"] is not None:
        demand = f", up to {facets['demand_per_s']:.0f} moves a second" if facets["demand_per_s"] else ""
        yield "curves", (
            f"in pieces of {facets['median_mm']:.2f} mm, one in 20 under {facets['p05_mm']:.2f} mm{demand}"
        )


def _job(s: dict[str, Any]) -> Iterator[str]:
    spiral, layers = s["spiral"], s["layers"]
    if spiral["share"] and spiral["share"] >= 0.5:
        yield f"one climbing spiral from {number(spiral['from_mm'])} to {mm(spiral['to_mm'])}"
    elif spiral["share"]:
        yield f"{layers:,} layers, {percent(spiral['share'])} of the path a spiral"
    elif layers:
        yield f"{layers:,} layer{'s' if layers != 1 else ''}"
    else:
        yield "the head moves, and nothing is drawn"
    box = s["bounds"]
    if all(box[axis] is not None for axis in "xyz"):
        wide = " x ".join(f"{box[axis][1] - box[axis][0]:.0f}" for axis in "xy")
        yield f"{wide} mm wide, {mm(box['z'][1])} high"


def _sizes(s: dict[str, Any]) -> Iterator[str]:
    yield f"{clock(s['time_s'])} {'on this printer' if s['time'] == 'simulated' else 'at the speeds asked for'}"
    yield f"{s['filament_mm'] / 1000:.2f} m of filament"
    yield f"{s['moves']:,} move{'s' if s['moves'] != 1 else ''}"
    yield size(s["bytes"])


def _queue(s: dict[str, Any]) -> str:
    reserve, supply = s["reserve"], s["supply"]
    if reserve["least_ms"] is None:
        text = f"of {supply['queue_moves']:,} moves; too few follow each other to say how close it comes to empty"
    else:
        text = (
            f"within {milliseconds(reserve['least_ms'])} of empty at line {reserve['at_line']:,}, {mm(reserve['z'])} up"
        )
    return text + (f"; a save takes {supply['save_takes_ms']:.0f} ms" if supply["save_every_s"] else "; nothing is saved")


def _first_stop(stop: dict[str, Any]) -> str:
    return (
        f"stop at line {stop['line']:,}, x {stop['x']:.1f} y {stop['y']:.1f} z {stop['z']:.2f}, after {clock(stop['t_s'])} "
        "(--csv: all)"
    )


def _seams(s: dict[str, Any]) -> str:
    style, count = str(s["seams"]["style"]), int(s["seams"]["count"])
    said = SEAMS.get(style, style)
    if style == "none" and not (s["spiral"]["share"] or 0) >= 0.5:
        return "none: no outer loop is closed"
    if style == "none":
        return said + (f" ({count:,} in its base)" if count else "")
    return f"{count:,}, {said}"


def _heat(heat: Mapping[str, Any], pen: Pen) -> Iterator[str]:
    unit = " °C" if pen.unicode else " C"
    for name, key in (("nozzle", "nozzle_c"), ("bed", "bed_c")):
        told = heat[key]
        if told is None:
            continue
        if told["changes"]:
            yield f"{name} {told['least']:.0f} to {told['most']:.0f}{unit}, {_changes(told)}"
        else:
            yield f"{name} {told['first']:.0f}{unit}"
    fan = heat["fan"]
    if fan is None:
        yield "fan never told"
    elif fan["changes"]:
        yield f"fan {100 * fan['least']:.0f} to {100 * fan['most']:.0f} %, {_changes(fan)}"
    else:
        yield f"fan {100 * fan['first']:.0f} %"


def _changes(told: Mapping[str, Any]) -> str:
    return f"{told['changes']:,} change{'s' if told['changes'] != 1 else ''}"


def _flow(flow: Mapping[str, Any] | None) -> Iterator[str]:
    if flow is None:
        return
    if flow["fastest_mm3_s"] is not None:
        share = flow["fastest_mm3_s"] / flow["melts_mm3_s"]
        yield f"{flow['fastest_mm3_s']:.1f} mm3/s at most, {share:.0%} of what the hot end melts".replace("%", " %")
    if flow["line_width_mm"] is not None:
        yield f"lines {flow['line_width_mm']:.2f} mm wide"


def _first_findings(s: dict[str, Any], knowledge: Knowledge, pen: Pen) -> Iterator[str]:
    """Yield the weightiest findings, a line each, and how to see the rest."""
    odd = standing_out(knowledge, s["findings"])
    for f in odd[:LOW_FINDINGS]:
        yield pen.cut(f" {f['id']:<{ID_WIDTH}} {f['because']}")
    yield pen.cut(f" {len(s['findings'])} findings, {len(odd)} stand out: --all shows them, --explain NAME one")


def _findings(s: dict[str, Any], knowledge: Knowledge, pen: Pen, all_findings: bool) -> Iterator[str]:
    odd = standing_out(knowledge, s["findings"])
    rest = [f for f in s["findings"] if f not in odd]
    if odd:
        yield from pen.folded(" ", f"What stands out ({len(odd)} of {len(s['findings'])} findings)")
        for f in odd:
            yield from pen.folded(f"  {f['id']:<{ID_WIDTH}} ", f["because"])
    else:
        yield " Nothing stands out: every finding is what most jobs show."
    if all_findings:
        yield " The others"
        for f in rest:
            usual = usual_of(knowledge, f["id"], f["answer"])
            often = "" if usual is None else f" (so in {percent(usual)} of jobs)"
            yield from pen.folded(f"  {f['id']:<{ID_WIDTH}} ", f"{f['because']}{often}")
    else:
        yield from pen.folded(" ", f"--all shows the other {len(rest)}, --explain NAME where one comes from and what it means")
