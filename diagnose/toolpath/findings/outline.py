"""What the outer contour says: spiral or layers, seams, facets, and the moves a second they ask for."""

from __future__ import annotations

import numpy as np

from diagnose.toolpath.columns import Bools, Floats, Ints
from diagnose.toolpath.findings.ground import Ground, weighted_quantile
from diagnose.toolpath.findings.registry import Said, finding, grade
from diagnose.toolpath.sums import SLOWEST

# Limits are common practice, no source, unless they say otherwise.
SPIRAL_SHARE = 0.5
LAYERED_REST = 0.005
TINY_MM, SHORT_MM = 0.4, 1.5
NEEDLESS_MM, VISIBLE_MM = 0.003, 0.05
BUSY_PER_S, HIGH_PER_S = 60.0, 250.0
SLOW_MM_S, FAST_MM_S = 50.0, 120.0
GATHERED = 0.001
"""Chance of so uneven a scatter (Rayleigh) from which it is no plain scatter."""
WINDOW_S = 0.5
REGION_S = 2.0
MOST_JOINTS = 100_000
FEW_JOINTS = 30
CURVE_BENDS = (np.radians(0.2), np.radians(40.0))
"""Bends between these belong to a curve cut into facets; sharper ones are corners of the part."""


@finding("job-spiral")
def spiral(ground: Ground) -> Said | None:
    """Say whether most of the extruded path is a spiral."""
    if not ground.layers:
        return None
    share = ground.file.shape.spiral.share
    yes = share >= SPIRAL_SHARE
    # Half spiral, half layers is a coin toss for a question that knows only yes and no.
    sure = 0.95 if abs(share - SPIRAL_SHARE) > 0.2 else 0.6
    stretch = ground.file.shape.spiral
    where = f", from {stretch.from_mm:.2f} to {stretch.to_mm:.2f} mm of height" if share > 0 else ""
    return Said(
        "yes" if yes else "no", share, "of the extruded path",
        f"{share:.0%} of the extruded path climbs without starting a new loop{where}",
        ground.lines_of(np.flatnonzero(stretch.mask)[:200]) if share > 0 else (), sure,
    )  # fmt: skip


@finding("spiral-extent")
def spiral_extent(ground: Ground) -> Said | None:
    """Say whether flat layers lie beside the spiral."""
    if not ground.layers:
        return None
    share = ground.file.shape.spiral.share
    if share < 0.02:
        return Said("none", share, "of the extruded path", "no part of the path is a spiral")
    if share > 1 - LAYERED_REST:
        return Said("whole", share, "of the extruded path", f"{share:.1%} of the extruded path is one spiral")
    first = int(np.argmax(ground.file.shape.spiral.mask))
    return Said(
        "partly", share, "of the extruded path",
        f"{share:.1%} of the extruded path is a spiral, the rest flat layers; it starts at "
        f"{ground.file.shape.spiral.from_mm:.2f} mm of height",
        [int(ground.moves.line[first])],
    )  # fmt: skip


@finding("facet-length")
def facet_length(ground: Ground) -> Said | None:
    """Grade the middle length of the outer contour's moves."""
    median, fine = ground.file.shape.facet_median, ground.file.shape.facet_p05
    if not np.isfinite(median):
        return None
    answer = grade(median, (TINY_MM, "tiny"), (SHORT_MM, "short"), above="long")
    outer = ground.outer
    shortest = outer[ground.length[outer] <= fine][:200]
    return Said(
        answer, median, "mm",
        f"the middle piece of the outer contour is {median:.2f} mm long, one in twenty is under {fine:.2f} mm",
        ground.lines_of(shortest),
    )  # fmt: skip


@finding("chord-error")
def chord_error(ground: Ground) -> Said | None:
    """Grade the height of the arc over the facets of curves.

    A joint with bend t between pieces of mean length c lies on a circle of radius c / t; the arc over the piece is
    c^2 / (8 r) = c t / 8 high (small angles; check values, sagitta).
    """
    outer = ground.outer
    at = np.arange(0, max(len(outer) - 1, 0), max(1, len(outer) // MOST_JOINTS))
    joints = outer[at[outer[at + 1] == outer[at] + 1]]
    joints = joints[joints > 0]
    bend, chord, long = _bends(ground, joints)
    next_bend, next_chord, _ = _bends(ground, np.minimum(joints + 1, len(ground.moves) - 2))
    size = np.abs(bend)
    # A lone bend between long pieces is an edge of the part, not a curve cut into facets: a curve bends on, alike.
    alike = (next_bend * bend > 0) & _within(np.abs(next_bend), size, 2.0) & _within(next_chord, chord, 2.0) & long
    curve = alike & (size > CURVE_BENDS[0]) & (size < CURVE_BENDS[1])
    bend = size
    if curve.sum() < FEW_JOINTS:
        return None
    height, weight = bend[curve] * chord[curve] / 8, chord[curve]
    order = np.argsort(height)
    along = np.cumsum(weight[order]) / weight.sum()
    middle, coarse = (float(height[order][int(np.searchsorted(along, q))]) for q in (0.5, 0.9))
    answer = "visible" if coarse > VISIBLE_MM else "needless" if middle < NEEDLESS_MM else "fine"
    shown = joints[curve][order][-200:] if answer == "visible" else joints[curve][order][:200]
    return Said(
        answer, coarse if answer == "visible" else middle, "mm",
        f"the facets of curves stray {middle:.4f} mm from the arc in the middle, {coarse:.4f} mm in the coarsest tenth",
        ground.lines_of(np.sort(shown)), 0.85,
    )  # fmt: skip


@finding("moves-demanded")
def moves_demanded(ground: Ground) -> Said | None:
    """Grade the most moves that begin in any half second at the speeds asked for."""
    (count, _, first, *_), seconds = ground.busiest(WINDOW_S, planned=False)
    if seconds < WINDOW_S:
        return None
    rate = float(count) / WINDOW_S
    answer = grade(rate, (BUSY_PER_S, "low"), (HIGH_PER_S, "busy"), above="high")
    start, stop = int(first), int(first + count)
    lines = ground.moves.line[[start, max(start, stop - 1)]]
    return Said(
        answer, rate, "moves/s",
        f"in its busiest half second the job asks for {rate:.0f} moves a second, around line {lines[0]}, "
        f"{ground.moves.z[start]:.2f} mm up",
        lines.tolist(),
    )  # fmt: skip


@finding("demand-varies")
def demand_varies(ground: Ground) -> Said | None:
    """Compare the moves a second of the outer contour, two seconds by two seconds."""
    outer = ground.outer
    spent = np.cumsum(ground.length[outer] / np.maximum(np.nan_to_num(ground.moves.feed[outer]), SLOWEST))
    if not len(spent) or spent[-1] < 5 * REGION_S:
        return None
    rate = np.bincount((spent / REGION_S).astype(np.int64))[:-1] / REGION_S
    calm, busy = np.maximum(np.quantile(rate, [0.05, 0.95]), 1 / REGION_S)
    yes = busy >= 3 * calm and busy >= 0.5 * BUSY_PER_S
    region = int(np.argmax(rate >= busy))
    line = int(ground.moves.line[outer[int(np.searchsorted(spent, region * REGION_S))]])
    return Said(
        "yes" if yes else "no", float(busy / calm), "times",
        f"the calmest parts of the outer contour ask for {calm:.3g} moves a second, the busiest for {busy:.3g}",
        [line] if yes else (), 0.9,
    )  # fmt: skip


@finding("job-wall-speed")
def wall_speed(ground: Ground) -> Said | None:
    """Grade the middle speed asked for on the outer contour, weighted by length."""
    outer = ground.outer
    if not len(outer):
        return None
    feed = ground.moves.feed[outer].astype(np.float64)
    middle = weighted_quantile(feed, ground.length[outer], 0.5)
    answer = grade(middle, (SLOW_MM_S, "slow"), (FAST_MM_S + 1e-6, "middling"), above="fast")
    return Said(
        answer, middle, "mm/s", f"half of the outer contour is asked for at {middle:.0f} mm/s or less",
        ground.lines_of(outer[feed == middle][:200], 3), 0.85,
    )  # fmt: skip


@finding("job-seam-placement")
def seams(ground: Ground) -> Said | None:
    """Say where the outer loops start."""
    shape = ground.file.shape
    answers = {"aligned": "aligned", "corners": "at-corners", "scattered": "scattered", "none": "no-seam"}
    if not len(ground.outer):
        return None
    count = len(shape.seams.move)
    turns = shape.spiral.share >= SPIRAL_SHARE
    tells = {
        "aligned": f"the {count} outer loops start near one line up the part",
        "corners": f"the {count} outer loops start in corners",
        "scattered": f"the starts of the {count} outer loops are scattered round the part",
        "none": "the wall climbs as one spiral, so no loop starts or ends" if turns else "no outer loop is closed",
    }
    few = shape.seam_style != "none" and count < 5
    # Gathered more than chance would, and yet on no line: neither word fits well.
    gathered = shape.seam_style == "scattered" and shape.seam_pattern.p_uniform < GATHERED
    tells["scattered"] += ", though more on one side than chance would have them" if gathered else ""
    return Said(
        answers[shape.seam_style], count, "seams", tells[shape.seam_style],
        ground.lines_of(shape.seams.move[:200]), 0.6 if few else 0.7 if gathered else 0.9,
    )  # fmt: skip


def _bends(ground: Ground, joints: Ints) -> tuple[Floats, Floats, Bools]:
    """Return, at the joint between each move and the next, in the plane: bend (rad, left positive), mean length of both
    pieces (mm), and whether they are about equally long."""
    x, y = ground.moves.x, ground.moves.y
    ax, ay = x[joints] - x[joints - 1], y[joints] - y[joints - 1]
    bx, by = x[joints + 1] - x[joints], y[joints + 1] - y[joints]
    bend = np.arctan2(ax * by - ay * bx, ax * bx + ay * by)
    before, after = np.hypot(ax, ay), np.hypot(bx, by)
    return bend, (before + after) / 2, _within(before, after, 2.0)


def _within(values: Floats, others: Floats, factor: float) -> Bools:
    """Return where two positive quantities differ by no more than a factor."""
    inside: Bools = (values <= factor * others) & (others <= factor * values)
    return inside
