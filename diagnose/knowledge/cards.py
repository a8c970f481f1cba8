"""Printer cards: YAML that describes one printer, every number with its unit in its name and its range checked.

The description of a field is what the program tells of it: what it is, what it changes, and what is usual (common practice,
no source, unless said otherwise). A field with a default may be left out; the default stands here and nowhere else.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import Annotated, Any, Generic, Literal, TypeVar, get_args

from pydantic import (
    AfterValidator,
    BaseModel,
    BeforeValidator,
    Field,
    GetJsonSchemaHandler,
    ValidationInfo,
    field_validator,
    model_validator,
)
from pydantic_core import CoreSchema, PydanticCustomError

from diagnose.knowledge.models import Entry, Part, Text

Origin = Literal["measured", "job", "generic"]
N = TypeVar("N", int, float)


class Known(Part, Generic[N]):
    """A number and where it came from; ``origin`` is None where the card as a whole says it."""

    value: N
    origin: Origin | None = Field(None, alias="from")

    @classmethod
    def __get_pydantic_json_schema__(cls, schema: CoreSchema, handler: GetJsonSchemaHandler) -> dict[str, Any]:
        whole = handler.resolve_ref_schema(handler(schema))
        return {"anyOf": [whole["properties"]["value"], dict(whole)]}


def _bare(raw: Any) -> Any:
    return raw if isinstance(raw, dict | BaseModel) else {"value": raw}


def _within(low: float, high: float, unit: str) -> AfterValidator:
    """Return a check of the widest range in which a number can be meant."""

    def check(known: Known[N]) -> Known[N]:
        if not low <= known.value <= high:
            _refuse(f"cannot be {known.value:g}", f"write a number from {low:g} to {high:g} {unit}".strip())
        return known

    return AfterValidator(check)


def _refuse(what: str, instead: str) -> None:
    raise PydanticCustomError("rule", "{what}", {"what": what, "instead": instead})


def _left_out(value: N) -> Any:
    """Return the default of a number: nobody measured it for this printer."""
    return Known[type(value)].model_validate({"value": value, "from": "generic"})  # type: ignore[misc]


_Int = Annotated[Known[Annotated[int, Field(ge=1, le=100_000)]], BeforeValidator(_bare)]
_Count = Annotated[Known[Annotated[int, Field(ge=0, le=100_000)]], BeforeValidator(_bare)]
_More = Annotated[Known[Annotated[float, Field(gt=0, le=1e9)]], BeforeValidator(_bare)]
_Speed = Annotated[Known[Annotated[float, Field(ge=0.01, le=1e9)]], BeforeValidator(_bare)]
_Acceleration = Annotated[Known[Annotated[float, Field(ge=1, le=1e9)]], BeforeValidator(_bare)]
"""Anything slower is no printer, and a job on it would take years to work out."""
_NotLess = Annotated[Known[Annotated[float, Field(ge=0, le=1e9)]], BeforeValidator(_bare)]


def _line(raw: str) -> str:
    if not raw.isascii() or not raw.isprintable():
        _refuse("holds a letter that boards may not know", "keep to plain letters, and one command a line of the list")
    unknown = set(re.findall(r"\{.*?\}", raw)) - {"{nozzle}", "{bed}"}
    if unknown:
        _refuse(f"holds {unknown.pop()}, which stands for nothing", "write {nozzle} or {bed}, or the number itself")
    return raw.strip()


Line = Annotated[str, Field(max_length=200), AfterValidator(_line)]
"""One line of a job."""


class Speeds(Part):
    """One speed an axis."""

    x: _Speed = Field(description="Axis X")
    y: _Speed = Field(description="Axis Y")
    z: _Speed = Field(description="Axis Z")
    e: _Speed = Field(description="Feeder, in filament")


class Accelerations(Part):
    """One acceleration an axis."""

    x: _Acceleration = Field(description="Axis X")
    y: _Acceleration = Field(description="Axis Y")
    z: _Acceleration = Field(description="Axis Z")
    e: _Acceleration = Field(description="Feeder, in filament")


class Corner(Part):
    """How fast a corner may be taken: by the radius of a circle that cuts it, or by a largest step of speed an axis."""

    rule: Literal["radius", "step"] = Field(
        description="How the board limits the speed at a corner: `radius`, by the circle that passes so near to it; "
        "`step`, by the largest sudden change of speed of each axis"
    )
    deviation_mm: Annotated[_More, _within(1e-4, 5, "mm")] | None = Field(
        None,
        description="How far from the corner the imagined circle passes. Larger: faster corners, more ringing, and fewer "
        "slow starts on facets. Usually 0.005 to 0.1 mm; v2 (sqrt 2 - 1) / a for v round a right angle",
    )
    step_mm_s: Speeds | None = Field(
        None,
        description="The largest sudden change of speed. Larger: faster corners, more ringing. Usually 5 to 20 mm/s in X and "
        "Y, 0.2 to 1 in Z, 1 to 10 for the feeder",
    )

    @model_validator(mode="after")
    def _says_how(self) -> Corner:
        if (self.rule == "radius") != (self.deviation_mm is not None) or (self.rule == "step") != (
            self.step_mm_s is not None
        ):
            _refuse(
                f"has the rule {self.rule!r}, which does not go with the numbers given",
                "write {rule: radius, deviation_mm: 0.05} or {rule: step, step_mm_s: {x, y, z, e}}",
            )
        return self


class Motion(Part):
    """How moves become speeds."""

    planning: Literal["board", "host"] = Field(
        description="Where speeds are planned: on the motion `board`, or on a `host` computer that streams timed steps"
    )
    queue_moves: Annotated[_Int, _within(1, 100_000, "moves")] = Field(
        description="Moves the motion queue holds. More: a longer reserve on fine curves, so stalls are outlasted. Usually 16 on "
        "boards, 8 to 64 by their memory; hundreds on a host"
    )
    queue_seen: Annotated[_Int, _within(1, 100_000, "moves")] = Field(
        description="Moves that the planner sees when one is handed over. Fewer: lower speeds on fine curves, since it must be "
        "able to stop within them. Usually what the queue holds, one fewer on some boards"
    )
    buffer_s: Annotated[_NotLess, _within(0, 60, "s")] = Field(
        _left_out(0.5),
        description="How far ahead of the head a planning host streams steps. Longer: a busy host may be late by more "
        "before the head stops. Of no meaning where the board plans. Usually 0.1 to 2 s",
    )
    acceleration_mm_s2: Annotated[_More, _within(1, 200_000, "mm/s2")] = Field(
        description="Acceleration of moves that extrude, where the job sets none. Higher: sharper, more ringing, and less braking "
        "time in the reserve. Usually 500 to 10000"
    )
    travel_acceleration_mm_s2: Annotated[_More, _within(1, 200_000, "mm/s2")] = Field(
        description="Acceleration of moves without filament, where the job sets none. Usually 500 to 20000"
    )
    axis_speed_mm_s: Speeds = Field(
        description="The most each axis may do; the slowest one caps a move. Usually 100 to 600 in X and Y, 5 to 30 in Z, "
        "25 to 120 for the feeder"
    )
    axis_acceleration_mm_s2: Accelerations = Field(
        description="The most each axis may gather speed; the weakest one caps a move. Usually 1000 to 20000 in X and Y, "
        "50 to 500 in Z, 1000 to 10000 for the feeder"
    )
    corner: Corner = Field(description="How fast corners are taken")
    least_speed_mm_s: Annotated[_NotLess, _within(0, 1000, "mm/s")] = Field(
        _left_out(0.0),
        description="The least speed that a move with filament is given, whatever the job asks for; axes still cap it. "
        "Usually 0",
    )
    least_travel_speed_mm_s: Annotated[_NotLess, _within(0, 1000, "mm/s")] = Field(
        _left_out(0.0), description="The same for moves without filament. Usually 0"
    )
    least_move_ms: Annotated[_NotLess, _within(0, 1000, "ms")] = Field(
        _left_out(0.0),
        description="How long each move is made to last at least while the queue runs low, so that it can fill again. "
        "Longer: fine curves brake (a dip) in place of stopping. Usually 20 on small boards, 0 on others",
    )
    stretch_below: Annotated[_Count, _within(0, 100_000, "moves")] = Field(
        _left_out(0),
        description="The queue runs low while it holds fewer moves than this; 0 for never. Usually half of what it holds",
    )
    tool_change_s: Annotated[_NotLess, _within(0, 3600, "s")] = Field(
        _left_out(0.0),
        description="How long the head stands while the tool is changed; 0 where the board goes on at once. Each change is a "
        "place where plastic oozes. Usually 0 with one nozzle, 5 to 60 s with several",
    )
    obeys_job_limits: bool = Field(
        True,
        description="Whether acceleration, speed and corner limits that the job sets (M201 to M205) count. Usually true",
    )

    @field_validator("queue_seen")
    @classmethod
    def _no_more_than_there_are(cls, seen: Known[int], others: ValidationInfo) -> Known[int]:
        if "queue_moves" in others.data and seen.value > others.data["queue_moves"].value:
            _refuse(f"is {seen.value}, more than the queue holds", "write as many as `queue_moves`, or one fewer")
        return seen

    @field_validator("stretch_below")
    @classmethod
    def _below_a_full_queue(cls, below: Known[int], others: ValidationInfo) -> Known[int]:
        if "queue_moves" in others.data and below.value >= others.data["queue_moves"].value:
            _refuse(f"is {below.value}, so that a full queue is low", "write about half of `queue_moves`, or 0")
        return below


class Supply(Part):
    """How moves reach the queue."""

    feed: Literal["card", "cable"] = Field(
        description="Where the board has the job from: a memory `card`, or a host computer over a `cable`"
    )
    bytes_per_s: Annotated[_More, _within(10, 1e9, "bytes/s")] = Field(
        description="What card or cable carries, or what a planning host reads. Slower: the queue runs dry on fine curves. "
        "A serial line carries a tenth of its bits a second (start, eight data, stop); cards read in small pieces give "
        "20000 to 200000"
    )
    line_time_ms: Annotated[_NotLess, _within(0, 1000, "ms")] = Field(
        description="What the board spends on one line, whatever its length: reading, understanding, planning. Longer: fewer "
        "moves a second. Usually 1 to 5 ms on 8-bit boards, 0.1 to 0.5 on 32-bit ones, under 0.1 on a host"
    )
    reply_time_ms: Annotated[_NotLess, _within(0, 60_000, "ms")] = Field(
        description="From the board's answer to the host's next line. Longer: fewer lines a second while each waits for the "
        "answer to the one before. Usually 1 to 10 ms; 0 from a card"
    )
    reply_bytes: Annotated[_Count, _within(0, 10_000, "bytes")] = Field(
        description="Length of the board's answer to a line. Usually 3; 0 from a card"
    )
    window_lines: Annotated[_Int, _within(1, 100_000, "lines")] = Field(
        description="Lines that the host may have under way unanswered; 1 is send and wait. More: the time of the answers no "
        "longer counts. Usually 1 to 4"
    )
    hiccups_per_min: Annotated[_NotLess, _within(0, 6000, "a minute")] = Field(
        description="Random stalls of card or host, mean number a minute, at times that have nothing to do with each other. "
        "They make a risk, never predicted stops. Usually 0.1 to 5"
    )
    hiccup_takes_ms: Annotated[_NotLess, _within(0, 60_000, "ms")] = Field(
        description="Mean length of a random stall; lengths are exponential: one in three is longer than the mean, one in "
        "twenty three times as long. Usually 20 to 200; a card may read for 100 ms (SD physical layer, 4.6.2.1)"
    )
    resends_per_1000: Annotated[_NotLess, _within(0, 1000, "in a thousand")] = Field(
        _left_out(0.0),
        description="Lines in a thousand that arrive spoiled on the cable and are asked for again. A risk, like random "
        "stalls. Usually 0; 0.1 to 10 with a bad cable",
    )
    resend_lines: Annotated[_Count, _within(0, 10_000, "lines")] = Field(
        _left_out(0),
        description="Lines sent again each time, the spoiled one and those that followed it. Usually 1 with send and wait, "
        "up to what is under way with more",
    )


class Checkpoint(Part):
    """Saving for resume after a power cut; ``every_s: 0`` means that the board saves nothing."""

    every_s: Annotated[_NotLess, _within(0, 86_400, "s")] = Field(
        description="Time between saves of the resume checkpoint; 0 when nothing is saved. Shorter: more saves, each a chance "
        "of a stop. Usually 1 to 60 s"
    )
    takes_ms: Annotated[_NotLess, _within(0, 60_000, "ms")] = Field(
        description="How long one save keeps new moves out of the queue. Where it is longer than the reserve the head stops. "
        "Usually 20 to 300; a write may keep a card busy for 250 ms, the largest cards 500 (SD physical layer, 4.6.2.2)"
    )

    rated_writes: Annotated[_Int, _within(100, 100_000, "writes")] = Field(
        _left_out(10_000),
        description="How often one place of the card may be written. Fewer: saving wears the card out sooner. Usually 1000 to "
        "10000 on small cards, 100000 on those made for many writes; cards that spread their writes last far longer",
    )

    @field_validator("takes_ms")
    @classmethod
    def _leaves_time(cls, takes: Known[float], others: ValidationInfo) -> Known[float]:
        every = others.data.get("every_s")
        if every is not None and 0 < 1000 * every.value <= takes.value:
            _refuse(f"is {takes.value:g}, so that the board would do nothing but save", "write less than `every_s`")
        return takes


class HotEnd(Part):
    """Nozzle, filament and what leaves it."""

    nozzle_mm: Annotated[_More, _within(0.05, 5, "mm")] = Field(
        description="Bore of the nozzle; lines are about as wide. Usually 0.25 to 0.8"
    )
    filament_mm: Annotated[_More, _within(0.5, 10, "mm")] = Field(
        description="Diameter of the filament; flow goes with its square. 1.75 or 2.85"
    )
    melt_rate_mm3_s: Annotated[_More, _within(0.1, 1000, "mm3/s")] = Field(
        description="The most that the hot end melts well; beyond it lines get thin. Usually 8 to 15, 20 to 40 for long melt zones"
    )
    retract_mm: Annotated[_NotLess, _within(0, 100, "mm")] = Field(
        description="Filament pulled back by G10 and G11, where the board does it. Usually 0.5 to 2 with the feeder on the "
        "head, 3 to 7 at the end of a guide tube"
    )
    retract_mm_s: Annotated[_More, _within(0.1, 1000, "mm/s")] = Field(
        description="How fast G10 and G11 pull. Usually 25 to 60"
    )
    ooze_mm3_s: Annotated[_NotLess, _within(0, 100, "mm3/s")] = Field(
        description="What leaves a full nozzle that stands still: a stop leaves a blob of this times its length. Usually 0.2 to 2"
    )


class Drive(Part):
    """Lengths at which the drive train repeats."""

    z_lead_mm: Annotated[_More, _within(0.1, 100, "mm")] = Field(
        description="Height that one turn of the Z screw lifts; marks of a bent screw repeat at it. Usually 8, 2 or 1.25"
    )
    belt_pitch_mm: Annotated[_More, _within(0.5, 50, "mm")] = Field(
        description="Distance of two belt teeth; marks of a worn tooth repeat at it. Usually 2"
    )
    pulley_teeth: Annotated[_Int, _within(4, 1000, "teeth")] = Field(
        description="Teeth of the belt pulley; times the pitch it is the way of one turn. Usually 16 or 20"
    )
    feeder_turn_mm: Annotated[_More, _within(1, 1000, "mm")] = Field(
        description="Filament that one turn of the feeder's gear moves; marks of an eccentric gear repeat at it. Usually 20 to 40"
    )


class Bed(Part):
    """Where a part may lie, and how high it may be."""

    shape: Literal["rectangle", "round"] = Field(
        "rectangle", description="Outline of the bed: `rectangle`, or `round` with the width as its diameter"
    )
    width_mm: Annotated[_More, _within(20, 5000, "mm")] = Field(
        description="How far the nozzle may go along X over the bed. Coupons stay inside. Usually 120 to 350"
    )
    depth_mm: Annotated[_More, _within(20, 5000, "mm")] = Field(
        description="How far the nozzle may go along Y over the bed. Coupons stay inside. Usually 120 to 350"
    )
    height_mm: Annotated[_More, _within(20, 5000, "mm")] = Field(
        description="How high the nozzle may go. Coupons stay below. Usually 150 to 400"
    )
    zero: Literal["corner", "middle"] = Field(
        "corner", description="Where X0 Y0 is: in the front left `corner`, or in the `middle` of the bed"
    )


class Printing(Part):
    """How this printer is made ready for a print, for the coupons that the program writes."""

    nozzle_c: Annotated[_More, _within(150, 500, "degrees")] | None = Field(
        None, description="Temperature of the nozzle. Usually the middle of what the label of the spool says"
    )
    bed_c: Annotated[_NotLess, _within(0, 200, "degrees")] | None = Field(
        None, description="Temperature of the bed; 0 for a bed without a heater. Usually what the label of the spool says"
    )
    nozzle_most_c: Annotated[_More, _within(150, 500, "degrees")] = Field(
        _left_out(240.0),
        description="The most the nozzle may be heated. A plastic guide tube that reaches down to the nozzle gives off "
        "harmful fumes above 240 to 260. Usually 240, 300 where only metal gets hot",
    )
    bed_most_c: Annotated[_NotLess, _within(0, 200, "degrees")] = Field(
        _left_out(100.0), description="The most the bed may be heated. Usually 100 to 120"
    )
    fan_percent: Annotated[_NotLess, _within(0, 100, "%")] = Field(
        _left_out(100.0),
        description="Part fan from the second layer on. Less: stronger, but soft overhangs. Usually 100, 0 to 30 for plastics "
        "that crack as they cool",
    )
    density_g_cm3: Annotated[_More, _within(0.3, 10, "g/cm3")] = Field(
        _left_out(1.24), description="Mass of the filament by its volume; only grams rest on it. Usually 1.0 to 1.3"
    )
    start: tuple[Line, ...] = Field(
        ("M140 S{bed}", "G28", "M190 S{bed}", "M109 S{nozzle}"),
        max_length=200,
        description="Your own lines before a print, such as homing and levelling; {nozzle} and {bed} stand for the temperatures. "
        "Both are waited for afterwards in any case",
    )
    end: tuple[Line, ...] = Field(
        ("G91", "G1 Z5 F300", "G90", "M84"),
        max_length=200,
        description="Your own lines after a print. Heaters and fan are switched off afterwards in any case",
    )


class Printer(Entry):
    """A printer card."""

    name: Text
    about: Text
    origin: Origin = Field("generic", alias="from")
    motion: Motion
    supply: Supply
    checkpoint: Checkpoint
    hot_end: HotEnd
    drive: Drive
    bed: Bed | None = None
    printing: Printing | None = None

    def numbers(self) -> Iterator[tuple[str, float, Origin]]:
        """Yield every number of the card as dotted name, value and where it came from."""

        def walk(part: BaseModel, prefix: str) -> Iterator[tuple[str, float, Origin]]:
            for name in type(part).model_fields:
                value = getattr(part, name)
                if isinstance(value, Known):
                    yield f"{prefix}{name}", value.value, value.origin or self.origin
                elif isinstance(value, BaseModel):
                    yield from walk(value, f"{prefix}{name}.")

        yield from walk(self, "")

    @classmethod
    def explain(cls) -> dict[str, str]:
        """Return what each field of a card is, what it changes and what is usual, by dotted name."""

        def walk(part: type[BaseModel], prefix: str) -> Iterator[tuple[str, str]]:
            for name, field in part.model_fields.items():
                if field.description:
                    yield f"{prefix}{name}", field.description
                inner = next((m for m in _models(field.annotation) if not issubclass(m, Known)), None)
                for below, said in walk(inner, f"{prefix}{name}.") if inner else ():
                    yield below, f"{said}: {field.description}" if inner in (Speeds, Accelerations) else said

        return dict(walk(cls, ""))


def _models(annotation: Any) -> Iterator[type[BaseModel]]:
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        yield annotation
    for inner in get_args(annotation):
        yield from _models(inner)
