"""The columns that the stages of the engine hand to each other: one numpy array a quantity."""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import IntEnum

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Singles = NDArray[np.float32]
Ints = NDArray[np.int64]
Int32s = NDArray[np.int32]
Bools = NDArray[np.bool_]
Bytes = NDArray[np.uint8]
Shorts = NDArray[np.int16]


class Role(IntEnum):
    """What a move does for the part, told from the motion alone."""

    TRAVEL = 0
    OUTER = 1
    INNER = 2
    SOLID = 3
    SPARSE = 4
    SUPPORT = 5
    PRIME = 6
    RETRACT = 7
    RESTART = 8
    UNKNOWN = 9


class EventKind(IntEnum):
    """What a line does that is not motion but changes or holds up the motion."""

    DWELL = 1
    """G4; value in s."""
    PAUSE = 2
    """M0, M1, M25, M226, M600, M601: waits for a person or a script."""
    WAIT_MOVES = 3
    """M400: waits until the queue has run dry."""
    HEAT_WAIT = 4
    """M109, M190, M191; value in deg C."""
    NOZZLE_TEMP = 5
    """M104, M109, G10 P S; value in deg C."""
    BED_TEMP = 6
    """M140, M190; value in deg C."""
    FAN = 7
    """M106, M107; value 0 to 1."""
    TOOL = 8
    """Tool change; value is the tool number."""
    SPEED_OVERRIDE = 9
    """M220; value as a factor."""
    FLOW_OVERRIDE = 10
    """M221; value as a factor."""
    RESUME_SAVING = 11
    """M413; value 1 when saving is switched on, 0 when off."""
    UNKNOWN_MOTION = 12
    """A macro or conditional line that may move the head in a way the file does not say."""


@dataclass(slots=True)
class Moves:
    """Every motion of a job in order, arcs already flattened. All arrays have one entry a move (n).

    A move that does not move the head but moves filament (retraction, restart) is a move too.
    """

    start: Floats
    """(3,) mm, where the head stands before the first move; NaN for an axis never stated."""
    x: Floats
    y: Floats
    z: Floats
    """(n,) mm, position at the end of the move, with G92 offsets undone so that the path is continuous."""
    e: Floats
    """(n,) mm of filament pushed by the move (negative: pulled back), flow override applied."""
    feed: Singles
    """(n,) mm/s asked for, speed override applied; seven digits, as no job states more."""
    accel: Floats
    """(n,) mm/s2 set by the job for this move (M204), NaN where it has not said yet; (0,) where it never says."""
    line: Int32s
    """(n,) line of the job file, from 1."""
    bytes_all: Int32s
    """(n,) bytes of the file from the end of the previous move's line to the end of this one's: what a card reads."""
    bytes_code: Int32s
    """(n,) the same without comments and blank lines: what a host sends."""
    lines_code: Int32s
    """(n,) how many lines that carry a command those bytes hold, this one included; 0 for the later pieces of an arc."""
    tool: Shorts
    """(n,) tool in use."""
    arc: Bools
    """(n,) true for a piece of a flattened arc."""

    def __len__(self) -> int:
        return len(self.x)


@dataclass(slots=True)
class Events:
    """What happens between moves, in order; (m,) entries."""

    kind: NDArray[np.uint8]
    """EventKind."""
    before: Ints
    """Index of the move that follows it; n when none does."""
    line: Int32s
    value: Floats


@dataclass(slots=True)
class JobLimits:
    """Limits that the job itself sets (M201, M203, M204, M205, M566), one row a change; (k,) rows, axes as x, y, z, e.

    Row j holds from move ``before[j]`` up to the next row's. Every row is the whole state: what stood before still
    stands, and NaN is what the job has not said by then. No rows: the job sets nothing. The acceleration that each move
    is given by M204 stands in ``Moves.accel`` as well. Whether a printer obeys is for its card to say.
    """

    before: Ints
    """Index of the first move for which the row holds, ascending; n when none follows."""
    line: Int32s
    """Line of the job that made the change (the last of several with no move between)."""
    axis_speed: Floats
    """(k, 4) mm/s, the most each axis may do (M203)."""
    axis_acceleration: Floats
    """(k, 4) mm/s2, the most each axis may do (M201)."""
    corner_step: Floats
    """(k, 4) mm/s, largest sudden change of speed of each axis (M205 X Y Z E, M566)."""
    corner_deviation: Floats
    """(k,) mm, of the centripetal corner rule (M205 J)."""
    lowest_speed: Floats
    """(k, 2) mm/s, the least asked of moves that print and of travels (M205 S, T)."""
    shortest: Floats
    """(k,) s, the least time of one block (M205 B)."""

    def __len__(self) -> int:
        return len(self.before)


@dataclass(slots=True)
class Trouble:
    """Lines that were not understood, by reason."""

    counts: dict[str, int] = field(default_factory=dict)
    first_lines: dict[str, list[int]] = field(default_factory=dict)
    """At most ten lines a reason."""
