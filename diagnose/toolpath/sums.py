"""A job added up layer by layer: the columns of millions of moves are read once for all who tell of layers."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from diagnose.toolpath.columns import Bools, Floats, Ints, Moves, Role

if TYPE_CHECKING:
    from diagnose.toolpath.shape import Shape

SLOWEST = 0.1
"""mm/s; a move for which the job asks less, or nothing, is timed at this."""


@dataclass(frozen=True, slots=True, eq=False)
class LayerSums:
    """Sums over the moves of each layer, (layers,) each; a move draws when it pushes filament while the head moves."""

    drawn: Floats
    """How many moves draw."""
    drawn_s: Floats
    """s that those take at the speeds asked for, without gathering speed and braking."""
    seconds: Floats
    """s that all moves take so."""
    wall_mm: Floats
    """mm drawn of the outer contour."""
    wall_filament_mm: Floats
    wall_feed: Floats
    """mm times mm/s asked for, of the outer contour."""
    path_mm: Floats
    path_feed: Floats
    """The same of everything drawn."""
    box: Floats
    """(3, 2) mm, least and greatest x, y, z of where drawing moves of layers end; least above greatest for none."""
    first: int
    last: int
    """The first and the last move that draws, in a layer or not; -1 for none."""
    total_s: float
    """s of the whole job at the speeds asked for."""
    filament_mm: float
    """mm, the most that was pushed by any moment, what was pulled back taken off."""


def sum_layers(moves: Moves, shape: Shape) -> LayerSums:
    """Return the sums of a job; one pass over its moves."""
    # Compiled code is fetched only here: what a job holds is also told where nothing is computed.
    from diagnose.toolpath._kernels import sums as kernels

    sums: Floats = np.zeros((8, len(shape.layer_z)))
    box = np.array([[np.inf, -np.inf]] * 3)
    ends: Ints = np.empty(2, np.int64)
    total, most = kernels.by_layer(
        shape.layer, shape.role, int(Role.OUTER), shape.length, moves.e, moves.feed, moves.x, moves.y, moves.z, SLOWEST,
        sums, box, ends,
    )  # fmt: skip
    drawn, drawn_s, seconds, wall, filament, wall_feed, path, path_feed = sums
    return LayerSums(
        drawn, drawn_s, seconds, wall, filament, wall_feed, path, path_feed, box, int(ends[0]), int(ends[1]), total, most
    )


def reserves(moves: Moves, shape: Shape, settled: Bools, reserve_ms: Floats) -> tuple[Floats, Floats]:
    """Return by layer the least settled reserve of drawing moves, ms, inf where there is none, and the sum of them all."""
    from diagnose.toolpath._kernels import sums as kernels

    least, held = np.full(len(shape.layer_z), np.inf), np.zeros(len(shape.layer_z))
    kernels.reserve_by_layer(shape.layer, shape.length, moves.e, settled, reserve_ms, least, held)
    return least, held
