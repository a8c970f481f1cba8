"""The JSON of `summary` as models: what each key means, and the JSON Schema that is published beside this file.

Keys may be added, never changed. ``toolpath.schema.json`` is `schema_text()`; a test holds the two, and real output,
together.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field, TypeAdapter

PUBLISHED = Path(__file__).with_name("toolpath.schema.json")


class _Part(BaseModel):
    """Anything in the JSON; keys that a later version adds are allowed."""

    model_config = ConfigDict(extra="allow", use_attribute_docstrings=True)


Why = Literal["checkpoint", "link-rate", "line-time", "round-trip", "random-stall"]
"""What the block that the head waited for was itself waiting for: a save of the resume checkpoint, bytes of card or
cable, the board's time for a line, the answer to a line, a random stall."""
Span = Annotated[tuple[float, float], Field(description="Least and most, mm.")]


class Counts(_Part):
    """Lines of the job by what they ask for."""

    motion: int
    """Commands G0 to G3 and lines that repeat one."""
    moving: int
    extruding: int
    arcs: int
    retracts: int
    """G10 that retracts."""
    restarts: int
    """G11."""


class Bounds(_Part):
    """The box that the drawn path lies in; null for an axis where nothing is drawn."""

    x: Span | None
    y: Span | None
    z: Span | None


class Spiral(_Part):
    """Stretches that climb without starting a new loop."""

    share: float | None
    """Of the extruded path, 0 to 1."""
    from_mm: float | None
    to_mm: float | None


class Seams(_Part):
    """Where the loops of the outer contour begin."""

    count: int
    style: str
    """aligned, corners, scattered or none."""


class Facets(_Part):
    """Lengths of the moves of the outer contour."""

    median_mm: float | None
    p05_mm: float | None
    """One in twenty is shorter."""
    demand_per_s: float | None
    """Moves a second asked for in the busiest half second."""


class Commanded(_Part):
    """A value the job commands: when drawing begins, and its least and most while it goes on."""

    first: float
    least: float
    most: float
    changes: int


class Heat(_Part):
    """Temperatures in degrees C and the fan from 0 to 1; null where the job never says."""

    nozzle_c: Commanded | None
    bed_c: Commanded | None
    fan: Commanded | None


class Flow(_Part):
    """Plastic asked for, against the printer card."""

    fastest_mm3_s: float | None
    """In the fastest hundredth of the path."""
    melts_mm3_s: float
    line_width_mm: float | None
    """Of the outer wall, implied by the flow with square sides."""


class Supply(_Part):
    """How the printer of the card is fed."""

    planning: Literal["board", "host"]
    feed: Literal["card", "cable"]
    queue_moves: int
    bytes_per_s: float
    save_every_s: float
    """0 when nothing is saved for resuming."""
    save_takes_ms: float


class Reserve(_Part):
    """How long the queued moves would keep the head moving if supply ceased."""

    least_ms: float | None
    at_line: int | None
    x: float | None
    y: float | None
    z: float | None


class Stop(_Part):
    """The head standing still because the queue ran dry."""

    line: int
    """Of the move that was waited for."""
    x: float
    y: float
    z: float
    t_s: float
    """From the start of the job."""
    length_s: float
    why: Why


class Stops(_Part):
    """All stops of the run."""

    count: int
    total_s: float
    by_why: dict[str, int]
    from_mm: float | None
    to_mm: float | None
    list: list[Stop]
    """The first thousand."""


class Dip(Stop):
    """The head braking because the queue runs low, without standing."""

    speed_mm_s: float
    planned_mm_s: float
    """With a supply that never falls behind."""


class Dips(_Part):
    """All dips of the run."""

    count: int
    from_mm: float | None
    to_mm: float | None
    list: list[Dip]
    """The first thousand."""


class Checkpoints(_Part):
    """Saves for resuming after a power cut."""

    count: int
    least_reserve_ms: float | None
    share_that_stops: float | None
    """Of all saves, whenever the first one falls due; null when none are saved."""


class Stretch(_Part):
    """Moves along which the supply is slower than the motion would be."""

    line: int
    to_line: int
    t_s: float
    length_s: float
    stops: int


class Risk(_Part):
    """What random stalls of the length on the card would do; never counted among the stops."""

    stall_ms: float
    per_min: float
    share_of_time: float
    """In which a stall of the mean length would empty the queue."""
    expected_stops: float
    """Mean number of visible stops in the job."""
    low: int
    high: int
    """The number lies between these with a chance of nine in ten."""
    any: float
    """Chance of one such stop at least."""


class Profile(_Part):
    """The job in slices of equal height from the bed up; null where a slice has nothing to say."""

    from_mm: list[float]
    to_mm: list[float]
    reserve_ms: list[float | None] | None
    demand_per_s: list[float | None]
    speed_mm_s: list[float | None]
    """Asked for on the outer wall."""
    nozzle_c: list[float | None]
    fan: list[float | None]
    stops: list[int] | None
    dips: list[int] | None


class Edge(_Part):
    """One quantity, and where the job begins to starve when it alone is changed."""

    now: float
    clean: float | None
    """The last value with which the job is clean; null when none in the range tried is."""
    unit: str
    open_ended: bool


class Advice(_Part):
    """What would keep the job from starving, each quantity by itself."""

    clean: bool
    queue: Edge
    speed: Edge
    save: Edge | None
    link: Edge
    facets: Edge
    buffer: Edge | None
    """How far a planning host must be ahead; null where the board plans."""
    facet_mm: float | None
    checkpoints: int
    """Written while the job runs."""
    worn: float | None
    """Their share of what one place of the memory is rated for, were all to hit the same; null where none are written."""


class Found(_Part):
    """One finding."""

    id: str
    answer: str
    confidence: float
    """0 to 1."""
    value: float | None
    unit: str
    lines: list[int]
    """Lines of the job that show it, from 1, at most ten."""
    because: str


class Summary(_Part):
    """One job, on one printer where a card was given; what rests on a printer is null without."""

    job: str
    """Path as given."""
    printer: str | None
    """Printer card as given."""
    bytes: int
    lines: int
    moves: int
    """Arcs counted by their pieces."""
    layers: int
    """Turns of a spiral count as layers."""
    time_s: float
    time: Literal["simulated", "as asked for"]
    filament_mm: float
    counts: Counts
    bounds: Bounds
    spiral: Spiral
    seams: Seams
    facets: Facets
    heat: Heat
    flow: Flow | None
    supply: Supply | None
    reserve: Reserve | None
    stops: Stops | None
    dips: Dips | None
    checkpoints: Checkpoints | None
    sustained: list[Stretch] | None
    risk: Risk | None
    profile: Profile
    advice: Advice | None
    """Only with --advise."""
    findings: list[Found]
    warnings: list[str]


class Fault(_Part):
    """What is wrong with a job that could not be read."""

    what: str
    hint: str
    where: str


class NotRead(_Part):
    """A job among several that could not be read."""

    job: str
    printer: str | None
    error: Fault


class Several(_Part):
    """More than one job, or one job on more than one printer, in the order asked for."""

    jobs: list[Summary | NotRead]


OUTPUT: TypeAdapter[Summary | Several] = TypeAdapter(Summary | Several)
"""What ``diagnose toolpath --json`` prints."""


def schema_text() -> str:
    """Return the JSON Schema of the output."""
    schema: dict[str, Any] = {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": "What `diagnose toolpath --json` prints",
        **OUTPUT.json_schema(),
    }
    return json.dumps(schema, indent=1, ensure_ascii=False) + "\n"
