"""Printer cards: YAML that describes one printer, every number with its unit in its name and its range checked."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Annotated, Any, Generic, Literal, TypeVar

from pydantic import BaseModel, BeforeValidator, Field, model_validator

from diagnose.knowledge.frequency import fault
from diagnose.knowledge.models import Entry, Part, Text

Origin = Literal["measured", "job", "generic"]
N = TypeVar("N", int, float)


class Known(Part, Generic[N]):
    """A number and where it came from; ``origin`` is None where the card as a whole says it."""

    value: N
    origin: Origin | None = Field(None, alias="from")


def _bare(raw: Any) -> Any:
    return raw if isinstance(raw, dict | BaseModel) else {"value": raw}


_Int = Annotated[Known[Annotated[int, Field(ge=1, le=100_000)]], BeforeValidator(_bare)]
_Count = Annotated[Known[Annotated[int, Field(ge=0, le=100_000)]], BeforeValidator(_bare)]
_More = Annotated[Known[Annotated[float, Field(gt=0, le=1e9)]], BeforeValidator(_bare)]
_Speed = Annotated[Known[Annotated[float, Field(ge=0.01, le=1e5)]], BeforeValidator(_bare)]
_Acceleration = Annotated[Known[Annotated[float, Field(ge=1, le=1e6)]], BeforeValidator(_bare)]
"""Anything slower is no printer, and a job on it would take years to work out."""
_NotLess = Annotated[Known[Annotated[float, Field(ge=0, le=1e9)]], BeforeValidator(_bare)]


class Speeds(Part):
    """One speed an axis."""

    x: _Speed
    y: _Speed
    z: _Speed
    e: _Speed


class Accelerations(Part):
    """One acceleration an axis."""

    x: _Acceleration
    y: _Acceleration
    z: _Acceleration
    e: _Acceleration


class Corner(Part):
    """How fast a corner may be taken: by the radius of a circle that cuts it, or by a largest step of speed an axis."""

    rule: Literal["radius", "step"]
    deviation_mm: _More | None = None
    step_mm_s: Speeds | None = None

    @model_validator(mode="after")
    def _says_how(self) -> Corner:
        if (self.rule == "radius") != (self.deviation_mm is not None) or (self.rule == "step") != (
            self.step_mm_s is not None
        ):
            raise fault(
                f"has the rule {self.rule!r}, which does not go with the numbers given",
                "write {rule: radius, deviation_mm: 0.05} or {rule: step, step_mm_s: {x, y, z, e}}",
            )
        return self


class Motion(Part):
    """How moves become speeds."""

    planning: Literal["board", "host"]
    queue_moves: _Int
    queue_seen: _Int
    acceleration_mm_s2: _Acceleration
    travel_acceleration_mm_s2: _Acceleration
    axis_speed_mm_s: Speeds
    axis_acceleration_mm_s2: Accelerations
    corner: Corner

    @model_validator(mode="after")
    def _sees_no_more_than_it_holds(self) -> Motion:
        if self.queue_seen.value > self.queue_moves.value:
            raise fault(
                f"sees {self.queue_seen.value} moves of a queue that holds {self.queue_moves.value}",
                "write a `queue_seen` no greater than `queue_moves`",
            )
        return self


class Supply(Part):
    """How moves reach the queue."""

    feed: Literal["card", "cable"]
    bytes_per_s: _More
    line_time_ms: _NotLess
    reply_time_ms: _NotLess
    reply_bytes: _Count
    window_lines: _Int
    hiccups_per_min: _NotLess
    hiccup_takes_ms: _NotLess


class Checkpoint(Part):
    """Saving for resume after a power cut; ``every_s: 0`` means that the board saves nothing."""

    every_s: _NotLess
    takes_ms: _NotLess


class HotEnd(Part):
    """Nozzle, filament and what leaves it."""

    nozzle_mm: _More
    filament_mm: _More
    melt_rate_mm3_s: _More
    retract_mm: _NotLess
    retract_mm_s: _Speed
    ooze_mm3_s: _NotLess


class Drive(Part):
    """Lengths at which the drive train repeats."""

    z_lead_mm: _More
    belt_pitch_mm: _More
    pulley_teeth: _Int
    feeder_turn_mm: _More


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
