"""Limits that a job sets for itself, gathered row by row into a table."""

from __future__ import annotations

import numpy as np

from diagnose.toolpath._kernels.words import EXTRA
from diagnose.toolpath.columns import Floats, JobLimits
from diagnose.toolpath.words import Words, operation

PER_MINUTE_FROM = 2000.0
"""mm/s that no printer's x or y axis does: an M203 that asks for more counts in mm/min (common practice, no source)."""
AXES = "XYZE"
# Where each number stands in a row of the state.
_SPEED, _ACCELERATION, _STEP, _DEVIATION, _LOWEST, _SHORTEST = slice(0, 4), slice(4, 8), slice(8, 12), 12, slice(13, 15), 15
_NUMBERS = 16


class LimitsTable:
    """What M201, M203, M205 and M566 have said so far."""

    def __init__(self) -> None:
        self._now = np.full(_NUMBERS, np.nan)
        self._rows: list[Floats] = []
        self._before: list[int] = []
        self._lines: list[int] = []
        self._per_minute: bool | None = None

    def add(self, words: Words, row: int, before: int, unit: float) -> None:
        """Take one command of the job, given in units of so many mm, that stands before a move."""
        code = int(words.operation[row])
        axes = unit * np.array([words.x[row], words.y[row], words.z[row], words.e[row]])
        axes[~(axes > 0)] = np.nan
        now = self._now.copy()
        if code == operation("M201"):
            _put(now[_ACCELERATION], axes)
        elif code == operation("M203"):
            head = axes[:2][~np.isnan(axes[:2])]
            if len(head):
                self._per_minute = bool(head.max() > PER_MINUTE_FROM)
            _put(now[_SPEED], axes / (60.0 if self._per_minute else 1.0))
        elif code == operation("M566"):
            _put(now[_STEP], axes / 60.0)
        else:
            _put(now[_STEP], axes)
            for place, letter, factor in ((_DEVIATION, "J", unit), (13, "S", unit), (14, "T", unit), (_SHORTEST, "B", 1e-6)):
                value = _extra(words, row, letter)
                if value >= 0:
                    now[place] = value * factor
        if np.array_equal(now, self._now, equal_nan=True):
            return
        self._now = now
        if self._before and self._before[-1] == before:
            self._rows[-1], self._lines[-1] = now, words.lines_before + int(words.line[row])
            return
        self._rows.append(now)
        self._before.append(before)
        self._lines.append(words.lines_before + int(words.line[row]))

    def finish(self, notes: list[str]) -> JobLimits:
        """Return the table, and say what was inferred."""
        if self._per_minute:
            notes.append("M203 of this job asks for more than any printer does in mm/s: its speeds are taken as mm/min")
        table = np.array(self._rows).reshape(len(self._rows), _NUMBERS)
        return JobLimits(
            before=np.array(self._before, np.int64), line=np.array(self._lines, np.int32),
            axis_speed=table[:, _SPEED], axis_acceleration=table[:, _ACCELERATION], corner_step=table[:, _STEP],
            corner_deviation=table[:, _DEVIATION], lowest_speed=table[:, _LOWEST], shortest=table[:, _SHORTEST],
        )  # fmt: skip


def _put(into: Floats, values: Floats) -> None:
    """Write the values that are given."""
    given = ~np.isnan(values)
    into[given] = values[given]


def _extra(words: Words, row: int, letter: str) -> float:
    side = int(words.side[row])
    return float(words.extra[side, EXTRA.index(letter)]) if side >= 0 else float("nan")
