"""Where a case gets its rules and its machine from."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from pathlib import Path
from typing import Any

from diagnose.errors import BadInput, nearest
from diagnose.knowledge.builtin import rules_folder
from diagnose.knowledge.cards import Accelerations, Printer, Speeds
from diagnose.knowledge.check import load_checked
from diagnose.knowledge.pack import Knowledge, load
from diagnose.knowledge.reader import Problem
from diagnose.toolpath.machine import CARD_FREE_CAP, CONFIDENCE_CAP, Machine, Origin


def knowledge_from(extra: Iterable[Path] = ()) -> Knowledge:
    """Return the built-in pack with the given packs laid over it, checked; raises BadInput at a hard fault."""
    return load_checked([rules_folder(), *extra])


def cards_from(extra: Iterable[Path] = ()) -> Knowledge:
    """Return the printer cards of the packs and nothing else, far sooner; raises BadInput at a fault in their files."""
    knowledge, problems = load([rules_folder(), *extra], only="printers")
    hard = sorted(p for p in problems if p.hard)
    if hard:
        raise BadInput(hard[0].what, hard[0].instead, f"{hard[0].file}:{hard[0].line}:{hard[0].column}")
    return knowledge


def card(knowledge: Knowledge, name: str) -> Printer:
    """Return a printer card by its id, or from a YAML file that holds exactly one.

    Raises BadInput for an unknown id, a missing file, or a file with faults.
    """
    if name in knowledge.printers:
        return knowledge.printers[name]
    path = Path(name)
    if path.suffix not in (".yaml", ".yml") and not _is_there(path):
        hint = nearest(name, knowledge.printers) or f"known are: {', '.join(knowledge.printers)}"
        raise BadInput(f"there is no printer card {name!r}", hint.rstrip("?") + ("? Or" if hint.endswith("?") else "; or") + " give the path of a card")
    if not _is_there(path):
        raise BadInput("there is no such printer card", "give the id of a card or the path of a YAML file", name)
    found, problems = load([path])
    hard = sorted(p for p in problems if p.hard)
    if hard:
        raise BadInput(hard[0].what, hard[0].instead, f"{hard[0].file}:{hard[0].line}:{hard[0].column}")
    if len(found.printers) != 1:
        raise BadInput(f"the file holds {len(found.printers)} printer cards", "leave exactly one in it", name)
    return next(iter(found.printers.values()))


def _is_there(path: Path) -> bool:
    try:
        return path.is_file()
    except OSError:  # a name too long for any file
        return False


def machine_of(printer: Printer) -> Machine:
    """Return a card as the engine's machine, every number with where it came from."""
    motion, supply, save, hot = printer.motion, printer.supply, printer.checkpoint, printer.hot_end
    step = motion.corner.step_mm_s
    fields: dict[str, Any] = {
        "planning": motion.planning,
        "buffer_time": motion.buffer_s.value,
        "queue_moves": motion.queue_moves.value,
        "queue_seen": motion.queue_seen.value,
        "acceleration": motion.acceleration_mm_s2.value,
        "travel_acceleration": motion.travel_acceleration_mm_s2.value,
        "axis_speed": _axes(motion.axis_speed_mm_s),
        "axis_acceleration": _axes(motion.axis_acceleration_mm_s2),
        "corner_rule": motion.corner.rule,
        "corner_deviation": motion.corner.deviation_mm.value if motion.corner.deviation_mm else 0.0,
        "corner_step": _axes(step) if step else (0.0, 0.0, 0.0, 0.0),
        "least_speed": motion.least_speed_mm_s.value,
        "least_travel_speed": motion.least_travel_speed_mm_s.value,
        "least_move": motion.least_move_ms.value / 1e3,
        "stretch_below": motion.stretch_below.value,
        "job_sets_limits": motion.obeys_job_limits,
        "tool_change_time": motion.tool_change_s.value,
        "feed": supply.feed,
        "bytes_per_s": supply.bytes_per_s.value,
        "line_time": supply.line_time_ms.value / 1e3,
        "reply_time": supply.reply_time_ms.value / 1e3,
        "reply_bytes": supply.reply_bytes.value,
        "window_lines": supply.window_lines.value,
        "hiccups_per_min": supply.hiccups_per_min.value,
        "hiccup_takes": supply.hiccup_takes_ms.value / 1e3,
        "resends_per_1000": supply.resends_per_1000.value,
        "resend_lines": supply.resend_lines.value,
        "checkpoint_every": save.every_s.value,
        "checkpoint_takes": save.takes_ms.value / 1e3,
        "rated_writes": save.rated_writes.value,
        "nozzle_diameter": hot.nozzle_mm.value,
        "filament_diameter": hot.filament_mm.value,
        "melt_rate": hot.melt_rate_mm3_s.value,
        "retract_length": hot.retract_mm.value,
        "retract_speed": hot.retract_mm_s.value,
        "ooze_rate": hot.ooze_mm3_s.value,
    }
    return Machine(**fields, origin=_origins(printer))


def prepare_engine(
    knowledge: Knowledge, printer: str | None, progress: Callable[[float, str], None] | None = None, cancel: Callable[[], bool] | None = None
) -> None:
    """Make the engine ready to run jobs on a printer card, or on none: once on a machine that takes seconds.

    Raises BadInput for a card that cannot be used.
    """
    from diagnose.toolpath.prepare import prepare

    prepare(machine_of(card(knowledge, printer)) if printer else None, progress, cancel)


def _axes(axes: Speeds | Accelerations) -> tuple[float, float, float, float]:
    return axes.x.value, axes.y.value, axes.z.value, axes.e.value


_FIELD_OF: Mapping[str, str] = {
    "motion.queue_moves": "queue_moves", "motion.queue_seen": "queue_seen", "motion.buffer_s": "buffer_time",
    "motion.least_speed_mm_s": "least_speed", "motion.least_travel_speed_mm_s": "least_travel_speed",
    "motion.least_move_ms": "least_move", "motion.stretch_below": "stretch_below",
    "motion.tool_change_s": "tool_change_time",
    "motion.acceleration_mm_s2": "acceleration", "motion.travel_acceleration_mm_s2": "travel_acceleration",
    "motion.axis_speed_mm_s": "axis_speed", "motion.axis_acceleration_mm_s2": "axis_acceleration",
    "motion.corner.deviation_mm": "corner_deviation", "motion.corner.step_mm_s": "corner_step",
    "supply.bytes_per_s": "bytes_per_s", "supply.line_time_ms": "line_time", "supply.reply_time_ms": "reply_time",
    "supply.reply_bytes": "reply_bytes", "supply.window_lines": "window_lines",
    "supply.hiccups_per_min": "hiccups_per_min", "supply.hiccup_takes_ms": "hiccup_takes",
    "supply.resends_per_1000": "resends_per_1000", "supply.resend_lines": "resend_lines",
    "checkpoint.every_s": "checkpoint_every", "checkpoint.takes_ms": "checkpoint_takes",
    "checkpoint.rated_writes": "rated_writes",
    "hot_end.nozzle_mm": "nozzle_diameter", "hot_end.filament_mm": "filament_diameter",
    "hot_end.melt_rate_mm3_s": "melt_rate", "hot_end.retract_mm": "retract_length",
    "hot_end.retract_mm_s": "retract_speed", "hot_end.ooze_mm3_s": "ooze_rate",
}  # fmt: skip
"""Number on a card to the machine's field that it sets."""


def _origins(printer: Printer) -> dict[str, Origin]:
    """Return field to origin; of several numbers in one field the least sure speaks."""
    order: tuple[Origin, ...] = ("measured", "job", "generic")
    found: dict[str, Origin] = {}
    for name, _, origin in printer.numbers():
        field = next((f for prefix, f in _FIELD_OF.items() if name == prefix or name.startswith(prefix + ".")), None)
        if field is not None:
            found[field] = max(found.get(field, "measured"), origin, key=order.index)
    return found


def card_number(field: str) -> str:
    """Return the dotted name of the number on a card that sets a field of the machine."""
    return next(name for name, set_by in _FIELD_OF.items() if set_by == field)


def numbers_behind(printer: Printer, fields: Iterable[str]) -> list[tuple[str, float, Origin]]:
    """Return the numbers of a card that set these fields of the machine: dotted name, value, where it came from."""
    wanted = tuple(name for name, field in _FIELD_OF.items() if field in set(fields))
    return [
        (name, value, origin)
        for name, value, origin in printer.numbers()
        if any(name == w or name.startswith(w + ".") for w in wanted)
    ]


def expected_findings(machine: Machine | None) -> dict[str, float]:
    """Return the findings that a job file may bring and how far each will be believed at most.

    Without a machine the ones that need one count as on a generic card: one is soon chosen.
    """
    from diagnose.toolpath.findings import REGISTRY

    def most(rests_on: tuple[str, ...]) -> float:
        if machine is not None:
            return machine.confidence_cap(*rests_on)
        return CONFIDENCE_CAP["generic"] if rests_on else CARD_FREE_CAP

    return {id: most(entry.rests_on) for id, entry in REGISTRY.items()}


def unpublished_findings(knowledge: Knowledge) -> list[Problem]:
    """Return a problem for each finding of the rules that the engine does not compute, and the other way round.

    `knowledge` and the engine know nothing of each other, so the two are held together here.
    """
    from diagnose.toolpath.findings import REGISTRY

    problems = [
        knowledge.problem(
            "findings", id, ("id",), f"the engine computes no finding {id!r}",
            nearest(id, REGISTRY) or f"it computes: {', '.join(REGISTRY)}",
        )
        for id in knowledge.findings
        if id not in REGISTRY
    ]  # fmt: skip
    for id in REGISTRY:
        if id not in knowledge.findings and ("findings", id) not in knowledge.broken:
            problems.append(
                Problem("", 1, 1, id, "the engine computes this finding and no rule file says what it means",
                        "add it under `findings:`", hard=False)
            )  # fmt: skip
    return problems
