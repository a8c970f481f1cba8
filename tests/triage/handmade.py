"""Reports on marks made by hand: what the analysis would say, without a job to analyse."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np

from diagnose.knowledge.pack import Knowledge
from diagnose.marks.model import Ask, ClockReading, Marks, MarksReport, Placed, PlaceReading
from diagnose.triage.marks import asks, marks_json


def marks_at(heights: Sequence[float], angles: Sequence[float] | None = None) -> Marks:
    n = len(heights)
    nan = np.full(n, np.nan)
    return Marks(
        height=np.array(heights, float), angle=nan if angles is None else np.array(angles, float), x=nan.copy(), y=nan.copy(),
        height_err=np.full(n, 0.1), angle_err=np.full(n, 2.0), place_err=nan.copy(), size=nan.copy(),
        row=np.arange(1, n + 1, dtype=np.int32),
    )  # fmt: skip


MARKS = marks_at(np.linspace(40.0, 55.0, 14).tolist(), (np.arange(14) * 97.0 % 360.0).tolist())


def report(
    decibans: Mapping[Ask, float], marks: Marks = MARKS, *, off: Sequence[int] = (), warnings: Sequence[str] = (),
    period: float = 5.0,
) -> MarksReport:
    """Return a report in which time is the best clock and stops for saving the best place."""
    n = len(marks)
    line = np.array([0 if i in off else 100 + i for i in range(n)], dtype=np.int64)
    on_part = line > 0
    folded = np.where(on_part, np.linspace(-0.04, 0.04, n), np.nan)
    folded[-1] = 0.37
    angle = np.where(np.isnan(marks.angle), 12.0, marks.angle)
    count = int(on_part.sum())
    clocks = [
        ClockReading("time", 36.0, period, "s", 0.99 * period, 1.01 * period, 0.2, count - 1, folded, ("half of it fits as well",),
                     ((10.0, 0.05),), ""),
        ClockReading("path", 34.0, 400.0, "mm", 395.0, 404.0, 0.2, count - 1, folded),
        ClockReading("height", -6.0, 8.0, "mm", 7.0, 9.0, 0.2, 4, folded, part="one turn of the lead screw"),
        ClockReading("layer", -8.0, float("nan"), "layers", float("nan"), float("nan"), 0.0, 0, np.full(n, np.nan)),
    ]  # fmt: skip
    places = [PlaceReading("checkpoint-stops", 20.0, count - 2, 40), PlaceReading("corners", -3.0, 1, 800),
              PlaceReading("seams", 0.0, 0, 0)]  # fmt: skip
    placed = Placed(
        np.where(on_part, marks.height, np.nan), angle, 60 + 30 * np.cos(angle), 60 + 30 * np.sin(angle), line,
        np.where(on_part, 0.05, 2.1), np.full(n, 2, dtype=np.int64),
    )  # fmt: skip
    return MarksReport(
        marks, placed, count, tuple(clocks), tuple(places), (("time", "path"),),
        ("Time and path printed cannot be told apart: the speed is the same all over the marked stretch.",),
        f"{count - 1} of {count} marks fall on one {period:.1f} s beat.", tuple(warnings), dict(decibans), (60.0, 60.0),
        (39.0, 56.0),
    )  # fmt: skip


def fake_job(path: str = "part.gcode") -> Any:
    """Return as much of a job as the JSON of marks looks at."""
    heights = np.linspace(39.5, 55.5, 40)
    seams = SimpleNamespace(x=np.full(40, 90.0), y=np.full(40, 60.0), z=heights)
    stops = SimpleNamespace(x=60 + 30 * np.cos(heights), y=60 + 30 * np.sin(heights), z=heights)
    return SimpleNamespace(
        file=SimpleNamespace(path=Path(path), shape=SimpleNamespace(seams=seams)), run=SimpleNamespace(stops=stops)
    )


def told(knowledge: Knowledge, by_cause: Mapping[str, float], **more: Any) -> dict[str, Any]:
    """Return the JSON of marks that speak for causes with so many decibans, and 0 for what other causes ask."""
    asked = asks(knowledge)
    decibans = dict.fromkeys(asked.values(), 0.0)
    decibans |= {asked[cause]: value for cause, value in by_cause.items()}
    return marks_json(report(decibans, **more), fake_job(), "board-memory-card")
