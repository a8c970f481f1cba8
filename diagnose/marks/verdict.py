"""What marks say, in a sentence or two for the person with the part in hand."""

from __future__ import annotations

from collections.abc import Sequence

from diagnose.marks.model import Clock, ClockReading, PlaceReading

TELLING_DB, WEAK_DB = 10.0, 5.0
BEAT: dict[Clock, str] = {
    "time": "one beat of {p:.3g} s", "path": "one beat of {p:.3g} mm of way", "filament": "one beat of {p:.3g} mm of filament",
    "height": "steps of {p:.3g} mm in height", "layer": "every {p:.3g} layers", "angle": "steps of {p:.3g} degrees round the part",
    "x": "steps of {p:.3g} mm in x", "y": "steps of {p:.3g} mm in y",
}  # fmt: skip
LYING = {
    "seams": "where loops start and end", "checkpoint-stops": "where a checkpoint save would stop the head",
    "random-stops": "where a random stall would stop the head", "rate-stops": "where moves arrive too slowly",
    "pauses": "where the job pauses", "retractions": "where filament is pulled back", "restarts": "where the flow starts again",
    "corners": "in corners", "layer-changes": "where layers begin", "short-reserve": "where the queue holds little",
    "fan-changes": "just after changes of the fan", "temperature-changes": "just after changes of temperature",
    "overhangs": "on overhangs",
}  # fmt: skip


def verdict(
    count: int, clocks: Sequence[ClockReading], places: Sequence[PlaceReading], ties: Sequence[tuple[Clock, ...]]
) -> str:
    """Return what the marks say; readings and places best first."""
    clock = clocks[0] if clocks else None
    place = places[0] if places else None
    clock_db, place_db = (clock.decibans if clock else 0.0), (place.decibans if place else 0.0)
    said = []
    if clock and clock_db >= WEAK_DB:
        how = "" if clock_db >= TELLING_DB else ", which may yet be chance"
        said.append(f"{clock.hits} of {count} marks keep {BEAT[clock.clock].format(p=clock.period)}{how}.")
        if clock.part:
            said.append(f"That is {clock.part}.")
        if ties:
            others = " and ".join(c for c in ties[0] if c != clock.clock)
            said.append(f"This part cannot tell it from {others}.")
    if place and place_db >= WEAK_DB:
        how = "" if place_db >= TELLING_DB else ", which may yet be chance"
        said.append(f"{place.hits} of {count} lie {LYING[place.place]}{how}.")
    if place_db > clock_db and len(said) > 1:
        said.insert(0, said.pop())
    if not said:
        return f"The {count} marks keep time with nothing and gather nowhere: they lie as chance would have them."
    return " ".join(said)
