"""Bytes of a job file to words: one row a command, one column a letter.

Reads G-code as in NIST RS274/NGC [1]_ and as the community G-code reference extends it: comments from ``;`` to the end
of the line, checksums after ``*``, text after M117, names of macros, any line end. Nothing in a file is fatal here: what
cannot be understood is counted with its first lines.

.. [1] Kramer, Proctor, Messina, "The NIST RS274/NGC interpreter, version 3", NISTIR 6556, 2000.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np

from diagnose.toolpath._kernels import words as kernels
from diagnose.toolpath.columns import Bools, Bytes, Floats, Int32s, Ints, Trouble

Progress = Callable[[float, str], None]

CHUNK = 1 << 24
"""Bytes between two reports of progress."""
PAD = kernels.PAD
_LETTERS = np.frombuffer(kernels.EXTRA.encode(), np.uint8).copy()


@dataclass(slots=True)
class Words:
    """The words of a job file. Every column has one entry a command (n,); a word that is absent is NaN.

    A line of several commands makes several rows; a line of axis words alone makes one, with no operation.
    """

    operation: Int32s
    """Letter base + 10 * number + first decimal: see :func:`operation`; NONE, MACRO or CONDITION otherwise."""
    x: Floats
    y: Floats
    z: Floats
    e: Floats
    """The extruder word: E, or A where there is no E."""
    f: Floats
    bare: Int32s
    """Bit 0 for A to bit 25 for Z: letters that stand without a number."""
    side: Int32s
    """Row of `extra`, -1 where the row has none of its letters."""
    extra: Floats
    """(m, 9) words of the letters I J K R P S T L B."""
    line: Int32s
    """Line of the piece that was read, from 1: the file has `lines_before` more before it."""
    bytes_all: Int32s
    """Bytes from the end of the line of the row before to the end of this one's; 0 for later rows of one line."""
    bytes_code: Int32s
    """Bytes of the line without comments and outer blanks, one line end included; 0 for later rows of one line."""
    flags: Bytes
    """FIRST of its line, JUNK on its line, MAYBE: inside a conditional block."""
    code_lines: int
    """Lines that hold more than comments and blanks."""
    moving: int
    """Rows of G0 to G3 that carry a word for the head or the extruder, on readable lines."""
    junk_lines: int
    """Lines with characters that no word explains."""
    trouble: Trouble
    """Lines of the file."""
    lines_before: int = 0

    def __len__(self) -> int:
        return len(self.operation)

    def column(self, letter: str) -> Floats:
        """Return the (n,) values of any of the letters X Y Z E F I J K R P S T L B; NaN where absent."""
        if letter in "XYZEF":
            plain: Floats = getattr(self, letter.lower())
            return plain
        values = np.full(len(self), np.nan)
        there = self.side >= 0
        values[there] = self.extra[self.side[there], kernels.EXTRA.index(letter)]
        return values

    @property
    def moves_head(self) -> Bools:
        """(n,) rows of G0 to G3 that carry a word for the head or the extruder."""
        first, last = operation("G0"), operation("G3")
        plain = (self.operation >= first) & (self.operation <= last) & (self.operation % 10 == 0)
        axes = ~(np.isnan(self.x) & np.isnan(self.y) & np.isnan(self.z) & np.isnan(self.e))
        moving: Bools = plain & axes
        return moving


def operation(name: str) -> int:
    """Return the code of a command such as ``G1``, ``M862.3`` or ``T0``."""
    base = {"G": kernels.G_BASE, "M": kernels.M_BASE, "T": kernels.T_BASE}[name[0]]
    return base + round(float(name[1:]) * 10)


def name_of(code: int) -> str:
    """Return the name of an operation's code, or what kind of line it is."""
    if code < kernels.G_BASE:
        return {kernels.NONE: "no command", kernels.MACRO: "macro", kernels.CONDITION: "condition"}[code]
    letter = "GMT"[code // 1_000_000 - 1]
    whole, tenth = divmod(code % 1_000_000, 10)
    return f"{letter}{whole}.{tenth}" if tenth else f"{letter}{whole}"


def read_words(data: Bytes, progress: Progress | None = None) -> Words:
    """Read the words of a job file as one piece.

    Parameters
    ----------
    data
        (n,) uint8, the whole file.
    progress
        Called with the share done and a word about it; may raise to stop.
    """
    return read_padded(np.concatenate([data, np.full(PAD, 10, np.uint8)]), progress)


def read_padded(data: Bytes, progress: Progress | None = None) -> Words:
    """Read the words of a job file, (n + PAD,) bytes with PAD line ends behind it that do not count, without a copy of it."""
    # Ask for one row a line end, seldom more; pages never touched cost nothing.
    return Room(int(np.count_nonzero(data == 10)) + 64).read(data, progress)


class Room:
    """Columns for the words of one piece of a job file, used again for the next: fresh memory costs more than reading."""

    def __init__(self, rows: int) -> None:
        self.columns: list[Any] = [np.empty(rows, kind) for kind in _KINDS]
        self.extra = np.empty((1024, len(kernels.EXTRA)))
        self.state = np.zeros(kernels.STATE_SIZE, np.int64)

    def read(
        self, data: Bytes, progress: Progress | None = None, *, base: int = 0, depth: int = 0, indent: int = -1
    ) -> Words:
        """Return the words of whole lines; they last until the next call.

        Parameters
        ----------
        data
            (n + PAD,) uint8, ends where a line does; PAD line ends follow that do not count.
        base
            Where in the file it begins, bytes. Lines are counted from 1 in any case.
        depth, indent
            How many conditional blocks are open there, and how deep the words that opened one are indented (-1: none).
        """
        n, state = len(data) - PAD, self.state
        state[:] = 0
        state[kernels.LINE], state[kernels.BASE] = 1, base
        state[kernels.DEPTH], state[kernels.INDENT] = depth, indent
        state[kernels.NUMBER_1] = state[kernels.NUMBER] = -1
        counts, values = np.zeros(len(kernels.TROUBLES), np.int64), np.empty(26)
        first_lines = np.zeros((len(kernels.TROUBLES), kernels.FIRST_LINES), np.int32)
        while state[kernels.POS] < n:
            stop = min(n, int(state[kernels.POS]) + CHUNK)
            while full := kernels.read(
                *_arguments(data, stop, state, *self.columns, self.extra, counts, first_lines, _LETTERS, values)
            ):
                if full == kernels.SIDE_FULL:
                    self.extra = _grown(self.extra)
                else:
                    self.columns = [_grown(column) for column in self.columns]
            if progress is not None:
                progress(float(state[kernels.POS]) / n, "reading the job file")
        row, side = int(state[kernels.ROW]), int(state[kernels.SIDE])
        op, line, all_, code, bare, flags, side_of, x, y, z, e, f = (column[:row] for column in self.columns)
        return Words(
            operation=op, x=x, y=y, z=z, e=e, f=f, bare=bare, side=side_of, extra=self.extra[:side], line=line,
            bytes_all=all_, bytes_code=code, flags=flags, code_lines=int(state[kernels.CODE_LINES]),
            moving=int(state[kernels.MOVING]), junk_lines=int(state[kernels.JUNK_LINES]),
            trouble=_trouble(counts, first_lines),
        )  # fmt: skip


def _arguments(*given: Any) -> tuple[Any, ...]:
    """Return the arguments of a kernel that takes columns of many types."""
    return given


_KINDS: tuple[type, ...] = (
    np.int32, np.int32, np.int32, np.int32, np.int32, np.uint8, np.int32, *(np.float64,) * 5,
)  # fmt: skip
"""Types of the columns, in the order in which the kernel takes them."""


def _grown(column: Floats) -> Floats:
    """Return a column with half as much room again, contents kept."""
    bigger = np.empty((len(column) + len(column) // 2 + 1024, *column.shape[1:]), column.dtype)
    bigger[: len(column)] = column
    return bigger


def _trouble(counts: Ints, first_lines: Int32s) -> Trouble:
    seen = [k for k in range(len(counts)) if counts[k]]
    return Trouble(
        {kernels.TROUBLES[k]: int(counts[k]) for k in seen},
        {kernels.TROUBLES[k]: first_lines[k, : counts[k]].tolist() for k in seen},
    )
