"""The shape of a job, from its motion alone: layers, spirals, loops, roles, seams, facets."""

from __future__ import annotations

from concurrent.futures import Executor, Future
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from diagnose.toolpath._kernels import quantiles as kernels
from diagnose.toolpath.columns import Events, Floats, Int32s, Ints, Moves, Role
from diagnose.toolpath.layers import Layers, Spiral, find_layers
from diagnose.toolpath.loops import Loops, find_loops, line_width_for
from diagnose.toolpath.overhang import Overhang, find_overhang
from diagnose.toolpath.seams import SeamPattern, Seams, SeamStyle, find_seams

MOSTLY = 0.5
"""Of the extruded path."""
LEAST_FLATNESS = 1.2
"""Width over height of a line: rounder ones do not stick (common practice, no source)."""


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
    flat_layers: bool
    """False where the height varies within layers; `layer_z` is then the top of each."""
    object_first: Ints
    """(objects,) first move of each object drawn one after the other; a plate drawn layer by layer is one."""
    spiral: Spiral
    role: NDArray[np.uint8]
    """(n,) Role."""
    loops: Loops
    seams: Seams
    seam_pattern: SeamPattern
    islands: Int32s
    """(layers,) separate pieces: closed outlines that do not bound a hole, and spirals; 0 where all is open lines."""
    line_width: float
    """mm, taken from the nozzle, and never less than layers of that height can have."""
    hanging: Future[Overhang]
    """What the outer wall stands on, worked out beside what follows."""
    facet_median: float
    """mm, of the moves of the outer contour; NaN without any. Pieces of arcs are left out where there are others."""
    facet_p05: float
    """mm, one move in twenty is shorter."""

    @property
    def overhang(self) -> Overhang:
        """What the outer wall stands on, and the bridges; waits until it is worked out."""
        return self.hanging.result()

    @property
    def outside(self) -> NDArray[np.bool_]:
        """(n,) moves of the outer contour that can be seen from outside the part: those round holes and hollows are left out."""
        outer: NDArray[np.bool_] = self.role == Role.OUTER
        seen = outer & ~self.loops.moves(self.loops.hole, len(outer))
        return seen if seen.any() else outer

    @property
    def objects(self) -> int:
        """How many objects are drawn one after the other."""
        return len(self.object_first)

    @property
    def seam_style(self) -> SeamStyle:
        """How the seams lie; ``none`` where most of the path is a spiral, whatever loops its base begins with."""
        return "none" if self.spiral.share >= MOSTLY else self.seam_pattern.style


def shape(
    moves: Moves, events: Events, nozzle_diameter: float | None = None, beside: Executor | None = None
) -> Shape:
    """Return the shape of a job; linear in the number of moves.

    Parameters
    ----------
    moves, events
        As interpreted. Events are not needed yet: shape comes from motion.
    nozzle_diameter
        mm; sets what counts as neighbouring lines. 0.4 is taken where it is not known.
    beside
        Works out the overhang, which few ask for and takes as long as all the rest; here and now by default.
    """
    layers = find_layers(moves)
    width = line_width_for(nozzle_diameter)
    if len(layers.height):
        width = max(width, LEAST_FLATNESS * float(np.median(layers.height)))
    loops, role = find_loops(moves, layers, width)
    seams, pattern = find_seams(moves, loops, layers.object_first)
    hanging: Future[Overhang] = Future()
    if beside is not None:
        hanging = beside.submit(find_overhang, moves, layers, role, width)
    else:
        hanging.set_result(find_overhang(moves, layers, role, width))
    median, fine = _facets(moves, layers.length, role)
    return Shape(
        length=layers.length, layer=layers.layer, layer_z=layers.z, layer_height=layers.height, layer_path=layers.path,
        flat_layers=layers.flat, object_first=layers.object_first, spiral=layers.spiral, role=role, loops=loops,
        seams=seams, seam_pattern=pattern,
        islands=_islands(layers, loops), line_width=width, hanging=hanging, facet_median=median, facet_p05=fine,
    )  # fmt: skip


def _islands(layers: Layers, loops: Loops) -> Int32s:
    """Return how many separate pieces each layer has."""
    count = np.bincount(loops.layer[loops.outer & ~loops.hole], minlength=len(layers.z) + 1).astype(np.int32)
    changes = np.zeros(len(layers.z) + 1, np.int32)
    np.add.at(changes, layers.layer[layers.spiral.first], 1)
    np.add.at(changes, layers.layer[layers.spiral.last] + 1, -1)
    return (count + np.cumsum(changes))[: len(layers.z)].astype(np.int32)


def _facets(moves: Moves, length: Floats, role: NDArray[np.uint8]) -> tuple[float, float]:
    """Return median and 5th percentile of the lengths of moves on the outer contour, mm."""
    found, shares = np.full(2, np.nan), np.array([0.5, 0.05])
    coarse, fine = np.zeros(kernels.BINS + 1, np.int64), np.zeros((2, kernels.BINS), np.int64)
    bins, rest = np.empty(2, np.int64), np.empty(2, np.int64)
    for skip_arcs in (True, False):
        of = (length, role, int(Role.OUTER), moves.arc, skip_arcs)
        if kernels.lengths(*of, shares, coarse, fine, bins, rest, found):
            break
    return float(found[0]), float(found[1])
