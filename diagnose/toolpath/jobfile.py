"""What a job file says by itself: its motion, its commands, its shape. No machine is needed."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from pathlib import Path

import numpy as np

from diagnose.toolpath.columns import Events, Floats, Moves, Trouble
from diagnose.toolpath.moves import Counts, interpret
from diagnose.toolpath.progress import Cancel, Progress, ask, asking, say, share
from diagnose.toolpath.shape import Shape, shape
from diagnose.toolpath.words import load_bytes, read_words

SLOWEST = 0.1
"""mm/s; a move for which the job asks less, or nothing, is timed at this."""


@dataclass(eq=False)
class JobFile:
    """What a job file says by itself: its motion, its commands, its shape. No machine is needed."""

    path: Path
    bytes: int
    lines: int
    moves: Moves
    events: Events
    shape: Shape
    trouble: Trouble
    notes: list[str]
    """What had to be inferred, such as the extruder mode."""
    assumed: frozenset[str]
    """Numbers that the job does not state and a common value stands for: retract, flow, feed."""
    counts: Counts

    @property
    def length(self) -> Floats:
        """(n,) mm travelled by the head in each move."""
        return self.shape.length

    @cached_property
    def nominal_s(self) -> Floats:
        """(n,) s each move takes at the speed asked for, without gathering speed or braking."""
        path = np.where(self.length > 0, self.length, np.abs(self.moves.e))
        return path / np.maximum(np.nan_to_num(self.moves.feed), SLOWEST)

    @property
    def layers(self) -> int:
        """Number of layers; turns count as layers in a spiral."""
        return len(self.shape.layer_z)


def read_file(path: Path | str, progress: Progress | None = None, cancel: Cancel | None = None) -> JobFile:
    """Read the half of a job that needs no machine: bytes to words, moves and shape."""
    path = Path(path)
    ask(cancel)
    data = load_bytes(path)
    size, lines = len(data), int(np.count_nonzero(data == ord("\n"))) + int(data[-1] != ord("\n"))
    words = read_words(data, share(asking(progress, cancel), 0.0, 0.5))
    del data
    ask(cancel)
    say(progress, 0.5, "moves")
    read = interpret(words)
    del words
    ask(cancel)
    say(progress, 0.7, "shape")
    found = shape(read.moves, read.events, None)
    ask(cancel)
    say(progress, 1.0, "shape")
    return JobFile(
        path, size, lines, read.moves, read.events, found, read.trouble, list(read.notes),
        read.assumed, read.counts,
    )  # fmt: skip


