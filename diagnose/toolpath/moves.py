"""Words to moves: what the head and the filament do, in mm and mm/s.

Follows the modal state of NIST RS274/NGC (NISTIR 6556) with the words of the community G-code reference. Arcs become
chords that stray from the circle by a stated error. Where a job does not say how a word is meant the reading is
inferred, and the inference is said in ``notes``.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from diagnose.toolpath._kernels import moves as kernels
from diagnose.toolpath.columns import Bools, Events, Floats, Int32s, Ints, JobLimits, Moves, Trouble
from diagnose.toolpath.heap import Ahead
from diagnose.toolpath.joblimits import LimitsTable
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
    + [operation(f"M{n}") for n in (566, 600, 601, 701, 702, 900)]
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
class BoardMoves:
    """Moves of G10 and G11, whose length and speed the board sets; (k,) in order."""

    move: Ints
    restart: Bools
    """True for G11."""
    length: Floats
    """mm of filament as read: from the job's M207, the lengths given, or a common value."""


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
    limits: JobLimits
    """What the job sets for itself (M201, M203, M205, M566), as it changes."""
    by_board: BoardMoves


@dataclass(frozen=True, slots=True)
class Reading:
    """How words are taken of which the job does not say what they mean."""

    lengths: bool = False
    """Extruder words are lengths, until M82 or M83 says so."""
    flow: float = 0.0
    """mm of filament a mm of path where M101 and M103 switch the extruder, else 0."""


class Scout:
    """Looks ahead for what decides the reading of a job: modes stated late, or never."""

    def __init__(self) -> None:
        self.stated_at: int | None = None
        """Line of the first M82 or M83."""
        self.state = np.array([0.0, 0.0, np.nan, 0.0])
        self.switched = self.filament = False

    def see(self, words: Words) -> None:
        """Take note of the next words of the job."""
        if self.settled:
            return
        stop = len(words)
        if self.stated_at is None:
            stated = np.flatnonzero((words.operation == _M82) | (words.operation == _M83))
            if len(stated):
                stop, self.stated_at = int(stated[0]), words.lines_before + int(words.line[stated[0]])
            kernels.rising(words.operation, words.x, words.y, words.e, stop, self.state)
        self.switched = self.switched or bool((words.operation == _M101).any())
        self.filament = self.filament or not np.isnan(words.e).all()

    @property
    def settled(self) -> bool:
        """True when nothing that follows can change the reading."""
        return self.stated_at is not None and self.filament

    @property
    def reading(self) -> Reading:
        """What everything seen so far speaks for."""
        rose, pairs = self.state[:2].tolist()
        flow = float(ASSUMED_FLOW) if self.switched and not self.filament else 0.0
        return Reading(lengths=pairs > 0 and rose < RISING_SHARE * pairs, flow=flow)

    def say(self, notes: list[str], assumed: set[str]) -> None:
        """Add what was inferred."""
        rose, pairs = (int(v) for v in self.state[:2])
        if pairs:
            until = "anywhere" if self.stated_at is None else f"before line {self.stated_at}"
            notes.append(
                f"the job does not say {until} whether extruder words are lengths or positions: taken as "
                f"{'lengths' if self.reading.lengths else 'positions'}, for {rose} of {pairs} rise from one drawn line "
                "to the next"
            )
        if self.reading.flow:
            assumed.add("flow")
            notes.append(
                "the job states no filament, only M101 (on) and M103 (off): a flow of a 0.4 x 0.2 mm line is assumed"
            )


_M82, _M83, _M101, _M204, _M207 = (operation(name) for name in ("M82", "M83", "M101", "M204", "M207"))


def interpret(
    words: Words,
    *,
    chord_error_mm: float = 0.01,
    retract_length: float | None = None,
    retract_speed: float | None = None,
) -> Interpreted:
    """Carry out the words of a whole job.

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
    0 with a NaN start; an axis first stated after some moves is taken to have stood there all along. Where extruder words
    are positions, each tool goes on from its own or from the last one's, whichever its first word is nearer to.
    """
    scout = Scout()
    scout.see(words)
    interpreter = Interpreter(
        scout.reading, chord_error_mm=chord_error_mm, retract_length=retract_length, retract_speed=retract_speed
    )
    interpreter.feed(words)
    return interpreter.finish(scout)


class Interpreter:
    """Carries out the words of a job piece by piece; see `interpret` for its parameters."""

    def __init__(
        self,
        reading: Reading,
        *,
        chord_error_mm: float = 0.01,
        retract_length: float | None = None,
        retract_speed: float | None = None,
    ) -> None:
        self.reading = reading
        self.trouble = Trouble()
        self._chord_error = chord_error_mm
        self._own = np.array([np.nan if v is None else v for v in (retract_length, retract_speed)])
        self._si, self._sf = _initial(reading, retract_length, retract_speed)
        self._start, self._late = np.full(3, np.nan), np.zeros(3, np.int64)
        self._filament = np.full(kernels.MOST_TOOLS, np.nan)
        self._tally = np.zeros(kernels.TALLIES, np.int64)
        self._counts = np.zeros(len(kernels.TROUBLES), np.int64)
        self._first_lines = np.zeros((len(kernels.TROUBLES), 10), np.int32)
        self._columns: _Arrays = [np.empty(0, kind) for kind in _KINDS]
        self._moves = 0
        self._ahead = Ahead()
        self._paced = False
        """Has the job spoken of acceleration? Until then that column, untouched memory of the whole job, stays empty."""
        self._events: list[_Arrays] = []
        self._limits = LimitsTable()
        self._retracts_told = self._feed_first = False
        self._moving = False

    def feed(self, words: Words, done: float = 1.0) -> None:
        """Carry out the next words; `done` is the share of the job that is read with them, for the room it will need."""
        commands = _commands(words)
        plain = len(words) - len(commands)
        if not self._paced and bool((words.operation[commands] == _M204).any()):
            self._paced = True
            self._columns[_ACCEL] = np.full(len(self._columns[0]), np.nan)
        events: _Arrays = [np.empty(2 * len(commands) + 16, kind) for kind in (np.uint8, np.int64, np.int32, np.float64)]
        self._make_room(plain + 16, done)
        self._ahead.of([column for k, column in enumerate(self._columns) if len(column) and k not in _SELDOM], self._moves)
        row = count = 0
        while True:
            given: _Arrays = [
                words.operation, words.x, words.y, words.z, words.e, words.f, words.bare, words.side, words.extra,
                words.line, words.lines_before, words.bytes_all, words.bytes_code, words.flags,
                self.reading.flow, self._chord_error, self._own, *self._columns, *events,
                self._start, self._late, self._filament, self._tally, self._counts, self._first_lines,
                row, self._moves, count, self._si, self._sf,
            ]  # fmt: skip
            row, self._moves, count = kernels.interpret(*given)
            if row == len(words):
                break
            self._make_room(kernels.MOST_PIECES, done)
        self._events.append(self._public([column[:count] for column in events], words))
        self._note(words, commands)

    def finish(self, scout: Scout) -> Interpreted:
        """Return the whole job, notes of the scout included."""
        notes: list[str] = []
        assumed: set[str] = set()
        scout.say(notes, assumed)
        self._say(notes, assumed)
        moves = Moves(self._start, *(column[: self._moves] for column in self._columns))
        for axis, begin, late in zip((moves.x, moves.y, moves.z), self._start, self._late, strict=True):
            axis[:late] = begin
        kind, before, line, value = (np.concatenate(parts) for parts in zip(*self._events, strict=True))
        told = kind < kernels.LIMITS_MM
        mine = before[~told]
        return Interpreted(
            moves=moves,
            events=Events(kind=kind[told], before=before[told], line=line[told], value=value[told]),
            trouble=_with(self.trouble, self._counts, self._first_lines),
            notes=notes,
            assumed=frozenset(assumed),
            counts=Counts(*(int(t) for t in self._tally[: kernels.RESTARTS + 1])),
            limits=self._limits.finish(notes),
            by_board=BoardMoves(mine, value[~told] > 0, np.abs(moves.e[mine])),
        )

    def _make_room(self, more: int, done: float) -> None:
        """Make room for so many moves at least, and for the rest of the job if it goes on like this."""
        if self._moves + more <= len(self._columns[0]):
            return
        room = int((self._moves + more) / min(max(done, 1e-3), 1.0) * 1.02) + 1024
        for k, column in enumerate(self._columns):
            if k == _ACCEL and not self._paced:
                continue
            if k in _SELDOM:
                bigger = np.zeros(room, column.dtype)
                seldom = np.flatnonzero(column[: self._moves])
                bigger[seldom] = column[seldom]
            else:
                bigger = np.empty(room, column.dtype)
                bigger[: self._moves] = column[: self._moves]
            self._columns[k] = bigger
        self._ahead.anew()

    def _public(self, events: _Arrays, words: Words) -> _Arrays:
        """Return events without those that tell of limits, which are taken note of."""
        kind, before, _, value = events
        limits = (kind == kernels.LIMITS_MM) | (kind == kernels.LIMITS_INCH)
        for k in np.flatnonzero(limits).tolist():
            inch = kind[k] == kernels.LIMITS_INCH
            self._limits.add(words, int(value[k]), int(before[k]), 25.4 if inch else 1.0)
        return [column[~limits] for column in events]

    def _note(self, words: Words, commands: Ints) -> None:
        """Take note of trouble, of commands that nothing here knows, and of what is never stated."""
        merge(self.trouble, words.trouble)
        if len(commands):
            codes, which = np.unique(words.operation[commands], return_inverse=True)
            self._retracts_told = self._retracts_told or _M207 in codes
            for k, code in enumerate(codes.tolist()):
                if code not in QUIET and operation("G0") <= code < operation("T0"):
                    mine = commands[which == k]
                    reason = f"unknown command {name_of(code)}"
                    lines = (words.line[mine[:10]] + words.lines_before).tolist()
                    merge(self.trouble, Trouble({reason: len(mine)}, {reason: lines}))
        if not self._moving:
            moving = words.moves_head
            self._moving = bool(moving.any())
            stop = int(np.argmax(moving)) + 1 if self._moving else len(words)
            self._feed_first = self._feed_first or bool((words.f[:stop] > 0).any())

    def _say(self, notes: list[str], assumed: set[str]) -> None:
        """Add to the notes what was assumed or may be otherwise."""
        tally = self._tally
        if tally[kernels.RETRACTS] and np.isnan(self._own[0]) and not self._retracts_told:
            assumed.add("retract")
            notes.append(
                f"the printer itself sets how far G10 pulls back; {ASSUMED_RETRACT_MM:g} mm is assumed "
                f"for {tally[kernels.RETRACTS]} retractions"
            )
        if tally[kernels.OWN_FILAMENT]:
            notes.append(
                "each tool counts its filament for itself: after "
                f"{tally[kernels.OWN_FILAMENT]} tool changes the extruder words go on from where that tool stood"
            )
        if tally[kernels.MAYBES]:
            notes.append(f"{tally[kernels.MAYBES]} moves stand in conditional blocks; each is taken as carried out once")
        if tally[kernels.HOMED_LATE]:
            notes.append(
                f"the head is homed {tally[kernels.HOMED_LATE]} times after the first move; its way there is not known"
            )
        if self._moving and not self._feed_first:
            assumed.add("feed")
            notes.append(f"the first moves state no feed: {FIRST_FEED:g} mm/s is assumed until one is stated")


_Arrays = list[Any]
"""Arrays of several types, in the order of a kernel's arguments."""
_KINDS = (*(np.float64,) * 4, np.float32, np.float64, np.int32, np.int32, np.int32, np.int32, np.int16, np.bool_)
"""Types of the columns of moves."""
_ACCEL = 5
_SELDOM = (10, 11)
"""Tool and arc: zeros in most jobs, and zeros that nobody writes take no memory."""


def with_retraction(moves: Moves, by_board: BoardMoves, length: float, speed: float) -> Moves:
    """Return the moves with another length in mm and speed in mm/s of G10 and G11; nothing is read again."""
    if not len(by_board.move):
        return moves
    e, feed = moves.e.copy(), moves.feed.copy()
    e[by_board.move] = np.where(by_board.restart, length, -length)
    feed[by_board.move] = speed
    return replace(moves, e=e, feed=feed)


def merge(into: Trouble, more: Trouble) -> None:
    """Add trouble of later lines."""
    for reason, count in more.counts.items():
        into.counts[reason] = into.counts.get(reason, 0) + count
        lines = into.first_lines.setdefault(reason, [])
        lines += more.first_lines.get(reason, [])[: 10 - len(lines)]


def _commands(words: Words) -> Ints:
    """Return the rows that are no plain motion; a row of them makes two events at most."""
    # As unsigned numbers, whatever comes before G0 lies far above G3.
    beyond = (words.operation - np.int32(operation("G0"))).view(np.uint32)
    return np.flatnonzero(beyond > operation("G3") - operation("G0"))


def _initial(reading: Reading, length: float | None, speed: float | None) -> tuple[Ints, Floats]:
    """Return the state before the first row, integers and floats, in the order of the kernel."""
    si, sf = np.zeros(kernels.INTEGERS, np.int64), np.zeros(kernels.REALS)
    si[kernels.LENGTHS], si[kernels.PLANE], si[kernels.MODE] = reading.lengths, 17, -1
    sf[kernels.FEED] = FIRST_FEED
    sf[[kernels.SCALE, kernels.SPEED_FACTOR, kernels.FLOW_FACTOR, kernels.SAVED_SPEED]] = 1.0
    sf[[kernels.A_PRINT, kernels.A_TRAVEL, kernels.A_RETRACT]] = np.nan
    sf[kernels.BACK_MM] = ASSUMED_RETRACT_MM if length is None else length
    sf[kernels.BACK_SPEED] = ASSUMED_RETRACT_SPEED if speed is None else speed
    return si, sf


def _with(trouble: Trouble, counts: Ints, first_lines: Int32s) -> Trouble:
    """Return trouble joined by what the kernel counted."""
    joined = Trouble(dict(trouble.counts), dict(trouble.first_lines))
    for k, reason in enumerate(kernels.TROUBLES):
        if counts[k]:
            joined.counts[reason] = int(counts[k])
            joined.first_lines[reason] = first_lines[k, : counts[k]].tolist()
    return joined
