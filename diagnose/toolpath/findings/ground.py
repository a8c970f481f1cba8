"""Columns that several findings read, computed once and kept only while findings are made."""

from __future__ import annotations

from collections.abc import Callable
from copy import copy
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np

from diagnose.toolpath.columns import Bools, Floats, Int32s, Ints, Moves, Role
from diagnose.toolpath.machine import Machine
from diagnose.toolpath.sums import SLOWEST

if TYPE_CHECKING:
    from diagnose.toolpath.jobfile import JobFile
    from diagnose.toolpath.run import Run



class Ground:
    """What findings are computed from: a job file, and the run of a machine over it where a card was given."""

    def __init__(self, file: JobFile, run: Run | None = None) -> None:
        self.file = file
        self._run = run

    def preparations(self) -> tuple[Callable[[], object], ...]:
        """Return what works out the columns that most findings read, before several of them ask at the same time."""
        return (lambda: self.file.sums), (lambda: (self.outer, self._run and self.settled))

    def on(self, run: Run) -> Ground:
        """Return the same ground with a run; columns worked out so far are shared."""
        ground = copy(self)
        ground._run = run
        return ground

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
    def body(self) -> slice:
        """From the first drawing move to the last."""
        sums = self.file.sums
        return slice(sums.first, sums.last + 1) if sums.last >= 0 else slice(0, 0)

    @cached_property
    def settled(self) -> Bools:
        """(n,) draws while the queue is settled; all false where that is nowhere."""
        chosen: Bools = self.run.settled & self.draws
        return chosen

    def runs_of(self, role: Role, amount: Floats) -> tuple[Ints, Floats]:
        """Return the first move of each run of moves of a role within the body, and the sum of an amount over each."""
        from diagnose.toolpath._kernels import findings as kernels

        body = self.body
        of = (self.file.shape.role, int(role), amount, body.start, body.stop)
        first, sums = np.empty(0, np.int64), np.empty(0)
        count = kernels.starts(*of, first, sums)
        first, sums = np.empty(count, np.int64), np.empty(count)
        kernels.starts(*of, first, sums)
        return first, sums

    @cached_property
    def retractions(self) -> tuple[Ints, Floats]:
        """First move of each retraction within the body, and how far it pulls back, mm. A wipe pulls back over several
        moves: one retraction."""
        first, pulled = self.runs_of(Role.RETRACT, self.moves.e)
        return first, -pulled

    @cached_property
    def travels(self) -> tuple[Ints, Floats]:
        """First move of each travel within the body, and its length, mm."""
        return self.runs_of(Role.TRAVEL, self.length)

    def busiest(self, width: float, *, planned: bool) -> tuple[Floats, float]:
        """Cut the body's time into windows of so many s, at the speeds planned or asked for; return the busiest, and s in all.

        Of the moves that end in it (5,): how many, their s, the first of them (-1 where there is no such window), and for
        planned speeds the s that their supply takes and the bytes that it reads. The busiest then has most supply for its
        time, else most moves.
        """
        from diagnose.toolpath._kernels import findings as kernels
        from diagnose.toolpath.starvation import reply_seconds, windowed

        moves, body = self.moves, self.body
        if planned:
            machine = self.run.machine
            size = moves.bytes_all if machine.feed == "card" else moves.bytes_code
            way = (
                size, moves.lines_code, 1.0 / machine.bytes_per_s, float(machine.line_time), float(reply_seconds(machine)),
                int(machine.window_lines) if windowed(machine) else 1,
            )  # fmt: skip
        else:
            way = np.empty(0, np.int32), moves.lines_code, 0.0, 0.0, 0.0, 1
        found = np.empty(5)
        total = kernels.busiest(
            self.run.seconds if planned else NOTHING, self.length, moves.e, moves.feed, SLOWEST, body.start, body.stop,
            float(width), *way, found,
        )  # fmt: skip
        return found, total

    def pushed_at(self, places: Ints, tool: int = 0) -> tuple[Floats, Bools]:
        """Return the most filament of a tool pushed by each of these ascending moves, mm, and whether any is pulled back."""
        from diagnose.toolpath._kernels import findings as kernels

        pushed, back = np.empty(len(places)), np.empty(len(places), bool)
        kernels.pushed_at(self.moves.e, self.moves.tool, tool, places, pushed, back)
        return pushed, back

    def lines_of(self, moves: Ints, most: int = 5) -> list[int]:
        """Return up to `most` different lines of these moves, in their order."""
        return list(dict.fromkeys(self.moves.line[moves[: 20 * most]].tolist()))[:most]


EVERY: Bools = np.empty(0, bool)
NOTHING: Floats = np.empty(0)
FEW = 1 << 16
"""Values that are sorted to find a quantile; of more, a sample of as many tells first between which two it lies."""


def weighted_quantile(values: Floats, weight: Floats, share: float, chosen: Bools = EVERY, over: Floats = NOTHING) -> float:
    """Return the least value up to which a share of the weight lies; NaN without values.

    Values (n,), divided by `over` (n,) where that is given, of the `chosen` moves (n,) or of all; weights (n,). A sample tells
    between which two values to look, all are counted out, and what lies between gives the next sample: the value is exact.
    """
    from diagnose.toolpath._kernels import findings as kernels

    kept, kept_weight = np.empty(FEW), np.empty(FEW)
    # The value lies between these two, and this share of the weight between them below it.
    least, most, part = -np.inf, np.inf, share
    before = after = 0.0
    sample, sample_weight = _sample(values, weight, chosen, over)
    while True:
        low, high = _round(sample, sample_weight, part, least, most)
        below, there, total, found = kernels.between(values, over, weight, chosen, low, high, kept, kept_weight)
        sought = share * total
        if below >= sought > 0.0:
            most, after = float(np.nextafter(low, -np.inf)), below
        elif high < most and below + there < sought:
            least, before = float(np.nextafter(high, np.inf)), below + there
            after = after or total
        elif low < high and found > FEW:
            least, most, before, after = low, high, below, below + there
            sample, sample_weight = kept.copy(), kept_weight.copy()
        else:
            break
        part = (sought - before) / (after - before) if after > before else 0.5
    if not found or found > FEW:
        return low if found else float("nan")
    # numpy sorts them, for a sort takes a second to compile.
    kept, kept_weight = kept[:found], kept_weight[:found]
    order = np.argsort(kept)
    reached = np.cumsum(np.append(below, kept_weight[order]))[1:] >= sought
    return float(kept[order[np.argmax(reached)]]) if reached.any() else float(kept.max())


def _sample(values: Floats, weight: Floats, chosen: Bools, over: Floats) -> tuple[Floats, Floats]:
    """Return values at random and their weights, FEW at most; none where all are few."""
    from diagnose.toolpath._kernels import findings as kernels

    if len(values) <= FEW:
        return NOTHING, NOTHING
    at = np.sort(np.random.default_rng(0).integers(0, len(values), FEW))
    at = at[chosen[at]] if len(chosen) else at
    return values[at] / np.maximum(over[at], kernels.LEAST_DIVISOR) if len(over) else values[at], weight[at]


def _round(sample: Floats, weight: Floats, part: float, least: float, most: float) -> tuple[float, float]:
    """Return two values round the one up to which a part of the weight from `least` to `most` lies, judged by a sample."""
    inside = (sample >= least) & (sample <= most)
    sample, weight = sample[inside], weight[inside]
    if not len(sample):
        return least, most
    order = np.argsort(sample)
    reached = np.cumsum(weight[order])
    place = int(np.searchsorted(reached, part * reached[-1]))
    slack = 1 + int(2.0 * np.sqrt(len(sample)))  # four standard errors of its rank
    low, high = float(sample[order[max(place - slack, 0)]]), float(sample[order[min(place + slack, len(order) - 1)]])
    if low == least and high == most:  # a few values over and over: one is tried at a time
        low = high = float(sample[order[min(place, len(order) - 1)]])
    return low, high


def beyond(
    values: Floats, weight: Floats, limit: float, chosen: Bools = EVERY, over: Floats = NOTHING, *, upward: bool = False,
    most: int = 100,
) -> tuple[float, Ints]:  # fmt: skip
    """Return the share of the weight of values at the limit or below it, `upward` above it, and the first such moves.

    Values, weights and choice as in `weighted_quantile`.
    """
    from diagnose.toolpath._kernels import findings as kernels

    first: Ints = np.empty(most, np.int64)
    there, total, found = kernels.beyond(values, over, weight, chosen, float(limit), upward, first)
    return (there / total if total > 0 else 0.0), first[:found]
