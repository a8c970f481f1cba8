"""Layers and spiral stretches of a job, from heights at which something was drawn."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from diagnose.toolpath._kernels import layers as kernels
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
    turn_z = turn_z[:turns].copy()
    level_z = _levels(moves, length, kind, turn, prime)
    z, level_layer, turn_layer = _ordered(level_z, turn_z)
    layer, layer_path = np.empty(n, np.int32), np.zeros(len(z))
    kernels.assign(moves.z, length, kind, turn, prime, level_z, level_layer, turn_layer, layer, layer_path)
    mask = turn >= 0
    total = float(layer_path.sum())
    # A spiral never falls, so a stretch is lowest where it begins.
    bottom = np.where(first > 0, moves.z[first - 1], start[2]) if turns else np.empty(0)
    top = moves.z[last]
    return Layers(
        length=length, kind=kind, prime=prime, layer=layer, z=z, height=_heights(z), path=layer_path,
        spiral=Spiral(
            share=spiral_path / total if total else 0.0, from_mm=float(bottom.min()) if turns else float("nan"),
            to_mm=float(top.max()) if turns else float("nan"), mask=mask, turns=turns,
            first=first, last=last, bottom=bottom, top=top,
        ),
    )  # fmt: skip


def _levels(moves: Moves, length: Floats, kind: Bytes, turn: Int32s, prime: Bools) -> Floats:
    """Return the heights, ascending, at which flat layers were drawn."""
    at, path = np.empty(len(kind) + 1), np.empty(len(kind) + 1)
    count = kernels.heights(moves.z, length, kind, turn, prime, at, path)
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
