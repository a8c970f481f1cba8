"""What a job file says by itself: its motion, its commands, its shape. No machine is needed."""

from __future__ import annotations

from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass, replace
from functools import cached_property
from pathlib import Path

import numpy as np

from diagnose.errors import BadInput
from diagnose.toolpath.columns import Events, Floats, JobLimits, Moves, Trouble
from diagnose.toolpath.heap import columns_apart
from diagnose.toolpath.moves import BoardMoves, Counts, Interpreted, Interpreter, Reading, Scout, with_retraction
from diagnose.toolpath.prepare import prepare
from diagnose.toolpath.progress import Cancel, Progress, ask, asking, say, share
from diagnose.toolpath.shape import Shape, shape
from diagnose.toolpath.source import Source, find_source
from diagnose.toolpath.stream import pieces
from diagnose.toolpath.sums import SLOWEST, LayerSums, sum_layers
from diagnose.toolpath.words import Words


@dataclass(eq=False)
class JobFile:
    """What a job file says by itself: its motion, its commands, its shape. No machine is needed."""

    path: Path
    bytes: int
    lines: int
    moves: Moves
    events: Events
    shaping: Future[Shape]
    """The shape of the job, worked out while a machine may already run it."""
    trouble: Trouble
    notes: list[str]
    """What had to be inferred, such as the extruder mode."""
    assumed: frozenset[str]
    """Numbers that the job does not state and a common value stands for: retract, flow, feed."""
    counts: Counts
    limits: JobLimits
    """What the job sets for itself, as it changes (M201 to M205)."""
    by_board: BoardMoves
    """G10 and G11, see `with_retraction`."""

    def with_retraction(self, length: float, speed: float) -> JobFile:
        """Return the job with G10 and G11 of so many mm and mm/s, as a printer card says; nothing is read again."""
        if not len(self.by_board.move):
            return self
        moves = with_retraction(self.moves, self.by_board, length, speed)
        return replace(self, moves=moves, assumed=self.assumed - {"retract"})

    @property
    def shape(self) -> Shape:
        """What the motion says of the part; waits until it is worked out."""
        return self.shaping.result()

    @property
    def length(self) -> Floats:
        """(n,) mm travelled by the head in each move."""
        return self.shape.length

    @property
    def nominal_s(self) -> Floats:
        """(n,) s each move takes at the speed asked for, without gathering speed or braking; worked out at each call."""
        path = np.where(self.length > 0, self.length, np.abs(self.moves.e))
        return path / np.maximum(np.nan_to_num(self.moves.feed), SLOWEST)

    @cached_property
    def sums(self) -> LayerSums:
        """Everything added up layer by layer."""
        return sum_layers(self.moves, self.shape)

    @property
    def layers(self) -> int:
        """Number of layers; turns count as layers in a spiral."""
        return len(self.shape.layer_z)


def read_file(path: Path | str, progress: Progress | None = None, cancel: Cancel | None = None) -> JobFile:
    """Read the half of a job that needs no machine: bytes to words, moves and shape.

    Words never exist as a whole: pieces of the file are read into the same buffers again and again. The shape is worked
    out by a thread of its own, for running a job needs only its moves.
    """
    path = Path(path)
    ask(cancel)
    source = find_source(path)
    columns_apart()
    prepare(None, progress, cancel)
    read, lines = read_motion(source, share(asking(progress, cancel), 0.0, 0.6))
    ask(cancel)
    say(progress, 0.6, "shape")
    beside = ThreadPoolExecutor(1)
    # Its thread ends with the last piece of work, when nobody holds it any more.
    shaping = beside.submit(shape, read.moves, read.events, None, beside)
    return JobFile(
        path, source.size, lines, read.moves, read.events, shaping, read.trouble, list(read.notes), read.assumed,
        read.counts, read.limits, read.by_board,
    )  # fmt: skip


def read_motion(source: Source, progress: Progress | None = None) -> tuple[Interpreted, int]:
    """Return the motion of a job, and how many lines it has.

    What the first piece speaks for is taken as the reading of words that the job leaves open; the few jobs that speak
    for another in the end are read again.

    Raises
    ------
    BadInput
        Nothing in it moves, or most of it is no G-code.
    """
    reading: Reading | None = None
    while True:
        scout, seen, interpreter, lines = Scout(), _Recognised(), None, 0
        for words, done, counted in pieces(source):
            lines = counted
            scout.see(words)
            seen.see(words)
            if interpreter is None:
                interpreter = Interpreter(reading or scout.reading)
            if scout.settled and scout.reading != interpreter.reading:
                break
            interpreter.feed(words, done / max(source.size, 1))
            say(progress, min(1.0, done / max(source.size, 1)), "reading the job file")
        else:
            seen.check(source.where)
        if interpreter is not None and interpreter.reading == scout.reading:
            return interpreter.finish(scout), lines
        reading = scout.reading


class _Recognised:
    """Whether a file is a job: what moves in it, and what cannot be read."""

    def __init__(self) -> None:
        self.moving = self.junk = self.code = 0

    def see(self, words: Words) -> None:
        self.moving += words.moving
        self.junk += words.junk_lines
        self.code += words.code_lines

    def check(self, where: str) -> None:
        """Raise BadInput when no line moves anything, or when most lines are not G-code."""
        if not self.moving:
            raise BadInput("no line of this file moves anything", "is it G-code for a printer?", where)
        if self.junk > 0.5 * self.code or self.moving < 0.02 * self.code:
            raise BadInput(
                f"most of this file is not G-code ({self.junk} of {self.code} lines hold unreadable characters)",
                "export or copy the job again", where,
            )  # fmt: skip
