"""Layers and spiral stretches of a job, from heights at which something was drawn."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from diagnose.toolpath._kernels import layers as kernels
from diagnose.toolpath._kernels import stacking
from diagnose.toolpath.columns import Bools, Bytes, Floats, Int32s, Ints, Moves

LARGEST_PITCH_MM = 3.0
"""mm a turn; nothing that melts filament lays thicker layers (common practice, no source)."""
SAME_LEVEL_MM = 0.02
"""Heights within this are one layer: less than the thinnest layer anybody prints, 0.04 mm (no source)."""
BODY_SHARE = 0.7
"""The last part of the extruded path, which certainly belongs to the part, sets where the part stands."""
BESIDE_MM = 1.0
LEAST_PATH_MM = 1.0
"""A height with less path than this is a blob of a lift, not a layer."""
THICKEST_FIRST_MM = 2.0
FLAT_SHARE = 0.5
FALLING_SHARE = 0.01
DEEP_MM = 0.5
"""A fall while drawing that no ramp at a seam makes: a ramp spans one layer."""
CELL_MM = 0.22
MOST_CELLS, MOST_SIDE = 4e6, 8192
"""Bounds of the grid in which layers that are not flat are stacked."""
BED_FACTOR, BED_MM = 1.5, 0.5
"""Drawing no higher than so many first layers, or so many mm, is back at the bed."""
MOST_OBJECTS = 4096


@dataclass(slots=True)
class Spiral:
    """The stretches that climb without starting a new loop."""

    share: float
    """Of the extruded path, lines beside the part left out."""
    from_mm: float
    to_mm: float
    """Heights between which they lie, mm; NaN without any."""
    mask: Bools
    """(n,) moves that belong to them."""
    turns: int
    first: Ints
    last: Ints
    """(stretches,) first and last move of each, in the order of drawing."""
    bottom: Floats
    top: Floats
    """(stretches,) mm, between which heights each climbs."""


@dataclass(slots=True)
class Layers:
    """Which layer each move belongs to; one turn of a spiral is a layer."""

    length: Floats
    """(n,) mm."""
    kind: Bytes
    """(n,) TRAVELS, DRAWS, PULLS or PUSHES."""
    prime: Bools
    """(n,) lines drawn beside the part before it begins."""
    layer: Int32s
    """(n,) from 0; -1 before the first."""
    z: Floats
    """(layers,) mm, the height the nozzle draws at, at the end of a turn."""
    height: Floats
    """(layers,) mm, thickness."""
    path: Floats
    """(layers,) mm extruded."""
    spiral: Spiral
    flat: bool
    """False where height varies within layers by more than a ramp at a seam; `z` is then the top of each layer."""
    object_first: Ints
    """(objects,) first move of each object where the job draws one after the other; one object otherwise."""
    pitch: float
    """mm from layer to layer, the middle one of the object where it is greatest."""


def find_layers(moves: Moves) -> Layers:
    """Sort the moves of a job into layers; linear in their number."""
    n = len(moves)
    length, kind = np.empty(n), np.empty(n, np.uint8)
    kernels.measure(moves.start, moves.x, moves.y, moves.z, moves.e, length, kind)
    start = np.nan_to_num(moves.start)
    prime = np.empty(n, np.bool_)
    kernels.beside(start, moves.x, moves.y, length, kind, BODY_SHARE, BESIDE_MM, prime)
    turn = np.empty(n, np.int32)
    turn_z, first, last = np.empty(n + 1), np.empty(n + 1, np.int64), np.empty(n + 1, np.int64)
    stretches, turns, spiral_path = kernels.spiral(
        start, moves.x, moves.y, moves.z, length, kind, prime, LARGEST_PITCH_MM, turn, turn_z, first, last
    )
    first, last = first[:stretches].copy(), last[:stretches].copy()
    mask = turn >= 0
    flat = not _curved(moves, start, length, kind, turn, prime)
    layer = turn  # written over, move by move
    if flat:
        level_z = _levels(moves, start, length, kind, turn, prime)
        z, level_layer, turn_layer = _ordered(level_z, turn_z[:turns].copy())
        layer_path = np.zeros(len(z))
        kernels.assign(moves.z, length, kind, turn, prime, level_z, level_layer, turn_layer, layer, layer_path)
    else:
        z, layer_path = _stacked(moves, start, length, kind, prime, layer)
    object_first = _objects(moves, start, kind, prime, z)
    total = float(layer_path.sum())
    # A spiral never falls, so a stretch is lowest where it begins.
    bottom = np.where(first > 0, moves.z[first - 1], start[2]) if turns else np.empty(0)
    top = moves.z[last]
    return Layers(
        length=length, kind=kind, prime=prime, layer=layer, z=z, height=_heights(z), path=layer_path, flat=flat,
        object_first=object_first, pitch=_pitch(layer, z, object_first),
        spiral=Spiral(
            share=spiral_path / total if total else 0.0, from_mm=float(bottom.min()) if turns else float("nan"),
            to_mm=float(top.max()) if turns else float("nan"), mask=mask, turns=turns,
            first=first, last=last, bottom=bottom, top=top,
        ),
    )  # fmt: skip


def _curved(moves: Moves, start: Floats, length: Floats, kind: Bytes, turn: Int32s, prime: Bools) -> bool:
    """Return whether layers are not flat: most of the path rises or falls, or falls deeper than any seam's ramp."""
    total, flat, falling = stacking.slopes(start, moves.z, length, kind, turn, prime, DEEP_MM)
    return flat < FLAT_SHARE * total or falling > FALLING_SHARE * total


def _stacked(
    moves: Moves, start: Floats, length: Floats, kind: Bytes, prime: Bools, layer: Int32s
) -> tuple[Floats, Floats]:
    """Fill in layers by what lies upon what; return their tops, ascending, and paths, in mm."""
    drawn = (kind == kernels.DRAWS) & ~prime
    low, high = np.empty(2), np.empty(2)
    for k, (axis, begin) in enumerate(((moves.x, start[0]), (moves.y, start[1]))):
        before = np.concatenate([[begin], axis[:-1]])[drawn]
        low[k], high[k] = min(before.min(), axis[drawn].min()), max(before.max(), axis[drawn].max())
    wide, deep = (high - low).tolist()
    cell = max(CELL_MM, float(np.sqrt(wide * deep / MOST_CELLS)), max(wide, deep) / MOST_SIDE)
    count = stacking.stack(
        start, moves.x, moves.y, moves.z, length, kind, prime, cell, low[0], low[1], int(wide / cell) + 2,
        int(deep / cell) + 2, layer,
    )  # fmt: skip
    top, path = np.empty(count), np.empty(count)
    stacking.tops(moves.z, length, kind, prime, layer, top, path)
    # A layer no higher than one below it is part of that: objects side by side may differ by a layer.
    above = np.maximum.accumulate(np.concatenate([[-np.inf], top[:-1]]))
    new = top > above + kernels.LEVEL_MM
    joined = (np.cumsum(new) - 1).astype(np.int32)
    layer[layer >= 0] = joined[layer[layer >= 0]]
    joined_path: Floats = np.bincount(joined, path, minlength=int(new.sum())).astype(np.float64)
    return top[new], joined_path


def _objects(moves: Moves, start: Floats, kind: Bytes, prime: Bools, z: Floats) -> Ints:
    """Return the first move of each object drawn one after the other."""
    if not len(z):
        return np.empty(0, np.int64)
    first = np.empty(MOST_OBJECTS, np.int64)
    climb = max(THICKEST_FIRST_MM / 2, float(z[0]))
    count = stacking.objects(start, moves.z, kind, prime, max(BED_MM, BED_FACTOR * float(z[0])), climb, first)
    return first[:count].copy()


def _pitch(layer: Int32s, z: Floats, object_first: Ints) -> float:
    """Return the middle distance of neighbouring layers, mm, of the object where it is greatest."""
    if len(object_first) <= 1:
        return float(np.median(np.diff(z))) if len(z) > 1 else float(z[0]) if len(z) else 0.0
    pitch = 0.0
    for first, last in zip(object_first, np.append(object_first[1:], len(layer)), strict=True):
        own = z[np.flatnonzero(np.bincount(layer[first:last], minlength=len(z)))]
        pitch = max(pitch, float(np.median(np.diff(own))) if len(own) > 1 else 0.0)
    return pitch


def _levels(moves: Moves, start: Floats, length: Floats, kind: Bytes, turn: Int32s, prime: Bools) -> Floats:
    """Return the heights, ascending, at which flat layers were drawn."""
    at, path = np.empty(len(kind) + 1), np.empty(len(kind) + 1)
    count = kernels.heights(start, moves.z, length, kind, turn, prime, at, path)
    if not count:
        return np.empty(0)
    order = np.argsort(at[:count], kind="stable")
    at, path = at[:count][order], path[:count][order]
    levels, paths = np.empty(count), np.empty(count)
    count = kernels.merge(at, path, SAME_LEVEL_MM, levels, paths)
    levels, paths = levels[:count].copy(), paths[:count]
    return levels[paths >= min(LEAST_PATH_MM, 0.1 * float(np.median(paths)))]


def _ordered(level_z: Floats, turn_z: Floats) -> tuple[Floats, Int32s, Int32s]:
    """Join flat levels and turns, bottom up; return heights, and the layer of each level and turn."""
    both = np.concatenate([level_z, turn_z])
    order = np.argsort(both, kind="stable")
    z = both[order]
    # A level and a turn that end together are one layer; so are turns of spirals that stand side by side.
    flat = order < len(level_z)
    apart = np.diff(z, prepend=-np.inf)
    same = (apart <= SAME_LEVEL_MM) & (flat != np.concatenate([[True], flat[:-1]]))
    same |= apart <= kernels.LEVEL_MM
    rank = np.cumsum(~same) - 1
    layer_of = np.empty(len(both), np.int32)
    layer_of[order] = rank
    return z[~same], layer_of[: len(level_z)], layer_of[len(level_z) :]


def _heights(z: Floats) -> Floats:
    """Return the thickness of layers from their heights; the first stands on the bed at 0 if that is plausible."""
    height = np.diff(z, prepend=0.0)
    if len(z) > 1 and not 0 < height[0] <= THICKEST_FIRST_MM:
        height[0] = np.median(height[1:])
    return height
