"""What a job's own commands say of the printer it was written for; comments are not read.

Values come from the interpreted job, so that units and what counts as mm/s are settled; the lines that state them are
looked up in the file, so that a person can check.
"""

from __future__ import annotations

import io
import math
import re
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from diagnose.toolpath.columns import Bools, EventKind, Floats, Role
from diagnose.toolpath.jobfile import JobFile
from diagnose.toolpath.source import find_source

AXES = ("x", "y", "z", "e")
LONGEST_LINE = 200
"""Bytes of a line that are quoted at most."""
NARROWEST_MM = 0.22
"""mm; a line that thin is drawn by nobody, so the filament must be the thicker kind (common practice, no source)."""
THICK_MM = 2.85
THIN_MM = 1.75
"""mm, the two diameters of filament there are."""

_STATES = re.compile(rb"^\s*(?:N\d+\s*)?(M20[01345]|M207|M413|M566)(?![\d.])([^;(*]*)", re.IGNORECASE)
_LETTERS = re.compile(rb"([A-Z])\s*([-+]?\d*\.?\d+)", re.IGNORECASE)


@dataclass(frozen=True, slots=True)
class Setting:
    """One number of a machine that the job states or implies."""

    field: str
    """Field of `Machine`."""
    axis: str
    """x, y, z or e; empty where the field has one number."""
    value: float
    unit: str
    line: int | None
    """Line that states it first, from 1; None where the motion implies it."""
    because: str
    """The line, or what in the motion implies the number."""


def settings(file: JobFile) -> list[Setting]:
    """Return what a job says of its printer: limits, resume saving, retraction, filament. Reads the file once more.

    Of values that change, the one under which most of the path is drawn (for travels: travelled) counts.
    """
    stated = list(_stated(file.path))
    return [
        *_limits(file, stated), *_accelerations(file, stated), *_saving(file, stated), *_retraction(file, stated),
        *_filament(file, stated),
    ]  # fmt: skip


def implied_width(file: JobFile, filament_mm: float) -> float:
    """Return the line width in mm that the flow of the outer contour implies with this filament; NaN if unknown.

    Filament area times e over length, by the layer's height: a bead of rectangular section.
    """
    outer = (file.shape.role == Role.OUTER) & (file.moves.e > 0) & (file.length > 0) & (file.shape.layer >= 0)
    if not outer.any() or "flow" in file.assumed:
        return math.nan
    layer = file.shape.layer[outer]
    length = np.bincount(layer, file.length[outer], file.layers)
    filament = np.bincount(layer, file.moves.e[outer], file.layers)
    height = file.shape.layer_height
    known = (length > 1.0) & (height > 0)
    if not known.any():
        return math.nan
    width = math.pi * filament_mm**2 / 4 * filament[known] / (length[known] * height[known])
    return float(np.median(width))


def lines_of(path: Path, numbers: Iterable[int]) -> list[tuple[int, str]]:
    """Return the text of some lines of a job, in the order of the file, also inside an archive.

    Lines that the file no longer has are left out.
    """
    wanted = sorted(set(numbers))
    found: list[tuple[int, str]] = []
    for number, raw in _numbered(path) if wanted else ():
        if number == wanted[len(found)]:
            found.append((number, raw[:LONGEST_LINE].decode("utf-8", "replace").rstrip()))
            if len(found) == len(wanted):
                break
    return found


@dataclass(frozen=True, slots=True)
class _Line:
    number: int
    command: str
    letters: dict[str, float]
    text: str


def _numbered(path: Path) -> Iterator[tuple[int, bytes]]:
    with find_source(path).opened() as raw, io.BufferedReader(raw) as file:  # type: ignore[type-var]
        yield from enumerate(file, 1)


def _stated(path: Path) -> Iterator[_Line]:
    """Yield the lines that state a setting."""
    for number, raw in _numbered(path):
        match = _STATES.match(raw) if b"M" in raw or b"m" in raw else None
        if match:
            letters = {k.decode().upper(): float(v) for k, v in _LETTERS.findall(match[2])}
            text = match[0][:LONGEST_LINE].decode("utf-8", "replace").strip()
            yield _Line(number, match[1].decode().upper(), letters, text)


def _first(stated: list[_Line], commands: tuple[str, ...], letters: str, value: float, *scales: float) -> _Line | None:
    """Return the first line of these commands that states a value in one of the letters, in one of the units."""
    for line in stated:
        if line.command in commands and any(
            math.isclose(line.letters.get(letter, math.nan) * scale, value, rel_tol=1e-6)
            for letter in letters
            for scale in scales or (1.0, 1 / 60)
        ):
            return line
    return None


def _setting(field: str, axis: str, value: float, unit: str, line: _Line | None, implied: str = "") -> Setting:
    number, text = (line.number, line.text) if line else (None, implied or "the job's own limits")
    return Setting(field, axis, float(f"{value:.6g}"), unit, number, text)


def _limits(file: JobFile, stated: list[_Line]) -> Iterator[Setting]:
    """Yield what M201, M203, M205 and M566 set while most of the path is drawn."""
    limits = file.limits
    if not len(limits):
        return
    drawn = np.where((file.moves.e > 0) & (file.length > 0), file.length, 0.0)
    done = np.concatenate([[0.0], np.cumsum(drawn)])
    edges = np.minimum(np.append(limits.before, len(file.moves)), len(file.moves))
    share = done[edges[1:]] - done[edges[:-1]]
    tables = (
        ("axis_speed", limits.axis_speed, "mm/s", ("M203",)),
        ("axis_acceleration", limits.axis_acceleration, "mm/s2", ("M201",)),
        ("corner_step", limits.corner_step, "mm/s", ("M205", "M566")),
    )
    for field, table, unit, commands in tables:
        for k, axis in enumerate(AXES):
            value = _commonest(table[:, k], share)
            if value is not None:
                yield _setting(field, axis, value, unit, _first(stated, commands, axis.upper(), value))
    singles = (
        ("corner_deviation", limits.corner_deviation, "mm", "J"),
        ("least_speed", limits.lowest_speed[:, 0], "mm/s", "S"),
        ("least_travel_speed", limits.lowest_speed[:, 1], "mm/s", "T"),
        ("least_move", limits.shortest, "s", "BQ"),
    )
    for field, column, unit, letters in singles:
        value = _commonest(column, share)
        # Zero is how a job says that it wants no such limit.
        if value:
            yield _setting(field, "", value, unit, _first(stated, ("M205",), letters, value, 1.0, 1e-6))


def _accelerations(file: JobFile, stated: list[_Line]) -> Iterator[Setting]:
    """Yield what M204 sets for most of the path drawn, and travelled."""
    if not len(file.moves.accel):
        return
    draws = (file.moves.e > 0) & (file.length > 0)
    travels = (file.moves.e == 0) & (file.length > 0)
    for field, chosen, letters in (("acceleration", draws, "PS"), ("travel_acceleration", travels, "TS")):
        value = _commonest(file.moves.accel[chosen], file.length[chosen])
        if value is not None:
            yield _setting(field, "", value, "mm/s2", _first(stated, ("M204",), letters, value, 1.0))


def _saving(file: JobFile, stated: list[_Line]) -> Iterator[Setting]:
    """Yield that nothing is saved, where the job switches the saving of resume checkpoints off before it draws."""
    drawn = np.flatnonzero((file.moves.e > 0) & (file.length > 0))
    events = file.events
    early = (events.kind == EventKind.RESUME_SAVING) & (events.before <= (drawn[0] if len(drawn) else 0))
    if early.any() and events.value[early][-1] == 0:
        line = int(events.line[early][-1])
        text = next((s.text for s in stated if s.number == line), "")
        yield Setting("checkpoint_every", "", 0.0, "s", line, text)


def _retraction(file: JobFile, stated: list[_Line]) -> Iterator[Setting]:
    """Yield length and speed of the usual retraction."""
    pulls: Bools = (file.shape.role == Role.RETRACT) & (file.moves.e < 0)
    standing = pulls & (file.length == 0)
    pulls = standing if standing.any() else pulls
    if not pulls.any() or ("retract" in file.assumed and file.counts.retracts):
        return
    length, speed = -float(np.median(file.moves.e[pulls])), float(np.median(file.moves.feed[pulls]))
    number = int(pulls.sum())
    count = f"the middle of {number:,} retractions" if number > 1 else "its one retraction"
    yield _setting("retract_length", "", length, "mm", _first(stated, ("M207",), "S", length, 1.0), count)
    if speed > 0:
        yield _setting("retract_speed", "", speed, "mm/s", _first(stated, ("M207",), "F", speed), count)


def _filament(file: JobFile, stated: list[_Line]) -> Iterator[Setting]:
    """Yield the diameter of the filament, where M200 states it or only the thicker kind makes a line that can be drawn."""
    told = next((s for s in stated if s.command == "M200" and 1.0 <= s.letters.get("D", 0.0) <= 4.0), None)
    if told is not None:
        yield _setting("filament_diameter", "", told.letters["D"], "mm", told)
        return
    thin, thick = (implied_width(file, d) for d in (THIN_MM, THICK_MM))
    if thin < NARROWEST_MM <= thick:
        because = f"with {THIN_MM} mm the outer lines would be {thin:.2f} mm wide, with this {thick:.2f} mm"
        yield _setting("filament_diameter", "", THICK_MM, "mm", None, because)


def _commonest(values: Floats, weight: Floats) -> float | None:
    """Return the value of the most weight, or the last one where none has any; None where nothing is said."""
    said = np.isfinite(values)
    if not said.any():
        return None
    if not weight[said].sum() > 0:
        return float(values[said][-1])
    kinds, which = np.unique(values[said], return_inverse=True)
    return float(kinds[np.argmax(np.bincount(which, weight[said]))])
