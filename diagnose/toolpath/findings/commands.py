"""What the job commands besides motion, and what changes with height."""

from __future__ import annotations

import numpy as np

from diagnose.toolpath.columns import Bools, EventKind, Floats, Ints
from diagnose.toolpath.findings.ground import Ground
from diagnose.toolpath.findings.registry import Said, finding, span, times

FIRST_LAYERS = 3
"""Layers in which jobs commonly differ on purpose (common practice, no source)."""
FIRST_LAYERS_FAN = 5

HOLDS = {
    EventKind.DWELL: "dwell",
    EventKind.PAUSE: "pause",
    EventKind.WAIT_MOVES: "wait for the queue",
    EventKind.HEAT_WAIT: "wait for heat",
    EventKind.TOOL: "change of tool",
}


@finding("job-resume-saving")
def resume_saving(ground: Ground) -> Said | None:
    """Say what the job's last command about saving for resume before its first extrusion, or its first one, says."""
    events = ground.file.events
    said = np.flatnonzero(events.kind == EventKind.RESUME_SAVING)
    if not len(said):
        return None
    early = said[events.before[said] <= ground.body.start]
    last = int(early[-1] if len(early) else said[0])
    on = events.value[last] > 0
    return Said(
        "on" if on else "off", None, "",
        f"line {events.line[last]} switches the saving of resume checkpoints {'on' if on else 'off'}",
        [events.line[last]],
    )  # fmt: skip


@finding("commanded-pauses")
def pauses(ground: Ground) -> Said | None:
    """Count what holds up the head on command between the first and the last extrusion."""
    if not ground.layers:
        return None
    events, inside = ground.file.events, _inside(ground)
    held = inside & np.isin(events.kind, [int(kind) for kind in HOLDS])
    # A heat wait to the temperature that already holds, or G4 of nothing, still stops the queue; keep them.
    count = int(held.sum())
    if not count:
        return Said("none", 0, "pauses", "nothing in the job holds up the head between its first and last extrusion")
    often = count >= 0.5 * ground.layers and ground.layers > 4
    kinds = {name: int((held & (events.kind == kind)).sum()) for kind, name in HOLDS.items()}
    named = ", ".join(f"{times(number)} by a {name}" for name, number in kinds.items() if number)
    return Said(
        "every-layer" if often else "some", count, "pauses",
        f"the job holds up the head {times(count)} in {ground.layers} layers: {named}", events.line[held],
    )  # fmt: skip


@finding("temperature-changes")
def temperature(ground: Ground) -> Said | None:
    """Look for nozzle temperatures commanded during the print."""
    # Not the waits for heat: the bed has them too, and every M109 is a change of the nozzle besides.
    return _changes(ground, EventKind.NOZZLE_TEMP, 1.0, FIRST_LAYERS, "nozzle temperature", "deg C")


@finding("fan-changes")
def fan(ground: Ground) -> Said | None:
    """Look for changes of the fan by at least a tenth during the print."""
    return _changes(ground, EventKind.FAN, 0.1, FIRST_LAYERS_FAN, "fan", "of full speed")


@finding("speed-changes")
def speed(ground: Ground) -> Said | None:
    """Compare the mean speed asked for on the outer contour, layer by layer."""
    sums = ground.file.sums
    mean = _per_mm(sums.wall_feed, sums.wall_mm)
    return _levels(ground, mean, 1.2, "speed asked for on the outer wall", "mm/s")


@finding("flow-changes")
def flow(ground: Ground) -> Said | None:
    """Compare filament per mm of outer contour and mm of layer height, layer by layer."""
    sums = ground.file.sums
    mean = _per_mm(sums.wall_filament_mm, sums.wall_mm)
    height = ground.file.shape.layer_height
    mean = np.where(height > 0, mean / np.where(height > 0, height, 1.0), np.nan)
    return _levels(ground, mean, 1.08, "filament per mm of outer wall and mm of layer height", "mm/mm2")


def _inside(ground: Ground) -> Bools:
    """Return which events fall after the first extrusion and before the last."""
    before = ground.file.events.before
    inside: Bools = (before > ground.body.start) & (before < ground.body.stop)
    return inside


def _changes(
    ground: Ground, kind: EventKind, least: float, first_layers: int, what: str, unit: str
) -> Said | None:
    """Find changes of a commanded value during the print, and whether they come after the first layers."""
    if not ground.layers:
        return None
    events = ground.file.events
    mine = np.flatnonzero(events.kind == kind)
    values, before = events.value[mine], events.before[mine]
    previous = np.concatenate([[np.nan], values[:-1]])
    changed = _inside(ground)[mine] & np.isfinite(values) & ~(np.abs(values - previous) < least)
    steps = mine[changed]
    if not len(steps):
        return Said("none", 0, "changes", f"the {what} is not changed between the first and the last extrusion")
    layer = ground.layer[np.minimum(before[changed], len(ground.layer) - 1)]
    higher = layer >= first_layers
    shown = steps[higher] if higher.any() else steps
    low, high = float(values[changed].min()), float(values[changed].max())
    where = f"{times(int(higher.sum()))} above layer {first_layers}" if higher.any() else "only in the first layers"
    return Said(
        "higher-up" if higher.any() else "first-layers", len(steps), "changes",
        f"the {what} changes {times(len(steps))} during the print, to {span(low, high, unit)}, {where}",
        events.line[shown],
    )  # fmt: skip


def _per_mm(amount: Floats, path: Floats) -> Floats:
    """Return (layers,) amount per mm of path; NaN for layers with under 1 mm of outer contour."""
    enough = path >= 1.0
    mean: Floats = np.where(enough, amount / np.where(enough, path, 1.0), np.nan)
    return mean


def _levels(ground: Ground, mean: Floats, ratio: float, what: str, unit: str) -> Said | None:
    """Say whether a quantity of layers differs by a ratio: higher up, in the first layers only, or nowhere."""
    known = np.flatnonzero(np.isfinite(mean))
    if len(known) < 2:
        return None
    # The highest layer is often a cap of its own kind; a few odd layers in a hundred are no step.
    higher = known[(known >= FIRST_LAYERS) & (known < len(mean) - 1)]
    low, high = np.quantile(mean[higher], [0.02, 0.98]) if len(higher) > 1 else (np.nan, np.nan)
    middle = float(np.median(mean[higher])) if len(higher) else float(mean[known[-1]])
    first = mean[known[known < FIRST_LAYERS]]
    if low > 0 and high >= ratio * low:
        steps = higher[1:][np.abs(np.diff(mean[higher])) > 0.5 * (high - low)]
        return Said(
            "higher-up", float(high / low), "times", f"the {what} lies between {low:.3g} and {high:.3g} {unit}",
            _lines_of_layers(ground, steps if len(steps) else higher[[0, -1]]),
        )  # fmt: skip
    apart = [f for f in first if f > 0 and max(f / middle, middle / f) >= ratio] if middle > 0 else []
    if apart:
        return Said(
            "first-layers", float(apart[0] / middle), "times",
            f"the {what} is {apart[0]:.3g} {unit} in the first layers and {middle:.3g} above them",
            _lines_of_layers(ground, known[known < FIRST_LAYERS]),
        )  # fmt: skip
    return Said("none", 1.0, "times", f"the {what} is {middle:.3g} {unit} at all heights")


def _lines_of_layers(ground: Ground, layers: Ints) -> list[int]:
    """Return the line of the first outer move of each of these layers, at most ten."""
    outer = ground.outer
    layer = ground.layer[outer]
    return [int(ground.moves.line[outer[int(np.argmax(layer == number))]]) for number in layers[:10]]
