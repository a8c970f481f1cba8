"""What the marks say, in sentences for the person with the part in hand."""

from __future__ import annotations

from collections.abc import Sequence

from diagnose.marks.model import LEAST_MARKS, Clock, ClockReading, PlaceReading

CLEAR, LEANS = 10.0, 5.0
"""dB from which something is said to be so, or to seem so."""
KEEPS: dict[Clock, str] = {
    "time": "in time", "path": "of way that the nozzle travels", "filament": "of filament", "height": "in height",
    "layer": "from layer to layer", "angle": "round the part", "x": "along x", "y": "along y",
}  # fmt: skip
NAMES: dict[Clock, str] = {
    "time": "time", "path": "path length", "filament": "filament length", "height": "height", "layer": "layers",
    "angle": "angle", "x": "x", "y": "y",
}  # fmt: skip
PLACES = {
    "seams": "at the seams", "checkpoint-stops": "where saving a checkpoint stops the head",
    "random-stops": "where a chance stall stops the head", "rate-stops": "where moves come too slowly",
    "pauses": "where the job pauses", "retractions": "where filament is pulled back", "restarts": "where lines start anew",
    "corners": "at corners", "layer-changes": "where layers change", "short-reserve": "where few moves are in reserve",
    "fan-changes": "after changes of the fan", "temperature-changes": "after changes of temperature",
    "overhangs": "at overhangs",
}  # fmt: skip


def amount(period: float, unit: str) -> str:
    """Return a period with its unit, in three digits."""
    return f"{float(f'{period:.3g}'):g} {unit}"


def verdict(
    count: int, marks: int, clocks: Sequence[ClockReading], places: Sequence[PlaceReading],
    ties: Sequence[Sequence[Clock]],
) -> str:  # fmt: skip
    """Return one or two sentences: the best clock or place, or that there is none."""
    if count < LEAST_MARKS:
        if marks > count:
            return f"Only {count} of {marks} marks lie on this part: that is too few to say anything. {LEAST_MARKS} say a little, ten say much."
        return f"{count} {'mark is' if count == 1 else 'marks are'} too few to say anything: chance alone looks like a pattern. {LEAST_MARKS} say a little, ten say much."
    clock = clocks[0] if clocks else None
    place = places[0] if places else None
    c, p = (clock.decibans if clock else 0.0), (place.decibans if place and place.count else 0.0)
    if max(c, p) < LEANS:
        return f"{count} marks show no order: they keep time with nothing and lie at no known place more than chance would have it."
    if clock is not None and c >= p:
        sure = "keep" if c >= CLEAR else "seem to keep"
        text = f"{clock.hits} of {count} marks {sure} a beat of {amount(clock.period, clock.unit)} {KEEPS[clock.clock]} ({c:+.0f} dB)."
        tie = next((t for t in ties if clock.clock in t), ())
        others = [NAMES[o] for o in tie if o != clock.clock]
        if others:
            return f"{text} On this part that cannot be told from {_listed(others)}."
        if clock.part:
            text += f" {amount(clock.period, clock.unit)} is {clock.part}."
        return text
    assert place is not None
    lie = "lie" if p >= CLEAR else "seem to lie"
    return f"{place.hits} of {count} marks {lie} {PLACES[place.place]} ({p:+.0f} dB)."


def _listed(words: Sequence[str]) -> str:
    return words[0] if len(words) == 1 else f"{', '.join(words[:-1])} or {words[-1]}"
