"""Which outer walls hang over nothing, and which straight extrusions bridge a gap."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from diagnose.toolpath._kernels import overhang as kernels
from diagnose.toolpath.columns import Bytes, Floats, Ints, Moves, Role
from diagnose.toolpath.layers import Layers

HANGING_WIDTHS = 0.5
"""Line widths: what lies farther than this from every line below has the edge of those lines beside it, not under it."""
CELL_WIDTHS = 0.5
MOST_CELLS = 4e6
MOST_SIDE = 8192
GAP_LAYERS = 1.6
"""Layers that a line below may lie lower and still hold: a support that is left a little apart holds, a storey does not."""
GAP_CURVED = 3.0
"""The same where layers are not flat and differ in thickness from place to place."""
BRIDGE_MM = 5.0
"""Shorter gaps are those between the lines of a sparse fill (common practice, no source)."""
HOLDS = (Role.OUTER, Role.INNER, Role.SOLID, Role.SPARSE, Role.SUPPORT, Role.PRIME, Role.UNKNOWN)
SPANS = (Role.OUTER, Role.INNER, Role.SOLID, Role.UNKNOWN)


@dataclass(slots=True)
class Overhang:
    """What the outer wall stands on, and the bridges. (layers,) entries a layer, (bridges,) a bridge."""

    path: Floats
    """(layers,) mm of outer contour looked at."""
    hanging: Floats
    """(layers,) mm of it with no line of a lower layer within half a line width, seen from above."""
    first: Ints
    """(layers,) first move that hangs, -1 for none."""
    bridge: Ints
    """(bridges,) the move in which each bridge ends."""
    bridge_length: Floats
    """(bridges,) mm that hang between two held ends."""
    cell: float
    """mm; the grid in which lines below are looked up. Places are told apart no finer than a cell along a line."""

    @property
    def share(self) -> float:
        """Share of the outer contour that hangs; 0 without any."""
        total = float(self.path.sum())
        return float(self.hanging.sum()) / total if total else 0.0

    @property
    def share_by_layer(self) -> Floats:
        """(layers,) share of each layer's outer contour that hangs, 0 for a layer without."""
        share: Floats = self.hanging / np.where(self.path > 0, self.path, 1.0)
        return share


def find_overhang(
    moves: Moves, layers: Layers, role: Bytes, line_width: float
) -> Overhang:  # fmt: skip
    """Look below every piece of the outer contour and every long straight extrusion; linear in the drawn path.

    Parameters
    ----------
    role
        (n,) of each move.
    line_width
        mm.

    Notes
    -----
    Lines below are kept in a grid seen from above, whose cells remember the last move of each of two layers. A sample
    every half line width looks into its own and the eight cells around it and measures the distance to the moves found
    there. Approximations: of several moves of a layer in one cell the last stands for all; parts wider than some metres
    get coarser cells.
    """
    length, layer, height = layers.length, layers.layer, layers.height
    count = len(height)
    path, hanging, first = np.zeros(count), np.zeros(count), np.full(count, -1, np.int64)
    start = np.nan_to_num(moves.start)
    of_short, of_long = np.zeros(256, np.uint8), np.zeros(256, np.uint8)
    of_short[list(HOLDS)] = of_long[list(HOLDS)] = kernels.DRAWN
    of_long[list(SPANS)] |= kernels.ASKED
    of_short[Role.OUTER] |= kernels.ASKED | kernels.WALL
    of_long[Role.OUTER] |= kernels.ASKED | kernels.WALL
    part, box = np.empty(len(moves), np.uint8), np.empty(4)
    kernels.sort_out(start, moves.x, moves.y, length, layer, role, of_short, of_long, BRIDGE_MM, part, box)
    left, low, right, high = box.tolist()
    if not left <= right or not count:
        return Overhang(path, hanging, first, np.empty(0, np.int64), np.empty(0), CELL_WIDTHS * line_width)
    wide, deep = right - left, high - low
    cell = max(CELL_WIDTHS * line_width, float(np.sqrt(wide * deep / MOST_CELLS)), max(wide, deep) / MOST_SIDE)
    # No line is thicker than it is wide: a greater step from layer to layer leaves air between.
    gap = (GAP_LAYERS if layers.flat else GAP_CURVED) * np.maximum(np.minimum(height, line_width), layers.pitch)
    bridge, bridge_length = np.empty(len(moves), np.int64), np.empty(len(moves))
    columns, rows = int(wide / cell) + 2, int(deep / cell) + 2
    bridges = kernels.below(
        start, moves.x, moves.y, moves.z, length, part, layer, gap, cell, left, low, columns, rows,
        np.full(2 * columns * rows, -1), HANGING_WIDTHS * line_width, BRIDGE_MM, path, hanging, first, bridge, bridge_length,
    )  # fmt: skip
    return Overhang(path, hanging, first, bridge[:bridges].copy(), bridge_length[:bridges].copy(), cell)
