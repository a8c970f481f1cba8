"""A job with needless moves joined: the same part within a stated tolerance, with fewer lines to read.

Joined are neighbouring lines of G1 that print with the same speed and the same filament per mm, or travel at the same
speed on one height. Anything between two lines ends a run and stays where it is: a comment, a blank line, any other
command. So do arcs, retractions, wipes, numbered tools, and everything under a condition. The line kept of a run is its
last, so ends of runs stay where they are to the last digit.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from diagnose.errors import BadInput
from diagnose.toolpath._kernels import ease as kernels
from diagnose.toolpath._kernels.simplify import simplify
from diagnose.toolpath.columns import Bools, Bytes, Floats, Ints, Moves
from diagnose.toolpath.moves import Interpreted, interpret
from diagnose.toolpath.prepare import EASED, prepare
from diagnose.toolpath.progress import Progress, say
from diagnose.toolpath.source import Source
from diagnose.toolpath.words import PAD, operation, read_padded, read_words

COARSEST_MM = 0.2
"""The largest tolerance taken: half a line's width, beyond which walls show it (common practice, no source)."""
SHORTER = 0.02
"""Share by which a joined move may be shorter than those it stands for; its line gets as much wider."""
SAME_BEAD = 0.01
"""Share by which filament per mm may differ within a run, beyond what rounding explains."""
SAME_SLOPE = 0.25
"""The same for rise per mm: a step from one layer to the next is no part of a spiral's climb."""
FEWEST_DIGITS = 2
"""Words with fewer after the point were not rounded, but are whole numbers of a person's own."""
FILAMENT_KEPT = 1e-6
READ_BACK_MM = 1e-6
"""Coordinates that were added up in binary may differ by so much from those that were added up in decimals."""
PIECE = 1 << 18
"""Corners measured at a time, so that a long job needs no more room for it."""

HARMLESS = frozenset(
    [operation(f"G{n}") for n in (4, 10, 11, 17, 18, 19, 20, 21, 90, 91, 90.1, 91.1)]
    + [
        operation(f"M{n}")
        for n in (73, 75, 77, 82, 83, 101, 103, 104, 105, 106, 107, 109, 110, 114, 115, 116, 117, 118)
    ]
    + [
        operation(f"M{n}")
        for n in (140, 141, 155, 190, 191, 201, 203, 204, 205, 207, 208, 220, 221, 300, 400, 413, 486)
    ]
    + [operation(f"M{n}") for n in (566, 900)]
)
"""Commands after which the head is where it was; after others, places must be stated anew before a run begins."""


@dataclass(frozen=True, slots=True)
class Eased:
    """A job with fewer moves, read back and held against the one it was made of."""

    data: Bytes
    """The file to write."""
    moves_before: int
    moves_after: int
    """Lines that move the head or the filament; an arc is one."""
    deviation_mm: float
    """Largest distance of a corner left out from the path that was written, measured on what was read back."""
    at_line: int | None
    """Line of the first job where that is."""
    filament_before_mm: float
    filament_after_mm: float
    unclear: int
    """Moves left alone because the job had not said by then how its words are meant."""


def ease(source: Source, tolerance: float, progress: Progress | None = None) -> Eased:
    """Return a job with needless moves joined.

    Parameters
    ----------
    tolerance
        mm, most that the new path may stray from the old one, and the old from the new.

    Raises
    ------
    BadInput
        When the tolerance makes no sense; when the lines are numbered; when the job never says, or says only under a
        condition, how its words are meant; or when what was written does not read back as the same job.
    """
    if not 0 < tolerance <= COARSEST_MM:
        raise BadInput(
            f"a tolerance of {tolerance:g} mm cannot be kept",
            f"give a length above 0, up to {COARSEST_MM:g} mm",
            "--tolerance",
        )
    prepare(None, progress, needed=EASED)
    say(progress, 0.0, "reading the job file")
    data = _padded(source)
    words = read_padded(data)
    if not words.moving or words.junk_lines > 0.5 * words.code_lines:
        raise BadInput(
            "this is no job that can be eased: most of it is not G-code", "export or copy the job again", source.where
        )
    before = interpret(words)
    say(progress, 0.3, "joining moves")
    moves = before.moves
    n = len(moves)
    length, rise = _lengths(before)
    kind, begin, end, tail = np.zeros(n, np.uint8), np.zeros(n, np.int64), np.zeros(n, np.int64), np.zeros(n, np.int64)
    table, tally = np.zeros((4, 5), np.int64), np.zeros(kernels.TALLIES, np.int64)
    kernels.mark(
        data, words.operation, words.line, words.bytes_all, words.bare, words.flags, words.side,
        words.x, words.y, words.z, words.e, np.isin(words.operation, list(HARMLESS)),
        moves.line, length, rise, moves.e, moves.feed, kind, begin, end, tail, table, tally,
    )  # fmt: skip
    del words
    unclear = int(tally[kernels.UNSTATED_AXES] + tally[kernels.UNSTATED_FILAMENT])
    _refuse(tally, bool((moves.e[kind > 0] > 0).any()), source.where)
    dropped = np.zeros(n, bool)
    shift, decimals = np.zeros((n, 2), np.int32), _decimals(tally)
    # A millionth is left for the rounding of sums, so that nobody's measure comes out beyond the tolerance.
    bounds = np.array([tolerance * (1 - 1e-6), SHORTER, SAME_BEAD, SAME_SLOPE])
    unit: Floats = np.power(10.0, -decimals)
    simplify(kind, moves.start, moves.x, moves.y, moves.z, length, moves.e, bounds, unit, dropped, shift)
    runs = int(np.count_nonzero(dropped[1:] > dropped[:-1]) + np.count_nonzero(shift.any(axis=1))) + 1
    out = np.empty(len(data) + 128 * runs, np.uint8)
    written = out[: kernels.write(data[:-PAD], kind, dropped, shift, int(decimals[0]), begin, end, tail, table, out)]
    del data, length, kind, begin, end, tail
    say(progress, 0.6, "reading it back")
    after = interpret(read_words(written))
    deviation, at_line = _proved(before, after, dropped, shift * unit[0], tolerance, source.where)
    return Eased(
        written, before.counts.moving, after.counts.moving, deviation, at_line,
        math.fsum(moves.e), math.fsum(after.moves.e), unclear,
    )  # fmt: skip


def _padded(source: Source) -> Bytes:
    """Return the whole job, and behind it the line ends that the reader of words wants."""
    data = np.full(source.size + PAD, 10, np.uint8)
    filled = 0
    with source.opened() as file, data.data as view:
        while filled < source.size and (got := file.readinto(view[filled : source.size])):  # type: ignore[attr-defined]
            filled += got
    return data[: filled + PAD]


def _lengths(job: Interpreted) -> tuple[Floats, Floats]:
    """Return (n,) mm travelled and mm risen by each move; NaN from a place never stated."""
    m = job.moves
    length: Floats = np.zeros(len(m))
    rise = length
    for begin, end in zip(m.start.tolist(), (m.x, m.y, m.z), strict=True):
        rise = np.diff(end, prepend=begin)
        if math.isnan(begin):  # an axis that nothing ever states stands still
            rise[:1] = 0.0
        length += rise * rise
    return np.sqrt(length, out=length), rise


def _decimals(tally: Ints) -> Ints:
    """Return (3,) digits after the point that X and Y, Z, and E usually have, for trailing zeros are often left out."""
    usual: Ints = np.maximum(tally[kernels.FINENESS :].reshape(3, -1).argmax(axis=1), FEWEST_DIGITS)
    return usual


def _refuse(tally: Ints, clear: bool, where: str) -> None:
    """Raise BadInput for a job in which nothing that prints can be left out safely; `clear` when some of it can."""
    numbered, conditional = int(tally[kernels.NUMBERED_LINE]), int(tally[kernels.CONDITIONAL_LINE])
    if numbered:
        raise BadInput(
            "the lines of this job are numbered, and the board would miss those left out",
            "ease the job as it was exported, before numbers and checksums are added for the cable", f"{where}:{numbered}",
        )  # fmt: skip
    if conditional:
        raise BadInput(
            "how the words that follow are meant is set under a condition here, so nobody can tell which moves belong together",
            "ease a job without conditional blocks", f"{where}:{conditional}",
        )  # fmt: skip
    if not clear and tally[kernels.UNSTATED_AXES]:
        raise BadInput(
            "the job never says whether coordinates are places (G90) or steps (G91)",
            "if you know that your printer starts with places, put a line G90 before the first move", where,
        )  # fmt: skip
    if not clear and tally[kernels.UNSTATED_FILAMENT]:
        raise BadInput(
            "the job does not say beyond doubt whether extruder words are places (M82) or lengths (M83)",
            "if you know which, put a line M82 or M83 before the first move; after G91 only M83 is clear", where,
        )  # fmt: skip


def _proved(
    before: Interpreted, after: Interpreted, dropped: Bools, shift: Floats, tolerance: float, where: str
) -> tuple[float, int | None]:
    """Return the largest deviation in mm and its line; raise BadInput where what was written is not the same job."""
    a, b = before.moves, after.moves
    kept = np.flatnonzero(~dropped)
    first = np.concatenate((np.zeros(min(1, len(kept)), np.int64), kept[:-1] + 1))
    same = len(kept) == len(b) and len(before.events.kind) == len(after.events.kind)
    if same:
        wanted = (a.x[kept] + shift[kept, 0], a.y[kept] + shift[kept, 1], a.z[kept])
        near = [np.abs(p - q) <= READ_BACK_MM for p, q in zip(wanted, (b.x, b.y, b.z), strict=True)]
        pushed = np.add.reduceat(a.e, first) if len(first) else a.e
        same = (
            all(bool(n.all()) for n in near)
            and bool((np.abs(pushed - b.e) <= READ_BACK_MM).all())
            and bool((a.feed[kept] == b.feed).all())
            and bool((a.tool[kept] == b.tool).all())
            and bool((before.events.kind == after.events.kind).all())
            and bool((np.searchsorted(kept, before.events.before) == after.events.before).all())
            and abs(math.fsum(a.e) - math.fsum(b.e)) <= FILAMENT_KEPT * max(float(np.abs(a.e).sum()), 1.0)
        )
    distance, at = _farthest(before, after, dropped, shift) if same else (math.inf, None)
    if distance > tolerance:
        raise BadInput(
            "the job could not be eased: what was written does not read back as the same job",
            "nothing was kept; print the job as it is, and keep it to show what is odd in it", where,
        )  # fmt: skip
    return distance, None if at is None else int(a.line[at])


def _farthest(before: Interpreted, after: Interpreted, dropped: Bools, shift: Floats) -> tuple[float, int | None]:
    """Return the largest distance in mm of a corner from the move written for it, or of its shift, and which move ends there.

    As corners are passed in order, no point of either path lies farther from the other.
    """
    if not dropped.any():
        return 0.0, None
    a, b, kept = before.moves, after.moves, np.flatnonzero(~dropped)
    off = np.hypot(shift[:, 0], shift[:, 1])
    gone = np.flatnonzero(dropped)
    for part in np.array_split(gone, len(gone) // PIECE + 1):
        stands = np.searchsorted(kept, part)
        begins = np.where((stands > 0)[:, None], _places(b, stands - 1), b.start)
        way = _places(b, stands) - begins
        corner = _places(a, part) - begins
        along = np.clip((corner * way).sum(axis=1) / (way * way).sum(axis=1), 0.0, 1.0)
        off[part] = np.linalg.norm(corner - along[:, None] * way, axis=1)
    worst = int(np.argmax(off))
    return float(off[worst]), worst


def _places(moves: Moves, which: Ints) -> Floats:
    """Return (k, 3) mm, where moves end."""
    return np.stack((moves.x[which], moves.y[which], moves.z[which]), axis=1)
