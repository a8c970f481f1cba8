"""What cannot be foretold to the second: random stalls, resends, and where in the job the saves fall.

A stop needs a stall longer than the reserve of that moment. Within a move of a board's full queue the reserve falls from R
at its start to R - d at its end, d its time, because the next block comes only then. So

- random stalls, lambda a second, with exponential lengths of mean m, stop the head lambda m (e^-((R - d)/m) - e^-(R/m))
  times in the move, on average: the integral of e^-(r/m) over its time. Stops are then a thinned Poisson process, and their
  number in the job is Poisson too (Kingman, Poisson Processes, 1993; from memory);
- a save of length W stops the head for all times of its beginning at which W > R - s, which is a share of the move.

When the first save falls due depends on when the printer was switched on or the job was started, and planned times drift from
true ones; so the list of predicted stops is one case of many, and the shares here are over all of them.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from diagnose.toolpath._kernels import chances as _kernels
from diagnose.toolpath.columns import Bools, Floats, Int32s, Ints, Singles
from diagnose.toolpath.machine import Machine

SURE = 0.9
"""Chance that the number of visible stops lies within the interval stated; half of the rest on either side."""


@dataclass(frozen=True, slots=True)
class Risk:
    """What random stalls and resends would do; never counted among the stops."""

    stall_ms: float
    """Mean length of a random stall."""
    per_min: float
    share_of_path: float
    share_of_time: float
    """Share of path and of time on which a stall of the mean length would empty the queue."""
    expected_stops: float
    """Mean number of visible stops in the job, over all lengths and times of stalls and resends."""
    low: int
    high: int
    """The number of stops lies within with a chance of at least SURE."""
    per_move: Singles
    """(n,) mean number of stops right before each move; empty when the card states neither stalls nor resends. The chance of
    one is 1 - e^-mean."""

    @property
    def any(self) -> float:
        """Chance that the job shows one such stop at least."""
        return -math.expm1(-self.expected_stops)


@dataclass(frozen=True, slots=True)
class SavesAnywhere:
    """Saves of the checkpoint whose times are not known. Arrays (n,), empty when none are saved."""

    stops: Singles
    """s of the run in which a save begun would stop the head right before the move."""
    tried: Singles
    """Out of so many s; 0 before moves that are never the next to arrive, and while the queue refills after a save."""
    expected: float
    """Mean number of saves in the job."""

    @property
    def share(self) -> float:
        """Share of all saves that would stop the head, whenever the first one falls; 0 when none are saved."""
        tried = float(self.tried.sum(dtype=np.float64))
        return float(self.stops.sum(dtype=np.float64)) / tried if tried > 0 else 0.0


@dataclass(frozen=True, slots=True)
class Heights:
    """The same by layer (or turn of a spiral). All (layers,)."""

    time_s: Floats
    """s spent in the layer, stops and waits included."""
    saves: Floats
    """Mean number of saves begun there."""
    save_share: Floats
    """Share of them that would stop the head, whatever the phase of the first; NaN where none can be begun."""
    random_stops: Floats
    """Mean number of stops by random stalls and resends."""


def find_chances(
    machine: Machine, length: Singles, arrive: Floats, start: Floats, depart: Floats, held: Int32s, reserve_s: Floats,
    short: Bools, settled: Bools, saving: Bools, supply_s: Floats, lines: Int32s, room: Singles,
) -> tuple[Risk, SavesAnywhere]:  # fmt: skip
    """Integrate over all moments of a run; the columns as in Supply, (n,); `supply_s` may be empty where nothing is
    resent, `saving` where the job never switches it; `room` (2n,) is written over.

    Where all moves before the next wait or the end are queued already (not `short`), nothing can stop the head. The supply is
    taken to bring each block as soon as its slot is free, so near the full load of the link the risk is underrated.
    """
    n = len(start)
    per_s, mean = machine.hiccups_per_min / 60.0, float(machine.hiccup_takes)
    stalls = per_s if mean > 0 else 0.0
    per_line = machine.resends_per_1000 / 1000.0 if resends(machine) else 0.0
    saves_at_all = machine.checkpoint_every > 0
    none, sums = np.empty(0, np.float32), np.zeros(5)
    stops = np.zeros(n, np.float32) if stalls or per_line else none
    bare, tried = (room[:n], room[n:]) if saves_at_all else (none, none)
    bare[:] = tried[:] = 0.0
    if len(stops) or saves_at_all:
        _kernels.stalls(
            length, arrive, start, depart, held, reserve_s, short, settled, saving, machine.planning == "host",
            float(stalls), mean, float(machine.checkpoint_takes), supply_s, lines, float(per_line),
            float(machine.resend_lines), int(machine.window_lines), stops, bare, tried, sums,
        )  # fmt: skip
    saves = float(sums[4]) / machine.checkpoint_every if saves_at_all else 0.0
    expected = float(stops.sum(dtype=np.float64))
    path, time = (float(sums[2 + k] / sums[k]) if stalls and sums[k] > 0 else 0.0 for k in (0, 1))
    risk = Risk(1000 * mean, machine.hiccups_per_min, path, time, expected, *poisson_interval(expected), stops)
    return risk, SavesAnywhere(bare, tried, saves)


def in_full_queue(machine: Machine, busy: Floats, at: Ints) -> tuple[Floats, Floats]:
    """Return (k,) stops by random stalls and s of saves that stop the head right before moves `at`, were the queue full then.

    As in Risk and SavesAnywhere, but of no case in particular: in a run the queue also refills after its own saves. `busy`
    (n + 1,) s spent moving up to each move; `at` are no earlier than the queue is long.
    """
    stops, bare = np.empty((2, len(at)))
    mean = float(machine.hiccup_takes)
    per_s = machine.hiccups_per_min / 60.0 if mean > 0 else 0.0
    _kernels.full_queue(busy, at, machine.queue_moves, per_s, mean, float(machine.checkpoint_takes), stops, bare)
    return stops, bare


def resends(machine: Machine) -> bool:
    """Return whether lines spoiled on a cable are sent again."""
    cable = machine.feed == "cable" and machine.planning == "board"
    return cable and machine.resends_per_1000 > 0 and machine.resend_lines > 0


def by_height(layer: Int32s, layers: int, depart: Floats, risk: Risk, saves: SavesAnywhere) -> Heights:
    """Gather moves by their layer (n,), from 0; a negative layer is left out."""
    inside = layer >= 0
    where = slice(None) if inside.all() else inside
    at = layer[where]

    def gather(values: Floats | Singles) -> Floats:
        if not len(values):
            return np.zeros(layers)
        return np.bincount(at, values[where], layers)[:layers].astype(np.float64)

    time = gather(np.diff(depart, prepend=0.0))
    with np.errstate(invalid="ignore"):
        share = gather(saves.stops) / gather(saves.tried)  # NaN where nothing was tried
    tried = gather(saves.tried)
    total = tried.sum()
    # Saves begun while the queue refills are shared out like the others.
    begun = saves.expected * tried / total if total > 0 else np.zeros(layers)
    return Heights(time, begun, share, gather(risk.per_move))


def poisson_interval(mean: float, sure: float = SURE) -> tuple[int, int]:
    """Return the least low and high with P(X < low) and P(X > high) at most (1 - sure) / 2, X Poisson of this mean."""
    if not mean > 0:
        return 0, 0
    reach = 10 * math.sqrt(mean) + 20
    first = max(0, int(mean - reach))
    k = np.arange(first, int(mean + reach) + 1)
    log = k * math.log(mean) - mean - np.array([math.lgamma(v + 1.0) for v in k.tolist()])
    below = np.cumsum(np.exp(log))
    tail = (1 - sure) / 2
    return first + int(np.searchsorted(below, tail, "right")), first + int(np.searchsorted(below, 1 - tail))
