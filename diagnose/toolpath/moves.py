"""Words to moves: what the head and the filament do, in mm and mm/s.

Follows the modal state of NIST RS274/NGC (NISTIR 6556) with the words of the community G-code reference. Arcs become
chords that stray from the circle by a stated error. Where a job does not say how a word is meant the reading is
inferred, and the inference is said in ``notes``.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from diagnose.toolpath._kernels import moves as kernels
from diagnose.toolpath.columns import Events, Floats, Int32s, Ints, Moves, Trouble
from diagnose.toolpath.words import Words, name_of, operation

FIRST_FEED = 25.0
"""mm/s until the job states a feed (common practice, no source)."""
ASSUMED_RETRACT_MM, ASSUMED_RETRACT_SPEED = 1.0, 35.0
"""Length in mm and speed in mm/s of G10 and G11 where neither card nor job says (common practice, no source)."""
ASSUMED_FLOW = 0.4 * 0.2 / (np.pi * 1.75**2 / 4)
"""mm of filament a mm of path where the job switches the extruder on and off and states no filament: a line of
0.4 x 0.2 mm from 1.75 mm filament (common practice, no source)."""
RISING_SHARE = 0.75
"""Extruder words that rise more often than this from line to line are positions; lengths rise half the time."""

QUIET = frozenset(
    [operation(f"G{n}") for n in (0, 1, 2, 3, 4, 5, 10, 11, 17, 18, 19, 20, 21, 28, 29, 53, 54, 55, 56, 57, 58, 59, 80)]
    + [operation(f"G{n}") for n in (90, 91, 92, 94, 90.1, 91.1, 92.1, 92.2)]
    + [operation(f"M{n}") for n in (0, 1, 2, 6, 17, 18, 25, 30, 31, 73, 75, 77, 82, 83, 84, 98, 101, 103, 104, 105, 106)]
    + [operation(f"M{n}") for n in (107, 109, 110, 114, 115, 116, 117, 118, 126, 127, 135, 140, 141, 155, 190, 191)]
    + [operation(f"M{n}") for n in (201, 203, 204, 205, 207, 208, 220, 221, 226, 300, 400, 413, 486, 500, 501, 502, 503)]
    + [operation(f"M{n}") for n in (600, 601, 701, 702, 900)]
)
"""Commands that are acted upon, or are known to matter to nothing computed here. Others are counted as unknown."""


@dataclass(slots=True)
class Counts:
    """Lines of the job by what they ask for; an arc counts once whatever its pieces."""

    motion: int
    """Commands G0 to G3 and lines that repeat one, those that only set the feed included."""
    moving: int
    """Those that carry a word for the head or the extruder."""
    extruding: int
    """Those that push filament while the head moves in the plane."""
    arcs: int
    retracts: int
    """G10 that retracts."""
    restarts: int
    """G11."""


@dataclass(slots=True)
class Interpreted:
    """The motion of a job and how it was read."""

    moves: Moves
    events: Events
    trouble: Trouble
    """Lines not understood, those of the words included."""
    notes: list[str]
    """What the job left unsaid, and how it was taken."""
    assumed: frozenset[str]
    """Numbers neither job nor card gave: ``retract``, ``flow``, ``feed``."""
    counts: Counts


def interpret(
    words: Words,
    *,
    chord_error_mm: float = 0.01,
    retract_length: float | None = None,
    retract_speed: float | None = None,
) -> Interpreted:
    """Carry out the words of a job.

    Parameters
    ----------
    words
        As read; n rows.
    chord_error_mm
        Most that a chord may stray from its arc, mm.
    retract_length, retract_speed
        mm and mm/s of G10 and G11, from a printer card; without them the job's M207, or a common value.

    Notes
    -----
    Moves that move neither head nor filament are left out; their bytes count for the next move. Axes never stated stay
    0 with a NaN start; an axis first stated after some moves is taken to have stood there all along.
    """
    notes: list[str] = []
    assumed: set[str] = set()
    mode_row, relative = _extruder_mode(words, notes)
    flow = _switched_flow(words, notes, assumed)
    own = np.array([np.nan if v is None else v for v in (retract_length, retract_speed)])
    si, sf = _initial(retract_length, retract_speed)
    if flow:
        sf[7] = FIRST_FEED

    plain = int(np.count_nonzero((words.operation >= operation("G0")) & (words.operation <= operation("G3"))))
    out = _Columns(plain + 1024, 2 * (len(words) - plain) + 16)
    start = np.full(3, np.nan)
    tally = np.zeros(kernels.TALLIES, np.int64)
    counts = np.zeros(len(kernels.TROUBLES), np.int64)
    first_lines = np.zeros((len(kernels.TROUBLES), 10), np.int32)
    row = moves = events = 0
    while True:
        given: _Arrays = [
            words.operation, words.x, words.y, words.z, words.e, words.f, words.bare, words.side, words.extra,
            words.line, words.offset, words.bytes_all, words.bytes_code, words.flags,
            mode_row, relative, flow, chord_error_mm, own,
            *out.moves, *out.events, start, tally, counts, first_lines, row, moves, events, si, sf,
        ]  # fmt: skip
        row, moves, events = kernels.interpret(*given)
        if row == len(words):
            break
        out.grow()
    _say(words, tally, own, notes, assumed)
    return Interpreted(
        moves=Moves(start, *(column[:moves] for column in out.moves)),
        events=_events(out, events),
        trouble=_all_trouble(words, counts, first_lines),
        notes=notes,
        assumed=frozenset(assumed),
        counts=Counts(*(int(t) for t in tally[: kernels.RESTARTS + 1])),
    )


_Arrays = list[Any]
"""Arrays of several types, in the order of a kernel's arguments."""


class _Columns:
    """Room for moves and events while they are written; a row that is no plain motion makes two events at most."""

    KINDS = (*(np.float64,) * 6, np.int32, np.int64, np.int32, np.int32, np.int32, np.int16, np.bool_)

    def __init__(self, moves: int, events: int) -> None:
        self.moves: _Arrays = [np.empty(moves, kind) for kind in self.KINDS]
        self.events: _Arrays = [np.empty(events, kind) for kind in (np.uint8, np.int64, np.int32, np.float64)]

    def grow(self) -> None:
        """Give the moves half as much room again, one arc's worth at least."""
        for k, column in enumerate(self.moves):
            bigger = np.empty(len(column) + len(column) // 2 + kernels.MOST_PIECES, column.dtype)
            bigger[: len(column)] = column
            self.moves[k] = bigger


def _events(out: _Columns, count: int) -> Events:
    kind, before, line, value = (column[:count].copy() for column in out.events)
    return Events(kind=kind, before=before, line=line, value=value)


def _initial(length: float | None, speed: float | None) -> tuple[Ints, Floats]:
    """Return the state before the first row, integers and floats, in the order of the kernel."""
    si, sf = np.zeros(14, np.int64), np.zeros(17)
    si[7], si[9] = 17, -1
    sf[7] = FIRST_FEED
    sf[8] = sf[9] = sf[10] = sf[16] = 1.0
    sf[11:14] = np.nan
    sf[14] = ASSUMED_RETRACT_MM if length is None else length
    sf[15] = ASSUMED_RETRACT_SPEED if speed is None else speed
    return si, sf


def _extruder_mode(words: Words, notes: list[str]) -> tuple[int, bool]:
    """Return the row of the first M82 or M83, and whether extruder words before it are lengths; say what is inferred."""
    stated = np.flatnonzero((words.operation == operation("M82")) | (words.operation == operation("M83")))
    row = int(stated[0]) if len(stated) else len(words)
    rose, pairs = kernels.rising(words.operation, words.x, words.y, words.e, row)
    if not pairs:
        return row, False
    relative = rose < RISING_SHARE * pairs
    until = f"before line {words.line[row]}" if row < len(words) else "anywhere"
    notes.append(
        f"the job does not say {until} whether extruder words are lengths or positions: taken as "
        f"{'lengths' if relative else 'positions'}, for {rose} of {pairs} rise from one drawn line to the next"
    )
    return row, relative


def _switched_flow(words: Words, notes: list[str], assumed: set[str]) -> float:
    """Return mm of filament a mm of path where M101 and M103 alone switch the extruder, else 0."""
    if not (words.operation == operation("M101")).any() or not np.isnan(words.e).all():
        return 0.0
    assumed.add("flow")
    notes.append("the job states no filament, only M101 (on) and M103 (off): a flow of a 0.4 x 0.2 mm line is assumed")
    return float(ASSUMED_FLOW)


def _say(words: Words, tally: Ints, own: Floats, notes: list[str], assumed: set[str]) -> None:
    """Add to the notes what was assumed or may be otherwise."""
    told = (words.operation == operation("M207")).any()
    if tally[kernels.RETRACTS] and np.isnan(own[0]) and not told:
        assumed.add("retract")
        notes.append(
            f"the printer itself sets how far G10 pulls back; {ASSUMED_RETRACT_MM:g} mm is assumed "
            f"for {tally[kernels.RETRACTS]} retractions"
        )
    if tally[kernels.MAYBES]:
        notes.append(f"{tally[kernels.MAYBES]} moves stand in conditional blocks; each is taken as carried out once")
    if tally[kernels.HOMED_LATE]:
        notes.append(f"the head is homed {tally[kernels.HOMED_LATE]} times after the first move; its way there is not known")
    moving = words.moves_head
    first = int(np.argmax(moving)) if moving.any() else 0
    if moving.any() and not (words.f[: first + 1] > 0).any():
        assumed.add("feed")
        notes.append(f"the first moves state no feed: {FIRST_FEED:g} mm/s is assumed until one is stated")


def _all_trouble(words: Words, counts: Ints, first_lines: Int32s) -> Trouble:
    """Join the trouble of words and moves, and count commands that nothing here knows."""
    trouble = Trouble(dict(words.trouble.counts), dict(words.trouble.first_lines))
    for k, reason in enumerate(kernels.TROUBLES):
        if counts[k]:
            trouble.counts[reason] = int(counts[k])
            trouble.first_lines[reason] = first_lines[k, : counts[k]].tolist()
    commands = words.operation >= operation("G0")
    commands &= words.operation < operation("T0")
    commands &= words.operation > operation("G3")
    rows = np.flatnonzero(commands)
    if not len(rows):
        return trouble
    codes, which = np.unique(words.operation[rows], return_inverse=True)
    for k, code in enumerate(codes.tolist()):
        if code not in QUIET:
            mine = rows[which == k]
            reason = f"unknown command {name_of(code)}"
            trouble.counts[reason] = len(mine)
            trouble.first_lines[reason] = words.line[mine[:10]].tolist()
    return trouble
