"""What the engine found in a job, as plain data for JSON."""

from __future__ import annotations

import dataclasses
from typing import Any

import numpy as np

from diagnose.toolpath.advice import Advice, Edge
from diagnose.toolpath.job import Job, Run
from diagnose.toolpath.starvation import WHY, Dips, Stops


def summary(job: Job, most: int = 1000) -> dict[str, Any]:
    """Return the JSON of one job; keys may be added, never changed."""
    file, shape = job.file, job.file.shape
    findings = {finding.id: finding for finding in job.findings}
    demand = findings.get("moves-demanded")
    return {
        "job": str(file.path),
        "bytes": file.bytes,
        "lines": file.lines,
        "moves": len(file.moves),
        "layers": file.layers,
        "time_s": _round(job.run.time_s if job.run else float(file.nominal_s.sum())),
        "time": "simulated" if job.run else "as asked for",
        "filament_mm": _round(float(np.cumsum(file.moves.e).max(initial=0.0))),
        "counts": dataclasses.asdict(file.counts),
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
        **(_run(job, job.run, most) if job.run else dict.fromkeys(RUN_KEYS)),
        "advice": _advice(job.advice) if job.advice else None,
        "findings": [finding.as_json() for finding in job.findings],
        "warnings": list(job.warnings),
    }


RUN_KEYS = ("reserve", "stops", "dips", "checkpoints", "sustained", "risk")
"""What is null without a machine."""


def _run(job: Job, run: Run, most: int) -> dict[str, Any]:
    line = job.file.moves.line
    least = run.least
    by_why = {name: int((run.stops.why == code).sum()) for code, name in enumerate(WHY)}
    return {
        "reserve": {
            "least_ms": None if least is None else _round(least[0]),
            "at_line": None if least is None else int(line[least[1]]),
        },
        "stops": {
            "count": len(run.stops),
            "total_s": _round(float(run.stops.length_s.sum())),
            "by_why": {name: count for name, count in by_why.items() if count},
            "list": [_stop(run.stops, i) for i in range(min(most, len(run.stops)))],
        },
        "dips": {"count": len(run.dips), "list": [_dip(run.dips, i) for i in range(min(most, len(run.dips)))]},
        "checkpoints": {
            "count": len(run.saves),
            "least_reserve_ms": _round(float(run.saves.reserve_ms.min())) if len(run.saves) else None,
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
        },
    }


def _advice(advice: Advice) -> dict[str, Any]:
    edges = {"queue": advice.queue, "speed": advice.speed, "save": advice.save, "link": advice.link}
    edges["facets"] = advice.facets
    return {
        "clean": advice.clean,
        **{name: _edge(edge) for name, edge in edges.items()},
        "facet_mm": _round(advice.facet_mm),
        "checkpoints": advice.saves,
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


def _stop(stops: Stops, i: int) -> dict[str, Any]:
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
