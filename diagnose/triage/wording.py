"""Numbers in the words that every face uses."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from diagnose.marks.model import Ask

LEAST_SHOWN, MOST_SHOWN = 0.001, 0.995


def percent(share: float) -> str:
    """Return a share in percent; never 0 or 100, because nothing is ever certain."""
    if share < LEAST_SHOWN:
        return "< 0.1 %"
    if share >= MOST_SHOWN:
        return "> 99 %"
    return f"{100 * share:.1f} %" if share < 0.0995 else f"{100 * share:.0f} %"


def decibans(value: float) -> str:
    """Return a weight with its sign and one decimal, the sign apart from the number."""
    return f"{'+' if value >= 0 else '-'}{abs(value):5.1f}"


def times(count: int, one: str, many: str = "") -> str:
    """Return a count with its noun in the right number."""
    return f"{count:,} {one if count == 1 else many or one + 's'}"


def cost(minutes: float, machine_minutes: float, grams: float, money: float) -> str:
    """Return a cost in words."""
    parts = [f"{minutes:g} min of your time"]
    if machine_minutes:
        parts.append(f"{machine_minutes:g} min of the machine")
    if grams:
        parts.append(f"{grams:g} g of filament")
    if money:
        parts.append(f"about {money:g} for parts")
    return ", ".join(parts)


FREQUENCY_WORDS = {
    "always": "always",
    "nearly-always": "nearly always",
    "mostly": "mostly",
    "half": "half the time",
    "sometimes": "sometimes",
    "seldom": "seldom",
    "hardly-ever": "hardly ever",
    "never": "never",
}


def often(said: str) -> str:
    """Return a frequency of a rule file as part of a sentence: ``in 8 of 10 prints``, ``half the time``."""
    if " in " in said:
        return f"in {said.replace(' in ', ' of ')} prints"
    if said in FREQUENCY_WORDS:
        return FREQUENCY_WORDS[said]
    share = float(said)
    of = 100 if share >= 0.01 else 1000
    return f"in {of * share:.3g} of {of} prints"


def often_of(share: float) -> str:
    """Return a chance as part of a sentence: ``in 7 of 10 cases``."""
    return f"in {10 * share:.0f} of 10 cases" if share >= 0.095 else f"in {100 * share:.0f} of 100 cases" if share >= 0.0095 else "in hardly any case"


PLACES = {
    "seams": "seams", "checkpoint-stops": "stops by saves", "random-stops": "stops by stalls",
    "rate-stops": "stops by slow supply", "pauses": "pauses", "retractions": "filament draw-backs",
    "restarts": "restarts of the flow", "corners": "corners", "layer-changes": "layer changes",
    "short-reserve": "short-queue stretches", "fan-changes": "fan changes", "temperature-changes": "heat changes",
    "overhangs": "overhangs",
}  # fmt: skip
"""Kinds of places where marks may lie, as part of a sentence."""

CLOCKS = {
    "time": "time", "path": "path printed", "filament": "filament used", "height": "height", "layer": "layers",
    "angle": "angle", "x": "x", "y": "y",
}  # fmt: skip
"""What marks may keep time with, in words."""


def kinds_of_places(place: str) -> str:
    """Return a kind of place in words; one that is not known here is shown as it is."""
    return PLACES.get(place, place)


def clock_name(clock: str) -> str:
    """Return a clock in words; one that is not known here is shown as it is."""
    return CLOCKS.get(clock, clock)


def keeps(clock: str) -> str:
    """Return what a beat is kept in: ``in time``."""
    return {"path": "along the path", "filament": "in filament used", "angle": "round the axis"}.get(clock, f"in {CLOCKS.get(clock, clock)}")


def at_or_every(ask: Ask) -> str:
    """Return where a cause leaves its marks: ``at seams``, ``at an even beat in time, 5 to 120 s``."""
    if ask.at is not None:
        return f"at {kinds_of_places(ask.at)}"
    clock = ask.every or ""
    unit = {"time": "s", "layer": "layers", "angle": "deg"}.get(clock, "mm")
    span = f", {ask.low:g} to {ask.high:g} {unit}" if ask.low is not None and ask.high is not None else ""
    return f"at an even beat {keeps(clock)}{span}"


def length_of(clock: str, period: float, within: float | None = None) -> str:
    """Return a period with its unit: ``5.03 s``, ``8.00 mm``, ``12.0 layers``.

    ``within`` is how wide the interval is in which it lies, which says how many digits mean something; three figures are
    shown at least.
    """
    unit = {"time": "s", "layer": "layers", "angle": "deg"}.get(clock, "mm")
    scale = min(period / 100, within / 2 if within and within > 0 else math.inf)
    return f"{period:,.{min(max(-math.floor(math.log10(scale)), 0), 3)}f} {unit}"


def beat(clock: str, period: float, within: float | None = None) -> str:
    """Return a beat as part of a sentence: ``one 5.03 s beat``, ``steps of 8.00 mm in height``."""
    said = length_of(clock, period, within)
    if clock == "time":
        return f"one {said} beat"
    where = {"path": "along the path", "filament": "of filament", "layer": "", "angle": "round the axis"}.get(clock, f"in {clock}")
    return f"steps of {said} {where}".rstrip()


def place_on_part(height: float, angle: float) -> str:
    """Return a spot on the surface: height in mm, angle in degrees and the side it lies on; NaN for an unknown angle."""
    if angle != angle:
        return f"{height:.1f} mm up, anywhere round"
    return f"{height:.1f} mm up, {angle % 360.0:.0f}° ({_EIGHTHS[round(angle % 360.0 / 45.0) % 8]})"


_EIGHTHS = ("right", "back right", "back", "back left", "left", "front left", "front", "front right")
"""Sides of the part as it lies on the bed, from the x axis on, counter-clockwise."""


def clock_time(seconds: float) -> str:
    """Return a time of the job as a clock shows it, such as 1:02:03 or 2:03."""
    whole = round(seconds)
    hours, rest = divmod(whole, 3600)
    return f"{hours}:{rest // 60:02}:{rest % 60:02}" if hours else f"{rest // 60}:{rest % 60:02}"


def length_of_time(seconds: float) -> str:
    """Return a short time in the unit that reads best."""
    return f"{seconds * 1000:.0f} ms" if seconds < 1 else f"{seconds:.1f} s" if seconds < 60 else clock_time(seconds)
