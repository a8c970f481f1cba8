"""Retractions, travels, and how much plastic is asked of the hot end."""

from __future__ import annotations

import math

import numpy as np

from diagnose.toolpath.columns import Ints
from diagnose.toolpath.findings.ground import Ground, beyond, weighted_quantile
from diagnose.toolpath.findings.registry import Said, finding, grade, times

# Limits are common practice, no source.
GRIPPED_MM = 10.0
HEAVY_LOAD = 15
SHORT_RETRACT_MM, MEDIUM_RETRACT_MM = 1.0, 4.0
LONG_TRAVEL_MM = 2.0
FEW_BARE = 5
FEW_JUMPS, MANY_JUMPS = 2, 30
NEAR_MELT, ABOVE_MELT = 0.8, 1.0
THIN_NOZZLES, WIDE_NOZZLES = 0.9, 1.6


@finding("retraction-load")
def retraction_load(ground: Ground) -> Said | None:
    """Grade the most retractions on 10 mm of filament."""
    if not ground.layers:
        return None
    starts, _ = ground.retractions
    if not len(starts):
        return Said("none", 0, "retractions", "the job never pulls the filament back while it prints")
    most, worst = 0, starts[:1]
    for tool in np.unique(ground.moves.tool[starts]):
        mine = starts[ground.moves.tool[starts] == tool]
        used, _ = ground.pushed_at(mine, int(tool))
        within = np.searchsorted(used, used + GRIPPED_MM, side="right") - np.arange(len(used))
        at = int(np.argmax(within))
        if within[at] > most:
            most, worst = int(within[at]), mine[at : at + int(within[at])]
    return Said(
        "heavy" if most >= HEAVY_LOAD else "light", most, "retractions on 10 mm of filament",
        f"the filament is pulled back {times(len(starts))}, at most {times(most)} on 10 mm of filament, from line "
        f"{ground.moves.line[worst[0]]} on", ground.lines_of(worst, 10),
    )  # fmt: skip


@finding("retraction-length")
def retraction_length(ground: Ground) -> Said | None:
    """Grade the usual length of a retraction."""
    if not ground.layers:
        return None
    starts, lengths = ground.retractions
    if not len(starts):
        return Said("none", 0.0, "mm", "the job never pulls the filament back while it prints")
    if "retract" in ground.file.assumed:
        return Said(
            "none", None, "mm", "the job leaves it to the printer how far the filament is pulled back",
            ground.lines_of(starts), 0.8,
        )  # fmt: skip
    usual = float(np.median(lengths))
    answer = grade(usual, (SHORT_RETRACT_MM + 1e-6, "short"), (MEDIUM_RETRACT_MM + 1e-6, "medium"), above="long")
    return Said(
        answer, usual, "mm", f"the filament is usually pulled back by {usual:.2f} mm, {times(len(lengths))} in the job",
        ground.lines_of(starts),
    )  # fmt: skip


@finding("ooze-travels")
def ooze_travels(ground: Ground) -> Said | None:
    """Grade the share of long travels that start with the filament not pulled back."""
    travels = _travels(ground)
    if not ground.layers:
        return None
    if not len(travels):
        return Said("none", 0.0, "of long travels", "no travel is longer than 2 mm")
    bare = travels[~ground.pushed_at(travels)[1]]
    share = len(bare) / len(travels)
    answer = "none" if len(bare) < FEW_BARE else grade(share, (0.02, "none"), (0.3, "some"), above="many")
    return Said(
        answer, share, "of long travels",
        f"{len(bare)} of {len(travels)} travels over 2 mm start without pulling the filament back",
        ground.lines_of(bare), 0.85,
    )  # fmt: skip


@finding("job-jump-count")
def jump_count(ground: Ground) -> Said | None:
    """Grade the travels over 2 mm in the middle layer."""
    if not ground.layers:
        return None
    travels = _travels(ground)
    layer = ground.layer[travels]
    count = float(np.median(np.bincount(layer[layer >= 0], minlength=ground.layers)))
    answer = grade(count, (FEW_JUMPS + 0.5, "hardly"), (MANY_JUMPS + 0.5, "some"), above="many")
    return Said(
        answer, count, "travels a layer", f"the middle layer has {count:g} travels over 2 mm",
        ground.lines_of(travels), 0.85,
    )  # fmt: skip


@finding("flow-against-hot-end", "melt_rate", "filament_diameter", "acceleration")
def flow(ground: Ground) -> Said | None:
    """Compare the plastic asked for in the fastest hundredth of the path with the melt rate, at planned speeds."""
    machine = ground.machine
    assert machine is not None
    area = math.pi * machine.filament_diameter**2 / 4
    moves, spent, draws = ground.moves, ground.run.seconds, ground.draws
    fastest = area * weighted_quantile(moves.e, ground.length, 0.99, draws, over=spent)
    if math.isnan(fastest):
        return None
    _, shown = beyond(moves.e, ground.length, fastest / area, draws, over=spent, upward=True)
    share = fastest / machine.melt_rate
    answer = grade(share, (NEAR_MELT, "within"), (ABOVE_MELT, "near"), above="above")
    return Said(
        answer, fastest, "mm3/s",
        f"the fastest hundredth of the path asks for {fastest:.1f} mm3/s, {share:.0%} of the {machine.melt_rate:g} mm3/s "
        "the hot end can melt", ground.lines_of(shown), 0.9,
    )  # fmt: skip


@finding("implied-line-width", "nozzle_diameter", "filament_diameter")
def line_width(ground: Ground) -> Said | None:
    """Compare the line width that the flow of the outer contour implies with the nozzle.

    With A = filament area * e / length and the layer height h, a bead of rectangular section is A / h wide, one with
    round sides A / h + h (1 - pi / 4). Jobs are written by either rule: thin is what is thin by the wider, wide what is
    wide by the narrower.
    """
    machine = ground.machine
    assert machine is not None
    outer = ground.outer
    length, filament = ground.file.sums.wall_mm, ground.file.sums.wall_filament_mm
    height = ground.file.shape.layer_height
    known = (length > 1.0) & (height > 0)
    if not known.any() or "flow" in ground.file.assumed:
        return None
    area = math.pi * machine.filament_diameter**2 / 4
    boxy = area * filament[known] / (length[known] * height[known])
    square, rounded = float(np.median(boxy)), float(np.median(boxy + height[known] * (1 - math.pi / 4)))
    nozzle = machine.nozzle_diameter
    answer = "thin" if rounded < THIN_NOZZLES * nozzle else "wide" if square > WIDE_NOZZLES * nozzle else "usual"
    return Said(
        answer, square, "mm",
        f"the flow makes outer lines {square:.2f} mm wide with square sides, {rounded:.2f} mm with round ones; the "
        f"nozzle has {nozzle:g} mm", ground.lines_of(outer[:200], 3), 0.85,
    )  # fmt: skip


def _travels(ground: Ground) -> Ints:
    """Return the first move of each travel over 2 mm between the first and the last extrusion.

    A hop that is no travel cuts one in two; both halves then count, which moves a share but little.
    """
    first, reach = ground.travels
    return first[reach > LONG_TRAVEL_MM]
