"""Which part of the printer turns with a period: names from the drive train on its card."""

from __future__ import annotations

from collections.abc import Mapping

from diagnose.marks.model import Clock

TOLERANCE = 0.02
"""Nobody knows a gear's circumference better, and a period is known about as well."""
ORDERS = (1, 2, 3, 4)
"""Harmonics: a screw with so many starts or a gear with so many faults repeats so often a turn."""
WORDS = {1: "one turn", 2: "half a turn", 3: "a third of a turn", 4: "a quarter of a turn"}


def part_behind(clock: Clock, period: float, low: float, high: float, trains: Mapping[str, float]) -> str:
    """Return what turns or repeats with a period, or nothing.

    Parameters
    ----------
    clock, period, low, high
        As read from the marks; a length fits when it lies in the interval widened by TOLERANCE.
    trains
        mm as a card names them: ``z_lead_mm``, ``belt_pitch_mm``, ``pulley_teeth`` (a number), ``feeder_turn_mm``.
    """
    lengths: list[tuple[str, float, bool]] = []
    if clock == "height" and trains.get("z_lead_mm"):
        lengths.append(("the lead screw", trains["z_lead_mm"], True))
    if clock == "filament" and trains.get("feeder_turn_mm"):
        lengths.append(("the feeder gear", trains["feeder_turn_mm"], True))
    if clock in ("x", "y") and trains.get("belt_pitch_mm"):
        if trains.get("pulley_teeth"):
            lengths.append((f"the pulley of the {clock} belt", trains["belt_pitch_mm"] * trains["pulley_teeth"], True))
        lengths.append((f"the teeth of the {clock} belt", trains["belt_pitch_mm"], False))
    for order in ORDERS:
        for name, length, turns in lengths:
            if (order > 1 and not turns) or not _fits(length / order, period, low, high):
                continue
            return f"{WORDS[order]} of {name}" if turns else f"one step of {name}"
    return ""


def _fits(length: float, period: float, low: float, high: float) -> bool:
    wide = high - low < 0.1 * period  # an interval that spans anything names nothing
    bounds = (low, high) if wide else (period, period)
    return bounds[0] * (1 - TOLERANCE) <= length <= bounds[1] * (1 + TOLERANCE)
