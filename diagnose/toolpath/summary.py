"""What the engine found in a job, as plain data for JSON. `contract` describes every key."""

from __future__ import annotations

import dataclasses
from typing import Any

import numpy as np

from diagnose.toolpath.advice import Advice, Edge
from diagnose.toolpath.columns import EventKind, Floats
from diagnose.toolpath.findings import Finding
from diagnose.toolpath.job import Job, Run
from diagnose.toolpath.jobfile import JobFile
from diagnose.toolpath.machine import Machine
from diagnose.toolpath.profile import profile
from diagnose.toolpath.starvation import WHY, Dips, Stops


def summary(job: Job, most: int = 1000, printer: str | None = None) -> dict[str, Any]:
    """Return the JSON of one job; keys may be added, never changed.

    Parameters
    ----------
    most
        Stops, dips and stretches listed at most; the counts are of all.
    printer
        The printer card as the user named it.
    """
    file, shape = job.file, job.file.shape
    findings = {finding.id: finding for finding in job.findings}
    demand = findings.get("moves-demanded")
    return {
        "job": str(file.path),
        "printer": printer,
        "bytes": file.bytes,
        "lines": file.lines,
        "moves": len(file.moves),
        "layers": file.layers,
        "time_s": _round(job.run.time_s if job.run else file.sums.total_s),
        "time": "simulated" if job.run else "as asked for",
        "filament_mm": _round(file.sums.filament_mm),
        "counts": dataclasses.asdict(file.counts),
        "bounds": bounds(file),
        "spiral": {
            "share": _round(shape.spiral.share),
            "from_mm": _round(shape.spiral.from_mm),
            "to_mm": _round(shape.spiral.to_mm),
        },
        "seams": {"count": len(shape.seams.move), "style": shape.seam_style},
        "facets": {
            "median_mm": _round(shape.facet_median),
            "p05_mm": _round(shape.facet_p05),
            "demand_per_s": _round(demand.value) if demand else None,
        },
        "heat": heat(file),
        "flow": _flow(findings.get("flow-against-hot-end"), findings.get("implied-line-width"), job.run),
        **(_run(job, job.run, most) if job.run else dict.fromkeys(RUN_KEYS)),
        "profile": _profile(job),
        "advice": advice_json(job.advice) if job.advice else None,
        "findings": [finding.as_json() for finding in job.findings],
        "warnings": list(job.warnings),
    }


RUN_KEYS = ("supply", "reserve", "stops", "dips", "checkpoints", "sustained", "risk")
"""What is null without a machine."""


def _run(job: Job, run: Run, most: int) -> dict[str, Any]:
    line, moves = job.file.moves.line, job.file.moves
    least = run.least
    # The head is where the move before ended when the reserve of this one counts.
    place = None if least is None else max(int(least[1]) - 1, 0)
    by_why = {name: int((run.stops.why == code).sum()) for code, name in enumerate(WHY)}
    return {
        "supply": _supply(run.machine),
        "reserve": {
            "least_ms": None if least is None else _round(least[0]),
            "at_line": None if least is None else int(line[least[1]]),
            **{axis: None if place is None else _round(getattr(moves, axis)[place]) for axis in "xyz"},
        },
        "stops": {
            "count": len(run.stops),
            "total_s": _round(float(run.stops.length_s.sum())),
            "by_why": {name: count for name, count in by_why.items() if count},
            "from_mm": _round(run.stops.z.min()) if len(run.stops) else None,
            "to_mm": _round(run.stops.z.max()) if len(run.stops) else None,
            "list": [stop_json(run.stops, i) for i in range(min(most, len(run.stops)))],
        },
        "dips": {
            "count": len(run.dips),
            "from_mm": _round(run.dips.z.min()) if len(run.dips) else None,
            "to_mm": _round(run.dips.z.max()) if len(run.dips) else None,
            "list": [_dip(run.dips, i) for i in range(min(most, len(run.dips)))],
        },
        "checkpoints": {
            "count": len(run.saves),
            "least_reserve_ms": _round(float(run.saves.reserve_ms.min())) if len(run.saves) else None,
            "share_that_stops": _round(run.anywhere.share) if run.machine.checkpoint_every else None,
        },
        "sustained": [
            {
                "line": int(line[run.stretches.first[i]]),
                "to_line": int(line[run.stretches.last[i]]),
                "t_s": _round(float(run.stretches.t_s[i])),
                "length_s": _round(float(run.stretches.length_s[i])),
                "stops": int(run.stretches.stops[i]),
            }
            for i in range(min(most, len(run.stretches)))
        ],
        "risk": {
            "stall_ms": _round(run.risk.stall_ms),
            "per_min": _round(run.risk.per_min),
            "share_of_time": _round(run.risk.share_of_time),
            "expected_stops": _round(run.risk.expected_stops),
            "low": int(run.risk.low),
            "high": int(run.risk.high),
            "any": _round(run.risk.any),
        },
    }


def _supply(machine: Machine) -> dict[str, Any]:
    """Return the numbers of the card that the page and a comparison speak of."""
    return {
        "planning": machine.planning,
        "feed": machine.feed,
        "queue_moves": machine.queue_moves,
        "bytes_per_s": _round(machine.bytes_per_s),
        "save_every_s": _round(machine.checkpoint_every),
        "save_takes_ms": _round(machine.checkpoint_takes * 1e3),
    }


def bounds(file: JobFile) -> dict[str, Any]:
    """Return the box that the drawn path lies in, lines beside the part left out; nulls where nothing is drawn."""
    # Where a move ends is enough: it begins where the one before ended.
    box = file.sums.box
    return {
        axis: [_round(least), _round(most)] if least <= most else None
        for axis, (least, most) in zip("xyz", box.tolist(), strict=True)
    }


def heat(file: JobFile) -> dict[str, Any]:
    """Return what nozzle, bed and fan are told: when drawing begins, and the least and the most while it goes on."""
    n, sums = len(file.moves), file.sums
    first, last = (sums.first, sums.last) if sums.last >= 0 else (0, n - 1)
    kinds = {"nozzle_c": EventKind.NOZZLE_TEMP, "bed_c": EventKind.BED_TEMP, "fan": EventKind.FAN}
    return {name: _told(file, kind, first, last) for name, kind in kinds.items()}


def _told(file: JobFile, kind: EventKind, first: int, last: int) -> dict[str, Any] | None:
    events = file.events
    mine = (events.kind == kind) & np.isfinite(events.value) & (events.before <= last)
    before = events.value[mine & (events.before <= first)]
    during = events.value[mine & (events.before > first)]
    begins = before[-1:]
    values: Floats = np.concatenate([begins, during])
    if not len(values):
        return None
    return {
        "first": _round(values[0]),
        "least": _round(values.min()),
        "most": _round(values.max()),
        "changes": int(np.count_nonzero(np.diff(values))),
    }


def _flow(fastest: Finding | None, width: Finding | None, run: Run | None) -> dict[str, Any] | None:
    """Return the fastest flow against what the hot end melts, and the line width implied; None without a card."""
    if run is None:
        return None
    return {
        "fastest_mm3_s": _round(fastest.value) if fastest else None,
        "melts_mm3_s": _round(run.machine.melt_rate),
        "line_width_mm": _round(width.value) if width else None,
    }


def _profile(job: Job) -> dict[str, Any]:
    found = profile(job.file, job.run)
    return {
        "from_mm": _all(found.bottom_mm),
        "to_mm": _all(found.top_mm),
        "reserve_ms": _all(found.reserve_ms) if job.run else None,
        "demand_per_s": _all(found.demand_per_s),
        "speed_mm_s": _all(found.speed_mm_s),
        "nozzle_c": _all(found.nozzle_c),
        "fan": _all(found.fan),
        "stops": found.stops.tolist() if job.run else None,
        "dips": found.dips.tolist() if job.run else None,
    }


def _all(values: Floats) -> list[float | None]:
    return [_round(value) for value in values]


def advice_json(advice: Advice) -> dict[str, Any]:
    """Return the JSON of advice; keys may be added, never changed."""
    edges = {"queue": advice.queue, "speed": advice.speed, "save": advice.save, "link": advice.link}
    edges |= {"facets": advice.facets, "buffer": advice.buffer}
    return {
        "clean": advice.clean,
        **{name: _edge(edge) for name, edge in edges.items()},
        "facet_mm": _round(advice.facet_mm),
        "checkpoints": advice.saves,
        "worn": _round(advice.worn),
    }


def _edge(edge: Edge | None) -> dict[str, Any] | None:
    if edge is None:
        return None
    return {
        "now": _round(edge.now),
        "clean": _round(edge.clean),
        "unit": edge.unit,
        "open_ended": edge.open_ended,
    }


def stop_json(stops: Stops, i: int) -> dict[str, Any]:
    """Return one stop: line, place in mm, start and length in s, and why."""
    return {
        "line": int(stops.line[i]),
        "x": _round(stops.x[i]),
        "y": _round(stops.y[i]),
        "z": _round(stops.z[i]),
        "t_s": _round(stops.t_s[i]),
        "length_s": _round(stops.length_s[i]),
        "why": WHY[stops.why[i]],
    }


def _dip(dips: Dips, i: int) -> dict[str, Any]:
    return {
        "line": int(dips.line[i]),
        "x": _round(dips.x[i]),
        "y": _round(dips.y[i]),
        "z": _round(dips.z[i]),
        "t_s": _round(dips.t_s[i]),
        "length_s": _round(dips.length_s[i]),
        "speed_mm_s": _round(dips.speed[i]),
        "planned_mm_s": _round(dips.planned[i]),
        "why": WHY[dips.why[i]],
    }


def _round(value: float | None) -> float | None:
    """Return a number as JSON takes it: plain, seven significant digits at most; None where it is not known."""
    if value is None or not np.isfinite(value):
        return None
    return float(f"{value:.7g}")
