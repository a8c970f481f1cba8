"""Bytes of a job file to words: one row a command, one column a letter.

Reads G-code as in NIST RS274/NGC [1]_ and as the community G-code reference extends it: comments from ``;`` to the end
of the line, checksums after ``*``, text after M117, names of macros, any line end. Nothing in a file is fatal here: what
cannot be understood is counted with its first lines.

.. [1] Kramer, Proctor, Messina, "The NIST RS274/NGC interpreter, version 3", NISTIR 6556, 2000.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from diagnose.errors import BadInput
from diagnose.toolpath._kernels import words as kernels
from diagnose.toolpath.columns import Bools, Bytes, Floats, Int32s, Ints, Trouble

Progress = Callable[[float, str], None]

CHUNK = 1 << 24
"""Bytes between two reports of progress."""
SAMPLE = 1 << 16


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
    """(m, 8) words of the letters I J K R P S T L."""
    line: Int32s
    """Line of the file, from 1."""
    offset: Ints
    """Byte offset of the start of that line."""
    bytes_all: Int32s
    """Bytes from the end of the line of the row before to the end of this one's; 0 for later rows of one line."""
    bytes_code: Int32s
    """Bytes of the line without comments and outer blanks, one line end included; 0 for later rows of one line."""
    flags: Bytes
    """FIRST of its line, JUNK on its line, MAYBE: inside a conditional block."""
    code_lines: int
    """Lines that hold more than comments and blanks."""
    junk_lines: int
    """Lines with characters that no word explains."""
    trouble: Trouble

    def __len__(self) -> int:
        return len(self.operation)

    def column(self, letter: str) -> Floats:
        """Return the (n,) values of any of the letters X Y Z E F I J K R P S T L; NaN where absent."""
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


def load_bytes(path: Path) -> Bytes:
    """Return the bytes of a job file, (n,) uint8.

    Raises
    ------
    BadInput
        The file is missing, a folder, empty, a pointer to a file kept elsewhere, an archive, binary, or holds no
        motion that can be recognised.
    """
    where = str(path)
    try:
        if path.is_dir():
            raise BadInput("this is a folder, not a job file", "give the G-code file itself", where)
        data = np.fromfile(path, dtype=np.uint8)
    except FileNotFoundError:
        raise BadInput("there is no such file", "check the spelling and the folder", where) from None
    except OSError as fault:
        raise BadInput(f"the file cannot be read ({fault.strerror or fault})", "check its permissions", where) from None
    if not len(data):
        raise BadInput("the file is empty", "export or copy the job again", where)
    _refuse_other_formats(data[:SAMPLE], where)
    _refuse_no_motion(data, where)
    return data


def read_words(data: Bytes, progress: Progress | None = None) -> Words:
    """Read the words of a job file.

    Parameters
    ----------
    data
        (n,) uint8, the whole file.
    progress
        Called with the share done and a word about it; may raise to stop.
    """
    n = len(data)
    state = np.zeros(kernels.STATE_SIZE, np.int64)
    state[kernels.LINE], state[kernels.INDENT] = 1, -1
    counts = np.zeros(len(kernels.TROUBLES), np.int64)
    first_lines = np.zeros((len(kernels.TROUBLES), kernels.FIRST_LINES), np.int32)
    letters = np.frombuffer(kernels.EXTRA.encode(), np.uint8).copy()
    # Ask for one row a line end, seldom more; pages never touched cost nothing.
    rows = int(np.count_nonzero(data == 10)) + 64
    columns: list[Any] = [np.empty(rows, kind) for kind in _KINDS]
    extra = np.empty((1024, len(kernels.EXTRA)))
    while state[kernels.POS] < n:
        stop = min(n, int(state[kernels.POS]) + CHUNK)
        while full := kernels.read(*_arguments(data, stop, state, *columns, extra, counts, first_lines, letters)):
            if full == kernels.SIDE_FULL:
                extra = _grown(extra)
            else:
                columns = [_grown(column) for column in columns]
        if progress is not None:
            progress(float(state[kernels.POS]) / n, "reading the job file")
    row, side = int(state[kernels.ROW]), int(state[kernels.SIDE])
    op, line, offset, all_, code, bare, flags, side_of, x, y, z, e, f = (column[:row] for column in columns)
    return Words(
        operation=op, x=x, y=y, z=z, e=e, f=f, bare=bare, side=side_of, extra=extra[:side], line=line, offset=offset,
        bytes_all=all_, bytes_code=code, flags=flags, code_lines=int(state[kernels.CODE_LINES]),
        junk_lines=int(state[kernels.JUNK_LINES]), trouble=_trouble(counts, first_lines),
    )  # fmt: skip


def _arguments(*given: Any) -> tuple[Any, ...]:
    """Return the arguments of a kernel that takes columns of many types."""
    return given


_KINDS: tuple[type, ...] = (
    np.int32, np.int32, np.int64, np.int32, np.int32, np.int32, np.uint8, np.int32, *(np.float64,) * 5,
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


def _refuse_other_formats(head: Bytes, where: str) -> None:
    """Raise BadInput for content that is no text of G-code, told by its first bytes."""
    start = head[:1024].tobytes()
    if start.startswith(b"version ") and b"\noid " in start and b"\nsize " in start:
        raise BadInput(
            "this is a pointer to a job file that is kept elsewhere, not the job file",
            "fetch the real file first, then give that one", where,
        )  # fmt: skip
    if start.startswith((b"PK\x03\x04", b"\x1f\x8b", b"7z\xbc\xaf")):
        raise BadInput("this is a compressed archive", "unpack it and give the job file inside", where)
    if start.startswith((b"\xff\xfe", b"\xfe\xff")):
        raise BadInput("the text is stored in 16-bit characters", "save it as plain text or UTF-8", where)
    control = (head < 32) & ~np.isin(head, np.frombuffer(b"\0\t\n\v\f\r", np.uint8))
    odd = np.count_nonzero(control | (head == 127)) / len(head)
    zeros = np.count_nonzero(head == 0) / len(head)
    if odd > 0.02 or zeros > 0.5 or (zeros > 0.02 and odd > 0.005):
        raise BadInput("this is a binary file, not G-code text", "export the job as plain text", where)


def _refuse_no_motion(data: Bytes, where: str) -> None:
    """Raise BadInput when no line moves anything, or when most lines are not G-code.

    The beginning settles it for nearly every job; only what looks odd there is read whole.
    """
    for part in (data[: 16 * SAMPLE], data):
        words = read_words(part)
        clear = np.count_nonzero(words.moves_head & (words.flags & kernels.JUNK == 0))
        if clear and words.junk_lines <= 0.5 * words.code_lines and clear >= 0.02 * words.code_lines:
            return
    if not clear:
        raise BadInput("no line of this file moves anything", "is it G-code for a printer?", where)
    raise BadInput(
        f"most of this file is not G-code ({words.junk_lines} of {words.code_lines} lines hold unreadable characters)",
        "export or copy the job again", where,
    )  # fmt: skip
