"""What of a printer's drive repeats with a period."""

from __future__ import annotations

import math
from collections.abc import Mapping

from diagnose.marks.model import ClockReading

WITHIN = 0.03
"""How far a period may be from a length of the drive; or inside its interval."""
FRACTIONS = ((1, "one turn"), (2, "half a turn"), (3, "a third of a turn"), (4, "a quarter of a turn"))


def part_for(reading: ClockReading, trains: Mapping[str, float]) -> str:
    """Return in words what turns once in the period of a clock, or several times; empty where nothing does."""
    if not math.isfinite(reading.period):
        return ""
    for length, fraction, name in _lengths(reading.clock, trains):
        near = abs(reading.period / length - 1.0) <= WITHIN
        if near or reading.low <= length <= reading.high < 1.2 * reading.low:
            return f"{fraction} of {name}" if fraction else name
    return ""


def _lengths(clock: str, trains: Mapping[str, float]) -> list[tuple[float, str, str]]:
    """Return (mm, fraction of a turn, of what) for a clock, whole turns first."""
    found: list[tuple[float, str, str]] = []
    lead, pitch = trains.get("z_lead_mm", 0.0), trains.get("belt_pitch_mm", 0.0)
    teeth, feeder = trains.get("pulley_teeth", 0.0), trains.get("feeder_turn_mm", 0.0)
    if clock == "height" and lead > 0:
        found = [(lead / k, name, "the lead screw") for k, name in FRACTIONS]
    if clock == "filament" and feeder > 0:
        found = [(feeder / k, name, "the feeder's gear") for k, name in FRACTIONS]
    if clock in ("x", "y") and pitch > 0:
        if teeth > 0:
            found = [(pitch * teeth / k, name, "the belt pulley") for k, name in FRACTIONS[:2]]
        found.append((pitch, "", "one tooth of the belt"))
    return found
