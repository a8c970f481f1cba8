"""What is drawn only to help the part stand or the nozzle flow: brims and skirts, supports, the tower of tool changes.

All are told from the motion, and only where it is plain; the rest stays what it looks like.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from diagnose.toolpath.columns import Bools, Floats, Int32s, Ints, Moves

if TYPE_CHECKING:
    from diagnose.toolpath.loops import Loops

SAME_WIDTHS = 0.75
"""Line widths by which the sides of two outlines may differ and still be the same outline, a layer apart."""
BRIM_WIDTHS = 1.5
"""A single loop nearer to the part than this may be a wall of it that leans in."""
SKIRT_LAYERS = 5
"""Layers above which nobody draws a skirt (common practice, no source)."""
MOST_PAIRS = 1_000_000
"""Comparisons beyond this are not made; what they would have told stays unsaid."""
SAME_TOWER_MM = 1.0
LEAST_CHANGES, MOST_CHANGES = 2, 1000
MOSTLY = 0.75
"""Share of the tool changes that must begin in the tower, and of their layers that must hold something else too."""


def brims(loops: Loops, line_width: float) -> Bools:
    """Return (loops,) which belong to a brim or a skirt.

    A brim lies in the first layer round outlines that go on in the second, and does not itself. A skirt is a ring with
    nothing between it and what it holds, from the first layer on, and gone a few layers higher.
    """
    brim = np.zeros(len(loops), np.bool_)
    first, second = np.flatnonzero(loops.layer == 0), np.flatnonzero(loops.layer == 1)
    goes_on = np.zeros(len(loops), np.bool_)
    goes_on[first] = _alike(loops, first, second, line_width)
    if not len(first) or not goes_on.any():
        return _skirts(loops, line_width, brim)
    around = _outside_in(loops, first, ~goes_on)
    for k in first[goes_on[first]]:
        above = loops.parent[k]
        if above < 0 or not around[above]:
            continue
        gap = float(np.abs(loops.box[above] - loops.box[k]).mean())
        # One loop next to the part may be a wall of it that leans in; a brim has more, a skirt keeps its distance.
        if gap < BRIM_WIDTHS * line_width and loops.parent[above] < 0:
            continue
        while above >= 0 and not brim[above]:
            brim[above] = True
            above = loops.parent[above]
    return _skirts(loops, line_width, brim)


def rings_round(loops: Loops, box: Floats, line_width: float) -> Bools:
    """Return (loops,) which lie, empty and apart, in the first layers round the first turn of a spiral with that box."""
    apart = np.minimum(box[:2] - loops.box[:, :2], loops.box[:, 2:] - box[2:]).min(axis=1)
    rings: Bools = (loops.layer < SKIRT_LAYERS) & ~loops.filled & (apart >= BRIM_WIDTHS * line_width)
    return rings


def _skirts(loops: Loops, line_width: float, brim: Bools) -> Bools:
    """Add skirts to what is known of brims."""
    last = int(loops.layer.max(initial=0))
    higher = np.flatnonzero(loops.layer == min(SKIRT_LAYERS, last))
    below = np.flatnonzero(loops.layer == 0)
    for number in range(min(SKIRT_LAYERS, last)):
        here = np.flatnonzero(loops.layer == number)
        ends = np.ones(len(loops), np.bool_)
        ends[here] = ~_alike(loops, here, higher, line_width)
        if number:
            ends[here] &= _alike(loops, here, below, line_width)
        around = _outside_in(loops, here, ends)
        held = here[loops.parent[here] >= 0]
        rings = here[around[here] & ~loops.filled[here]]
        for k in rings[np.argsort(-loops.depth[rings], kind="stable")]:
            children = held[loops.parent[held] == k]
            gaps = np.abs(loops.box[children] - loops.box[k]).min(axis=1)
            brim[k] |= len(children) > 0 and bool((brim[children] | (gaps >= BRIM_WIDTHS * line_width)).all())
        below = here[brim[here]]
        if not len(below):
            break
    return brim


def _alike(loops: Loops, some: Ints, others: Ints, line_width: float) -> Bools:
    """Return (some,) which loops have the place and size of one of the others; all where that is too much work."""
    if len(some) * len(others) > MOST_PAIRS:
        return np.ones(len(some), np.bool_)
    apart = np.abs(loops.box[some][:, None] - loops.box[others][None]).max(axis=2)
    alike: Bools = (apart <= SAME_WIDTHS * line_width).any(axis=1)
    return alike


def _outside_in(loops: Loops, here: Ints, chosen: Bools) -> Bools:
    """Return (loops,) which loops of a layer are chosen with all that hold them."""
    around = np.zeros(len(loops), np.bool_)
    for k in here[np.argsort(loops.depth[here], kind="stable")]:
        parent = loops.parent[k]
        around[k] = chosen[k] and (parent < 0 or around[parent])
    return around


def supports(loops: Loops, x: Floats, y: Floats, layer: Int32s) -> Bools:
    """Return (runs,) which lines outside every loop of their layer lie below loops of higher ones.

    Parameters
    ----------
    x, y, layer
        (runs,) the middle of each run of widely spaced lines that no loop holds, mm, and its layer.
    """
    held = np.zeros(len(x), np.bool_)
    outside = np.flatnonzero(loops.outer & ~loops.hole)
    if not len(x) or not len(outside) or len(x) * len(outside) > MOST_PAIRS:
        return held
    box, above = loops.box[outside], loops.layer[outside]
    beside = np.isin(layer, above)
    for k in np.flatnonzero(beside):
        within = (box[:, 0] <= x[k]) & (x[k] <= box[:, 2]) & (box[:, 1] <= y[k]) & (y[k] <= box[:, 3])
        held[k] = bool((within & (above > layer[k])).any())
    return held


def tower(moves: Moves, loops: Loops, layer: Int32s, drawn: Ints, in_loop: Bools) -> Floats | None:
    """Return the box of the tower in which tools are wiped after a change: low x, low y, high x, high y; None without.

    After nearly every change of tool the head first draws open lines within one outline that stays the same from change
    to change, while other outlines stand beside it.

    Parameters
    ----------
    drawn
        Moves that draw, in order.
    in_loop
        (n,) moves of closed loops.
    """
    changes = drawn[1:][np.diff(moves.tool[drawn]) != 0]
    changes = changes[layer[changes] >= 0]
    changes = changes[:: 1 + len(changes) // MOST_CHANGES]
    if len(changes) < LEAST_CHANGES:
        return None
    bounds = loops.bounds(int(layer.max(initial=0)) + 1)
    boxes, alone = [], 0
    for k in changes[~in_loop[changes]]:
        here = np.arange(bounds[layer[k]], bounds[layer[k] + 1])
        here = here[loops.depth[here] == 0]
        box = loops.box[here]
        within = (box[:, 0] <= moves.x[k]) & (moves.x[k] <= box[:, 2]) & (box[:, 1] <= moves.y[k]) & (moves.y[k] <= box[:, 3])
        if within.sum() == 1:
            boxes.append(box[within][0])
            alone += len(here) == 1
    if len(boxes) < max(LEAST_CHANGES, MOSTLY * len(changes)) or alone > (1 - MOSTLY) * len(boxes):
        return None
    middle: Floats = np.median(np.array(boxes), axis=0)
    same = np.abs(np.array(boxes) - middle).max(axis=1) <= SAME_TOWER_MM
    return middle if same.mean() >= MOSTLY else None
