"""Measured marks on a case: what causes ask of them, what they say, and how they are kept in a journal."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Callable, Mapping
from typing import TYPE_CHECKING, Any

import numpy as np

from diagnose.knowledge.cards import Printer
from diagnose.knowledge.models import Leaves
from diagnose.knowledge.pack import Knowledge
from diagnose.marks.model import LEAST_MARKS, TRIED_DB, UNIT, Ask, Marks, MarksReport
from diagnose.triage.sources import card
from diagnose.triage.wording import beat, keeps, kinds_of_places, times

if TYPE_CHECKING:
    from diagnose.toolpath.job import Job

MOST_POINTS = 600
"""Stops or seams kept for the map: more than it has room for."""
SPOKEN = 3.0
"""dB from which marks are said to keep a beat or lie at a place: two to one."""


def ask_of(leaves: Leaves | None) -> Ask | None:
    """Return what a cause asks of the marks; None where it leaves them anywhere or does not say."""
    if leaves is None or leaves.anywhere:
        return None
    if leaves.at is not None:
        return Ask(at=leaves.at)
    low, high = (leaves.from_s, leaves.to_s) if leaves.every == "time" else (leaves.from_mm, leaves.to_mm)
    return Ask(every=leaves.every, low=low, high=high)


def asks(knowledge: Knowledge) -> dict[str, Ask]:
    """Return cause id to what it asks of the marks, of the causes that ask anything."""
    found = {cause.id: ask_of(cause.leaves) for cause in knowledge.causes.values()}
    return {id: ask for id, ask in found.items() if ask is not None}


def trains_of(printer: Printer | None) -> dict[str, float]:
    """Return the lengths in mm (teeth for the pulley) at which a printer's drive repeats, by their names on the card."""
    if printer is None:
        return {}
    return {name: float(getattr(printer.drive, name).value) for name in type(printer.drive).model_fields}


def weigh(
    knowledge: Knowledge,
    marks: Marks,
    job: Job,
    printer: str | None,
    asked: Mapping[str, Ask],
    progress: Callable[[float, str], None] | None = None,
    cancel: Callable[[], bool] | None = None,
    part: int | None = None,
) -> dict[str, Any]:
    """Hold marks against a job that was run on a printer card; returns the JSON of what they say (`marks_contract`).

    ``part``: which object of a plate has the marks, from 1; all by default.
    """
    from diagnose.marks.analysis import analyse

    trains = trains_of(card(knowledge, printer) if printer else None)
    each = list(dict.fromkeys(asked.values()))
    report = analyse(job, marks, each, trains=trains, part=part, progress=progress, cancel=cancel)
    return marks_json(report, job, printer)


# -- marks as a journal keeps them ------------------------------------------------------------------------------------


def packed(marks: Marks) -> dict[str, Any]:
    """Return marks as plain lists by column; NaN becomes None."""
    return {field.name: _plain(getattr(marks, field.name)) for field in dataclasses.fields(marks)}


def unpacked(columns: Mapping[str, Any]) -> Marks:
    """Return marks as they were packed; raises ValueError for columns that are none of theirs."""
    values: dict[str, Any] = {}
    rows = columns.get("row")
    if not isinstance(rows, list):
        raise ValueError("no marks")
    for field in dataclasses.fields(Marks):
        told = columns.get(field.name)
        if isinstance(told, list):
            if len(told) != len(rows):
                raise ValueError("columns of marks differ in length")
            kind: Any = np.int32 if field.name == "row" else np.float64
            values[field.name] = np.array([np.nan if v is None else v for v in told], dtype=kind)
        elif told is not None:
            values[field.name] = told
    try:
        return Marks(**values)
    except TypeError as error:
        raise ValueError("columns of marks are missing") from error


def joined(first: Marks, more: Marks) -> Marks:
    """Return the marks of both, numbered on."""
    values: dict[str, Any] = {}
    for field in dataclasses.fields(Marks):
        a, b = getattr(first, field.name), getattr(more, field.name)
        values[field.name] = np.concatenate([a, b]) if isinstance(a, np.ndarray) else b
    values["row"] = np.arange(1, len(first) + len(more) + 1, dtype=np.int32)
    return Marks(**values)


def _plain(value: Any) -> Any:
    if isinstance(value, np.ndarray):
        return [_number(v) if value.dtype.kind == "f" else int(v) for v in value]
    return value


def _number(value: float, digits: int = 6) -> float | None:
    return round(float(value), digits) if math.isfinite(value) else None


# -- what they say ----------------------------------------------------------------------------------------------------


def marks_json(report: MarksReport, job: Job, printer: str | None = None) -> dict[str, Any]:
    """Return the JSON of one set of marks on one job; keys may be added, never changed (`marks_contract`)."""
    marks, placed = report.marks, report.placed
    on_part = placed.line > 0
    return {
        "job": str(job.file.path),
        "printer": printer,
        "marks": len(marks),
        "placed": report.count,
        "clocks": [
            {
                "clock": c.clock, "decibans": _number(c.decibans, 2), "period": _number(c.period),
                "unit": c.unit, "low": _number(c.low), "high": _number(c.high), "part": c.part, "hits": c.hits,
                "phase": _number(c.phase, 4), "harmonics": list(c.harmonics),
                "aliases": [{"period": _number(p), "share": _number(s, 4)} for p, s in c.aliases],
                "folded": [_number(v, 4) for v in c.folded],
            }
            for c in sorted(report.clocks, key=lambda c: -c.decibans)
        ],
        "tried_db": _number(TRIED_DB, 2),
        "ties": [list(tie) for tie in report.ties],
        "why_tied": list(report.why_tied),
        "places": [
            {"place": p.place, "decibans": _number(p.decibans, 2), "hits": p.hits, "count": p.count}
            for p in sorted(report.places, key=lambda p: -p.decibans)
        ],
        "verdict": report.verdict,
        "warnings": list(report.warnings),
        "evidence": [
            {
                "every": ask.every, "at": ask.at, "low": ask.low, "high": ask.high, "decibans": _number(decibans, 3),
                "say": said(report, ask, decibans),
            }
            for ask, decibans in report.decibans.items()
        ],
        "axis": [_number(v, 3) for v in report.axis],
        "region": [_number(v, 3) for v in report.region],
        "list": [
            {
                "row": int(marks.row[i]), "on_part": bool(on_part[i]),
                "height": _number((placed.height if on_part[i] else marks.height)[i], 3),
                "angle": _angle(report, i), "x": _number(placed.x[i], 3), "y": _number(placed.y[i], 3),
                "line": int(placed.line[i]), "off_mm": _number(placed.off_mm[i], 3), "turns": int(placed.turns[i]),
            }
            for i in range(len(marks))
        ],
        "map": _map(report, job),
    }  # fmt: skip


def said(report: MarksReport, ask: Ask, decibans: float) -> str:
    """Return in a sentence what the marks say to what a cause asks of them."""
    count = report.count
    if count < LEAST_MARKS:
        return f"only {times(count, 'mark')} on the part: too few to say anything"
    if ask.at is not None:
        place = next((p for p in report.places if p.place == ask.at), None)
        where = kinds_of_places(ask.at)
        if place is None or place.count == 0:
            return f"this job has no {where} there, which the findings know already"
        if decibans >= SPOKEN:
            return f"{place.hits} of {times(count, 'mark')} lie at {where}"
        return f"the marks do not keep to {where}" if decibans <= -SPOKEN else f"the marks hardly tell {where} from anywhere"
    assert ask.every is not None
    clock = next((c for c in report.clocks if c.clock == ask.every), None)
    if clock is None or decibans < SPOKEN or not math.isfinite(clock.period):
        span = "" if ask.low is None or ask.high is None else f" of {ask.low:g} to {ask.high:g} {_unit(ask)}"
        return f"the marks {'keep no' if decibans <= -SPOKEN else 'hardly keep a'} beat{span} {keeps(ask.every)}"
    return f"{clock.hits} of {times(count, 'mark')} fall on {beat(clock.clock, clock.period, clock.high - clock.low)}"


def _unit(ask: Ask) -> str:
    return UNIT[ask.every] if ask.every else ""


def _angle(report: MarksReport, i: int) -> float | None:
    """Return the angle a mark is drawn at: where it was placed, unless it was given by height alone."""
    marks, placed = report.marks, report.placed
    if math.isnan(marks.angle[i]) and math.isnan(marks.x[i]):
        return None
    value = placed.angle[i] if placed.line[i] > 0 else marks.angle[i]
    return _number(value % 360.0, 2) if math.isfinite(value) else None


def _map(report: MarksReport, job: Job) -> dict[str, Any]:
    """Return stops and seams of the marked region as [height mm, angle deg], thinned to what a map has room for."""
    seams = job.file.shape.seams
    found: dict[str, Any] = {"seams": _points(report, seams.x, seams.y, seams.z), "stops": []}
    if job.run is not None:
        stops = job.run.stops
        found["stops"] = _points(report, stops.x, stops.y, stops.z)
    return found


def _points(report: MarksReport, x: Any, y: Any, z: Any) -> list[list[float]]:
    low, high = report.region
    margin = max(0.05 * (high - low), 1.0)
    inside = np.flatnonzero((z >= low - margin) & (z <= high + margin))
    if len(inside) > MOST_POINTS:
        inside = inside[np.linspace(0, len(inside) - 1, MOST_POINTS).astype(int)]
    angle = np.degrees(np.arctan2(y[inside] - report.axis[1], x[inside] - report.axis[0])) % 360.0
    return [[round(float(h), 2), round(float(a), 1)] for h, a in zip(z[inside], angle, strict=True)]


@dataclasses.dataclass(frozen=True, slots=True)
class Weighed:
    """What measured marks say on a case: the JSON of `marks_json` as it stands in the journal, read again."""

    told: Mapping[str, Any]
    by_ask: Mapping[Ask, tuple[float, str]]
    """Decibans and sentence of each thing asked."""

    @classmethod
    def of(cls, told: Mapping[str, Any]) -> Weighed | None:
        """Read what a journal holds; None where it is nothing of ours."""
        try:
            by_ask = {
                Ask(e["every"], e["at"], e["low"], e["high"]): (float(e["decibans"]), str(e["say"]))
                for e in told["evidence"]
            }
            weighed = cls(told, by_ask)
            int(told["placed"]), int(told["marks"]), str(told["verdict"])
        except (KeyError, TypeError, ValueError):
            return None
        return weighed

    @property
    def placed(self) -> int:
        """Marks that lie on the part."""
        return int(self.told["placed"])

    @property
    def enough(self) -> bool:
        """Whether so many lie on the part that they count."""
        return self.placed >= LEAST_MARKS

    def decibans(self, asked: Mapping[str, Ask]) -> dict[str, float]:
        """Return cause id to the decibans by which the marks speak for it against *anywhere*."""
        return {id: self.by_ask[ask][0] for id, ask in asked.items() if ask in self.by_ask} if self.enough else {}

    def missing(self, asked: Mapping[str, Ask]) -> bool:
        """Tell whether the rules ask something that was not asked when the marks were analysed."""
        return any(ask not in self.by_ask for ask in asked.values())

    def say(self, ask: Ask | None) -> str:
        """Return the sentence for what one cause asks; the marks in general where it asks nothing."""
        return self.by_ask[ask][1] if ask is not None and ask in self.by_ask else f"{times(self.placed, 'mark')} measured"
