"""The JSON of ``diagnose ease`` as models: what each key means, and the JSON Schema that is published beside this file.

Keys may be added, never changed. ``ease.schema.json`` is `schema_text()`; a test holds the two, and real output, together.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING, Any

from pydantic import BaseModel, ConfigDict

if TYPE_CHECKING:
    from diagnose.toolpath.ease import Eased
    from diagnose.toolpath.job import Job

PUBLISHED = Path(__file__).with_name("ease.schema.json")


class _Part(BaseModel):
    """Anything in the JSON; keys that a later version adds are allowed."""

    model_config = ConfigDict(extra="allow", use_attribute_docstrings=True)


class Count(_Part):
    """A whole number of the job as it was given and as it was written."""

    before: int
    after: int


class Length(_Part):
    """Filament pushed less filament pulled back, mm."""

    before: float
    after: float


class Ran(_Part):
    """What the printer makes of the job."""

    stops: int
    """How often the head stands still for want of moves."""
    stood_s: float
    dips: int
    """How often it only brakes."""
    least_reserve_ms: float | None
    """How long the queued moves would keep the head moving where that is shortest; null where too few follow each other."""
    saves_that_stop: float | None
    """Share of all saves of a checkpoint that stop the head, whenever the first falls due; null when none are made."""
    time_s: float


class OnPrinter(_Part):
    """The job as it was given and as it was written, both run on the printer card."""

    before: Ran
    after: Ran


class Report(_Part):
    """A job eased."""

    job: str
    """Path as given."""
    output: str
    """The file written."""
    printer: str | None
    """Printer card as given."""
    tolerance_mm: float
    deviation_mm: float
    """The largest measured on the written job; never above the tolerance."""
    deviation_line: int | None
    """Line of the given job where that is; null when nothing was left out."""
    moves: Count
    """Lines that move head or filament."""
    bytes: Count
    filament_mm: Length
    unclear_moves: int
    """Moves left as they are because the job had not said by then how its words are meant."""
    runs: OnPrinter | None
    """Null without a printer card."""


def ran(job: Job) -> Ran | None:
    """Return what is told of a job's run; None without a machine."""
    run = job.run
    if run is None:
        return None
    return Ran(
        stops=len(run.stops), stood_s=_round(float(run.stops.length_s.sum())), dips=len(run.dips),
        least_reserve_ms=None if run.least is None else _round(run.least[0]),
        saves_that_stop=_round(float(run.anywhere.share)) if run.machine.checkpoint_every else None,
        time_s=_round(run.time_s),
    )  # fmt: skip


def report(
    job: Path,
    output: Path,
    printer: str | None,
    tolerance: float,
    size: int,
    eased: Eased,
    before: Ran | None,
    after: Ran | None,
) -> Report:
    """Return what is told of a job of so many bytes that was eased."""
    return Report(
        job=str(job), output=str(output), printer=printer, tolerance_mm=tolerance,
        deviation_mm=_round(eased.deviation_mm), deviation_line=eased.at_line,
        moves=Count(before=eased.moves_before, after=eased.moves_after), bytes=Count(before=size, after=len(eased.data)),
        filament_mm=Length(before=eased.filament_before_mm, after=eased.filament_after_mm), unclear_moves=eased.unclear,
        runs=None if before is None or after is None else OnPrinter(before=before, after=after),
    )  # fmt: skip


def schema_text() -> str:
    """Return the JSON Schema of the output."""
    schema: dict[str, Any] = {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        **Report.model_json_schema(),
        "title": "What `diagnose ease --json` prints",
    }
    return json.dumps(schema, indent=1, ensure_ascii=False) + "\n"


def _round(value: float) -> float:
    return float(f"{value:.7g}")
