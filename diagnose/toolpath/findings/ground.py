"""Columns that several findings read, computed once and kept only while findings are made."""

from __future__ import annotations

from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np

from diagnose.toolpath.columns import Bools, Floats, Int32s, Ints, Moves, Role
from diagnose.toolpath.machine import Machine

if TYPE_CHECKING:
    from diagnose.toolpath.jobfile import JobFile
    from diagnose.toolpath.run import Run



class Ground:
    """What findings are computed from: a job file, and the run of a machine over it where a card was given."""

    def __init__(self, file: JobFile, run: Run | None = None) -> None:
        self.file = file
        self._run = run

    @property
    def machine(self) -> Machine | None:
        """The machine of the run, or None without a card."""
        return self._run.machine if self._run else None

    @property
    def run(self) -> Run:
        """The run; only asked for by findings that rest on a machine."""
        if self._run is None:
            raise LookupError("this finding needs a machine")
        return self._run

    @property
    def moves(self) -> Moves:
        return self.file.moves

    @property
    def layer(self) -> Int32s:
        return self.file.shape.layer

    @property
    def layers(self) -> int:
        return len(self.file.shape.layer_z)

    @cached_property
    def length(self) -> Floats:
        """(n,) mm travelled by the head."""
        return self.file.length

    @cached_property
    def draws(self) -> Bools:
        """(n,) extrudes while the head moves."""
        return (self.moves.e > 0) & (self.length > 0)

    @cached_property
    def outer(self) -> Ints:
        """Indices of the drawing moves of the outer contour."""
        return np.flatnonzero((self.file.shape.role == Role.OUTER) & self.draws)

    @cached_property
    def nominal(self) -> Floats:
        """(n,) s each move takes at the speed asked for, without gathering speed and braking."""
        return self.file.nominal_s

    @cached_property
    def body(self) -> slice:
        """From the first drawing move to the last."""
        drawing = np.flatnonzero(self.draws)
        return slice(int(drawing[0]), int(drawing[-1]) + 1) if len(drawing) else slice(0, 0)

    def lines_of(self, moves: Ints, most: int = 5) -> list[int]:
        """Return up to `most` different lines of these moves, in their order."""
        return list(dict.fromkeys(self.moves.line[moves[: 20 * most]].tolist()))[:most]

    @cached_property
    def outer_by_layer(self) -> tuple[Floats, Floats, Floats]:
        """(layers,) sums over the outer contour: path in mm, filament in mm, path times speed asked for."""
        # Compiled code is fetched only here: the registry is also read where nothing is computed.
        from diagnose.toolpath._kernels import findings as kernels

        sums = np.zeros((3, self.layers))
        moves = self.moves
        kernels.sums_by_layer(self.outer, self.layer, self.length, moves.e, moves.feed, sums)
        return sums[0], sums[1], sums[2]


def weighted_quantile(values: Floats, weight: Floats, share: float) -> float:
    """Return the least of the values (n,) up to which a share of the weight (n,) lies; NaN without values."""
    from diagnose.toolpath._kernels import findings as kernels

    if not len(values):
        return float("nan")
    low, high, below, sought = kernels.narrow(values, weight, share)
    if not high > low:
        return float(low)
    inside = np.flatnonzero((values >= low) & (values <= high))
    # Few are left; numpy sorts them, for a sort takes a second to compile.
    order = inside[np.argsort(values[inside])]
    reached = np.cumsum(np.append(below, weight[order]))[1:] >= sought
    return float(values[order[np.argmax(reached)]]) if reached.any() else float(high)
