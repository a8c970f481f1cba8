"""The JSON of `marks_json` as models: what each key means, and the JSON Schema that is published beside this file.

Keys may be added, never changed. ``marks.schema.json`` is `schema_text()`; a test holds the two, and real output,
together.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field, TypeAdapter

PUBLISHED = Path(__file__).with_name("marks.schema.json")


class _Part(BaseModel):
    """Anything in the JSON; keys that a later version adds are allowed."""

    model_config = ConfigDict(extra="allow", use_attribute_docstrings=True)


ClockName = Literal["time", "path", "filament", "height", "layer", "angle", "x", "y"]
"""What marks may keep time with."""
Point = Annotated[tuple[float, float], Field(description="Height in mm and angle in degrees round the part's axis.")]


class Alias(_Part):
    """Another period that fits nearly as well."""

    period: float
    share: float
    """Of the belief, given that this clock it is."""


class ClockRow(_Part):
    """How well the marks keep time with one clock."""

    clock: ClockName
    decibans: float
    """10 log10 of the Bayes factor against marks anywhere on the printed surface, less ``tried_db``; 10 is ten to one."""
    period: float | None
    """The best one; null where the marked stretch holds no two periods."""
    unit: Literal["s", "mm", "layers", "deg"]
    low: float | None
    high: float | None
    """The period lies between with a chance of 0.9, given this clock."""
    part: str
    """What of the printer turns or switches once in this period; empty where nothing known does."""
    hits: int
    """Marks that more likely than not keep the best beat."""
    phase: float | None
    """Of the best beat, as a share of the period."""
    harmonics: list[str]
    aliases: list[Alias]
    folded: list[float | None]
    """Where each mark falls on the best beat, in the order of ``list``: -0.5 to 0.5, 0 on the beat; null off the part."""


class PlaceRow(_Part):
    """How well the marks lie at one kind of place."""

    place: str
    decibans: float
    hits: int
    """Marks that more likely than not lie there."""
    count: int
    """Such places in the marked stretch; 0 says nothing, 0 dB."""


class Evidence(_Part):
    """What one thing that causes ask of the marks comes to, scaled so that one set of marks adds 40 dB at most."""

    every: ClockName | None
    at: str | None
    low: float | None
    high: float | None
    """Periods that are asked for, in the unit of the clock."""
    decibans: float
    say: str


class Mark(_Part):
    """One mark, where it was placed on the surface; as it was measured where it lies off the part."""

    row: int
    """Line of the file, or number in order, from 1."""
    on_part: bool
    height: float | None
    """mm above the bed."""
    angle: float | None
    """deg counter-clockwise from the x axis; null where only the height was measured."""
    x: float | None
    y: float | None
    line: int
    """Line of the job that printed it; 0 off the part."""
    off_mm: float | None
    """mm from the mark to the nearest printed surface."""
    turns: int
    """How many layers, or turns, it may belong to."""


class Surface(_Part):
    """What else lies on the marked stretch, thinned to what a map has room for."""

    stops: list[Point]
    """Predicted ones of one run of many."""
    seams: list[Point]


class MarksOutput(_Part):
    """One set of marks on one job."""

    job: str
    """Path as given."""
    printer: str | None
    """Printer card as given."""
    marks: int
    placed: int
    """Marks that lie on the part."""
    clocks: list[ClockRow]
    tried_db: float
    """dB taken off each clock, for the best of several is looked at."""
    ties: list[list[ClockName]]
    """Clocks that this part cannot tell apart as far as these marks go."""
    why_tied: list[str]
    """A sentence a tie."""
    places: list[PlaceRow]
    """Both best first."""
    verdict: str
    warnings: list[str]
    evidence: list[Evidence]
    axis: tuple[float, float]
    """mm, round which angles count."""
    region: tuple[float, float]
    """mm, lowest and highest height of the marked stretch."""
    map: Surface
    list: list[Mark]


OUTPUT: TypeAdapter[MarksOutput] = TypeAdapter(MarksOutput)
"""What ``diagnose marks --json`` prints."""


def schema_text() -> str:
    """Return the JSON Schema of the output."""
    schema: dict[str, Any] = {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": "What `diagnose marks --json` prints",
        **OUTPUT.json_schema(),
    }
    return json.dumps(schema, indent=1, ensure_ascii=False) + "\n"
