"""The shape of a job, from its motion alone: layers, spirals, loops, roles, seams, facets."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from diagnose.toolpath.columns import Events, Floats, Int32s, Moves, Role
from diagnose.toolpath.layers import Spiral, find_layers
from diagnose.toolpath.loops import Loops, find_loops, line_width_for
from diagnose.toolpath.seams import SeamPattern, Seams, SeamStyle, find_seams

MOSTLY = 0.5
"""Of the extruded path."""


@dataclass(slots=True)
class Shape:
    """What the motion says of the part. (n,) entries a move, (layers,) entries a layer."""

    length: Floats
    """(n,) mm of path."""
    layer: Int32s
    """(n,) from 0, -1 before the first; travels belong to the layer drawn before them. A turn of a spiral is a layer."""
    layer_z: Floats
    """(layers,) mm, ascending."""
    layer_height: Floats
    """(layers,) mm."""
    layer_path: Floats
    """(layers,) mm extruded."""
    spiral: Spiral
    role: NDArray[np.uint8]
    """(n,) Role."""
    loops: Loops
    seams: Seams
    seam_pattern: SeamPattern
    facet_median: float
    """mm, of the moves of the outer contour; NaN without any. Pieces of arcs are left out where there are others."""
    facet_p05: float
    """mm, one move in twenty is shorter."""

    @property
    def seam_style(self) -> SeamStyle:
        """How the seams lie; ``none`` where most of the path is a spiral, whatever loops its base begins with."""
        return "none" if self.spiral.share >= MOSTLY else self.seam_pattern.style


def shape(moves: Moves, events: Events, nozzle_diameter: float | None = None) -> Shape:
    """Return the shape of a job; linear in the number of moves.

    Parameters
    ----------
    moves, events
        As interpreted. Events are not needed yet: shape comes from motion.
    nozzle_diameter
        mm; sets what counts as neighbouring lines. 0.4 is taken where it is not known.
    """
    layers = find_layers(moves)
    loops, role = find_loops(moves, layers, line_width_for(nozzle_diameter))
    seams, pattern = find_seams(moves, loops, len(layers.z))
    median, fine = _facets(moves, layers.length, role)
    return Shape(
        length=layers.length, layer=layers.layer, layer_z=layers.z, layer_height=layers.height, layer_path=layers.path,
        spiral=layers.spiral, role=role, loops=loops, seams=seams, seam_pattern=pattern,
        facet_median=median, facet_p05=fine,
    )  # fmt: skip


def _facets(moves: Moves, length: Floats, role: NDArray[np.uint8]) -> tuple[float, float]:
    """Return median and 5th percentile of the lengths of moves on the outer contour, mm."""
    outer = (role == Role.OUTER) & (length > 0)
    straight = outer & ~moves.arc
    pieces = length[straight if straight.any() else outer]
    if not len(pieces):
        return float("nan"), float("nan")
    median, fine = np.quantile(pieces, [0.5, 0.05])
    return float(median), float(fine)
