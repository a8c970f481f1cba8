"""Printer cards: YAML that describes one printer, every number with its unit in its name and its range checked."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Annotated, Any, Generic, Literal, TypeVar

from pydantic import BaseModel, BeforeValidator, Field, model_validator

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
_NotLess = Annotated[Known[Annotated[float, Field(ge=0, le=1e9)]], BeforeValidator(_bare)]


class Axes(Part):
    """One number an axis."""

    x: _More
    y: _More
    z: _More
    e: _More


class Corner(Part):
    """How fast a corner may be taken: by the radius of a circle that cuts it, or by a largest step of speed an axis."""

    rule: Literal["radius", "step"]
    deviation_mm: _More | None = None
    step_mm_s: Axes | None = None

    @model_validator(mode="after")
    def _says_how(self) -> Corner:
        if (self.rule == "radius") != (self.deviation_mm is not None) or (self.rule == "step") != (
            self.step_mm_s is not None
        ):
            from pydantic_core import PydanticCustomError

            raise PydanticCustomError(
                "rule",
                "{what}",
                {
                    "what": f"the corner rule {self.rule!r} does not go with the numbers given",
                    "instead": "write {rule: radius, deviation_mm: 0.05} or {rule: step, step_mm_s: {x, y, z, e}}",
                },
            )
        return self


class Motion(Part):
    """How moves become speeds."""

    planning: Literal["board", "host"]
    queue_moves: _Int
    queue_seen: _Int
    acceleration_mm_s2: _More
    travel_acceleration_mm_s2: _More
    axis_speed_mm_s: Axes
    axis_acceleration_mm_s2: Axes
    corner: Corner


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
    retract_mm_s: _More
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
