"""Closed loops of a job, how they nest, and the role that gives every move."""

from __future__ import annotations

from dataclasses import dataclass, fields

import numpy as np
from numpy.typing import NDArray

from diagnose.toolpath import aids
from diagnose.toolpath._kernels import layers as kinds
from diagnose.toolpath._kernels import loops as kernels
from diagnose.toolpath.columns import Bools, Floats, Int32s, Ints, Moves, Role
from diagnose.toolpath.layers import Layers

# Multiples of the line width; common practice, no source.
USUAL_NOZZLE_MM = 0.4
WIDTH_OF_NOZZLE = 1.1
GAP_WIDTHS = 0.6
"""Lines of a fill lie a whole width apart: a smaller gap between two ends closes a loop."""
NEIGHBOUR_WIDTHS = 2.5
HOLLOW_WIDTHS = 1.5
SOLID_WIDTHS = 1.6
LINE_WIDTHS = 3.0
FARTHEST_WIDTHS = 40.0
TAIL_WIDTHS = 12.0
EMPTY_SHARE = 0.5
"""Of a loop's area, that loops inside it may fill while it still bounds a hole."""
EFFORT = 50.0
PARALLEL_SHARE = 0.6
MOST_STRETCHES = 100
RAMP_LAYERS = 1.1
"""Layers a loop may climb while it begins."""
FLAT_MM, CURVED_MM = 1e-6, 50.0
"""How far the height of a loop may stray, in flat layers and in others."""


@dataclass(slots=True)
class Loops:
    """Closed loops drawn at one height outside spirals, sorted by layer; (loops,) entries."""

    first: Ints
    """First move of each."""
    last: Ints
    layer: Int32s
    area: Floats
    """mm2, positive when it runs anticlockwise."""
    path: Floats
    """mm."""
    cx: Floats
    cy: Floats
    """Centre of the line, mm."""
    box: Floats
    """(loops, 4) low x, low y, high x, high y, mm."""
    depth: Int32s
    """How many loops of its layer hold it."""
    parent: Ints
    """The smallest loop that holds it, -1 for none."""
    outer: Bools
    """Bounds the part outside, or a hole."""
    hole: Bools
    """Bounds a hole or a hollow."""
    filled: Bools
    """Holds open lines, with no smaller loop round them."""

    def __len__(self) -> int:
        return len(self.first)

    def only(self, chosen: Bools) -> Loops:
        """Return some of the loops, yet to be nested anew."""
        return Loops(**{field.name: getattr(self, field.name)[chosen] for field in fields(self)})

    def moves(self, chosen: Bools, n: int) -> Bools:
        """Return (n,) which moves of a job draw one of these loops."""
        change = np.zeros(n + 1, np.int32)
        np.add.at(change, self.first[chosen], 1)
        np.add.at(change, self.last[chosen] + 1, -1)
        inside: Bools = np.cumsum(change[:n]) > 0
        return inside

    def bounds(self, layers: int) -> Ints:
        """Return (layers + 1,) where the loops of each layer begin."""
        return np.searchsorted(self.layer, np.arange(layers + 1)).astype(np.int64)


def find_loops(moves: Moves, layers: Layers, line_width: float) -> tuple[Loops, NDArray[np.uint8]]:
    """Return the closed loops of a job and the (n,) role of every move, told from the motion alone.

    Outer contour: a loop that no other holds, or one that holds nothing (a hole). Inner: other loops. Solid and sparse
    fill: open runs by the distance of their parallel lines. Support: brims and skirts, and sparse lines outside all
    loops with loops above them. Prime: also the tower of tool changes. Brims and towers are left out of the loops.
    What cannot be told: supports drawn as loops look like the part; a wall round an empty inside bounds that inside.
    """
    start = np.nan_to_num(moves.start)
    skip = layers.spiral.mask | layers.prime
    room = int(np.count_nonzero(layers.kind == kinds.DRAWS)) + 1
    loop_first, loop_last, open_first, open_last = (np.empty(room, np.int64) for _ in range(4))
    loop_area = np.empty(room)
    loops, opens = kernels.trace(
        start, moves.x, moves.y, moves.z, layers.length, layers.kind, skip, GAP_WIDTHS * line_width,
        FLAT_MM if layers.flat else CURVED_MM, RAMP_LAYERS * layers.pitch, loop_first, loop_last, loop_area,
        open_first, open_last,
    )  # fmt: skip
    first, last, area = loop_first[:loops].copy(), loop_last[:loops].copy(), loop_area[:loops].copy()
    runs_first, runs_last = open_first[:opens].copy(), open_last[:opens].copy()
    del loop_first, loop_last, loop_area, open_first, open_last
    tail_of = _tails(layers, first, last, runs_first, runs_last, TAIL_WIDTHS * line_width)
    own = np.flatnonzero(tail_of < 0)

    # A ramp begins a layer lower.
    order = np.argsort(layers.layer[last], kind="stable")
    every = _described(moves, layers, first[order], last[order], area[order])
    held = _nest(moves, layers, every, runs_first[own], line_width)
    brim, wiped, wipes = _aids(moves, layers, every, first, last, line_width)
    found = every
    if (brim | wiped).any():
        found = every.only(~(brim | wiped))
        held = _nest(moves, layers, found, runs_first[own], line_width)

    role = _roles_of_runs(moves, layers, runs_first, runs_last, own[~held], found, line_width, start)
    value = np.where(brim, np.uint8(Role.SUPPORT), np.uint8(Role.PRIME)).astype(np.uint8)
    value[~(brim | wiped)] = np.where(found.outer, np.uint8(Role.OUTER), np.uint8(Role.INNER))
    kernels.paint(every.first, every.last, value, role)
    tails = tail_of >= 0
    by_time = np.empty(loops, np.uint8)
    by_time[order] = value
    kernels.paint(runs_first[tails], runs_last[tails], by_time[tail_of[tails]], role)
    role[wipes] = Role.PRIME
    return found, role


def _aids(
    moves: Moves, layers: Layers, loops: Loops, first: Ints, last: Ints, line_width: float
) -> tuple[Bools, Bools, Ints]:
    """Return (loops,) which are of a brim or skirt, which of a tower of tool changes, and the moves of that tower."""
    brim = aids.brims(loops, line_width)
    for begin, end in zip(layers.spiral.first[:MOST_STRETCHES], layers.spiral.last, strict=False):
        turn = slice(begin, begin + int(np.searchsorted(layers.layer[begin : end + 1], layers.layer[begin], "right")))
        x, y = moves.x[turn], moves.y[turn]
        brim |= aids.rings_round(loops, np.array([x.min(), y.min(), x.max(), y.max()]), line_width)
    wiped, wipes = np.zeros(len(loops), np.bool_), np.empty(0, np.int64)
    if len(moves.tool) and moves.tool.min() != moves.tool.max():
        drawn = np.flatnonzero((layers.kind == kinds.DRAWS) & ~layers.prime)
        in_loop = np.zeros(len(moves), np.uint8)
        kernels.paint(first, last, np.ones(len(first), np.uint8), in_loop)
        box = aids.tower(moves, loops, layers.layer, drawn, in_loop > 0)
        if box is not None:
            low, high = box[:2] - line_width / 2, box[2:] + line_width / 2
            wiped[(loops.box[:, :2] >= low).all(axis=1) & (loops.box[:, 2:] <= high).all(axis=1)] = True
            x, y = moves.x[drawn], moves.y[drawn]
            wipes = drawn[(x >= low[0]) & (x <= high[0]) & (y >= low[1]) & (y <= high[1])]
    return brim & ~wiped, wiped, wipes


def _tails(layers: Layers, first: Ints, last: Ints, runs_first: Ints, runs_last: Ints, longest: float) -> Ints:
    """Return the loop that each open run merely draws out past its own beginning, -1 for other runs."""
    tail = np.full(len(runs_first), -1, np.int64)
    if not len(first):
        return tail
    before = np.searchsorted(last, runs_first) - 1
    follows = np.flatnonzero((before >= 0) & (last[np.maximum(before, 0)] == runs_first - 1))
    if len(follows):
        ends = np.column_stack((runs_first[follows], runs_last[follows] + 1)).ravel()
        path = np.add.reduceat(layers.length, ends[: -1 if ends[-1] == len(layers.length) else None])[::2]
        follows = follows[path < longest]
        tail[follows] = before[follows]
    return tail


def _described(moves: Moves, layers: Layers, first: Ints, last: Ints, area: Floats) -> Loops:
    count = len(first)
    path, cx, cy, box = np.empty(count), np.empty(count), np.empty(count), np.empty((count, 4))
    kernels.describe(moves.x, moves.y, layers.length, first, last, path, cx, cy, box)
    return Loops(
        first=first, last=last, layer=layers.layer[last], area=area, path=path, cx=cx, cy=cy, box=box,
        depth=np.zeros(count, np.int32), parent=np.full(count, -1, np.int64), outer=np.zeros(count, np.bool_),
        hole=np.zeros(count, np.bool_), filled=np.zeros(count, np.bool_),
    )  # fmt: skip


def _nest(moves: Moves, layers: Layers, loops: Loops, runs: Ints, line_width: float) -> Bools:
    """Fill in depth, parent and which loops bound the part; return which runs (by their first moves) a loop holds."""
    count = len(layers.z)
    order = np.argsort(layers.layer[runs], kind="stable")
    ranked = runs[order]
    runs_bounds = np.searchsorted(layers.layer[ranked], np.arange(count + 1)).astype(np.int64)
    held = np.zeros(len(runs), np.bool_)
    filled = loops.filled
    filled[:] = False
    kernels.nest(
        moves.x, moves.y, loops.first, loops.last, loops.area, loops.box, loops.bounds(count), ranked, runs_bounds,
        EFFORT, loops.depth, loops.parent, filled, held,
    )  # fmt: skip
    size = np.abs(loops.area)
    child = np.flatnonzero(loops.parent >= 0)
    mother = loops.parent[child]
    near = (np.abs(loops.box[child] - loops.box[mother]) <= NEIGHBOUR_WIDTHS * line_width).all(axis=1)
    walled = np.zeros(len(loops), np.bool_)
    walled[mother[near]] = True
    taken = np.bincount(mother, size[child], minlength=len(loops))
    hollow = 2 * size > HOLLOW_WIDTHS * line_width * loops.path
    hole = (loops.depth > 0) & ~filled & ~walled & hollow & (taken <= EMPTY_SHARE * size)
    loops.outer[:] = hole | (loops.depth == 0)
    # What stands free inside a hole is bounded by its own outside.
    free = child[~near & hole[mother]]
    loops.outer[free] = True
    loops.hole[:] = hole
    loops.hole[free] = False
    by_time = np.empty(len(runs), np.bool_)
    by_time[order] = held
    return by_time


def _roles_of_runs(
    moves: Moves, layers: Layers, first: Ints, last: Ints, outside: Ints, loops: Loops, line_width: float,
    start: Floats,
) -> NDArray[np.uint8]:  # fmt: skip
    """Return the role of every move, loops not yet painted; `outside` are the runs that no loop holds."""
    by_kind = np.array([Role.TRAVEL, Role.UNKNOWN, Role.RETRACT, Role.RESTART], np.uint8)
    role = by_kind[layers.kind]
    apart, parallel = np.empty(len(first)), np.empty(len(first))
    kernels.spacing(
        start, moves.x, moves.y, layers.layer, first, last, LINE_WIDTHS * line_width, FARTHEST_WIDTHS * line_width,
        apart, parallel,
    )  # fmt: skip
    value = np.full(len(first), Role.UNKNOWN, np.uint8)
    value[apart <= SOLID_WIDTHS * line_width] = Role.SOLID
    value[apart > SOLID_WIDTHS * line_width] = Role.SPARSE
    # The first line of a fill has none before it to be held against: it is what the next one is.
    lone = np.flatnonzero(np.isnan(apart[:-1]) & (layers.layer[first[:-1]] == layers.layer[first[1:]]))
    lone = lone[_straight(moves, start, first[lone], last[lone + 1]) & (last[lone] == first[lone])]
    value[lone], parallel[lone] = value[lone + 1], 1.0
    # A wall that was not recognised as a loop has parallel pieces too, but not for the most part.
    outside = outside[(value[outside] == Role.SPARSE) & (parallel[outside] >= PARALLEL_SHARE)]
    x, y = (
        (_before(axis, first[outside], begin) + axis[last[outside]]) / 2
        for axis, begin in ((moves.x, start[0]), (moves.y, start[1]))
    )
    below = aids.supports(loops, x, y, layers.layer[first[outside]])
    value[outside[below]] = Role.SUPPORT
    kernels.paint(first, last, value, role)
    role[layers.spiral.mask] = Role.OUTER
    role[layers.prime] = Role.PRIME
    return role


def _straight(moves: Moves, start: Floats, ones: Ints, others: Ints) -> Bools:
    """Return which moves are parallel to others, within 6 degrees."""
    one, other = (
        np.arctan2(moves.y[which] - _before(moves.y, which, start[1]), moves.x[which] - _before(moves.x, which, start[0]))
        for which in (ones, others)
    )
    parallel: Bools = np.abs(np.sin(one - other)) < 0.1
    return parallel


def _before(axis: Floats, which: Ints, begin: float) -> Floats:
    """Return where moves begin on an axis, mm."""
    return np.where(which > 0, axis[which - 1], begin)


def line_width_for(nozzle_diameter: float | None) -> float:
    """Return the line width in mm to expect of a nozzle: a tenth wider (common practice, no source)."""
    return WIDTH_OF_NOZZLE * (nozzle_diameter or USUAL_NOZZLE_MM)
