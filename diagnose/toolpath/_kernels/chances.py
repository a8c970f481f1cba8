"""Kernels of the stage `chances`: what a save or a random stall at any moment of the job would do."""

from __future__ import annotations

import math

from diagnose.toolpath._kernels import kernel
from diagnose.toolpath.columns import Bools, Floats, Int32s, Ints, Singles


@kernel
def lost(x: float) -> float:
    """Return 1 - e^-x, to 1e-9 of itself, quickly where x is small."""
    if x < 0.02:
        return x * (1.0 - x * (0.5 - x * (1.0 / 6.0 - x / 24.0)))
    return 1.0 - math.exp(-x)


@kernel
def outlasted(per_s: float, mean: float, low: float, spent: float) -> float:
    """Return how many stalls begun within `spent` s, in which the reserve falls to `low` s, outlast what is left of it.

    The integral over that time of per_s e^-(reserve / mean).
    """
    return per_s * mean * math.exp(-low / mean) * lost(spent / mean) if per_s > 0.0 and low < 40.0 * mean else 0.0


@kernel
def bared(takes: float, low: float, spent: float) -> float:
    """Return for how many of those s a save of `takes` s begun then would outlast what is left."""
    return min(spent, max(0.0, takes - low))


@kernel
def full_queue(
    busy: Floats, at: Ints, queue: int, per_s: float, mean: float, takes: float, stops: Floats, bare: Floats
) -> None:
    """Fill stops and bare, (k,) before moves `at`, for a queue of `queue` moves that is full; busy (n + 1,) s up to each move."""
    for k in range(len(at)):
        until = busy[at[k] - queue + 1]
        spent, low = until - busy[at[k] - queue], busy[at[k]] - until
        stops[k], bare[k] = outlasted(per_s, mean, low, spent), bared(takes, low, spent)


@kernel
def stalls(
    length: Singles, arrive: Floats, start: Floats, depart: Floats, held: Int32s, reserve: Floats, short: Bools, settled: Bools,
    saving: Bools,
    by_host: bool, per_s: float, mean: float, takes: float, supply: Floats, lines: Int32s, per_line: float,
    resent: float, window: int,
    stops: Singles, bare: Singles, tried: Singles, sums: Floats,
) -> None:  # fmt: skip
    """Add to stops, bare and tried (n,): by the move before which the head would stand.

    `stops` expected stops by random stalls, `per_s` a second with exponential lengths of `mean` s, and by resends,
    `per_line` a line and `resent` lines each; `bare` seconds of the run in which a save of `takes` s would stop the head
    there, out of `tried`, where the board is `saving` (n,), empty for all along. Any of the three may be empty. `sums` (5,)
    takes path and time in all, then where a stall of `mean` s would empty the queue, and the time in which the board saves.
    `reserve` (n,) s at the start of each move; within a board's move it falls with the time, while the host streams on.
    """
    n = len(start)
    path = time = short_path = short_time = saved = 0.0
    for i in range(n):
        at = min(held[i], n - 1)
        spent = depart[i] - start[i]
        path += length[i]
        time += spent
        saves = len(tried) > 0 and (len(saving) == 0 or saving[i])
        if saves:
            saved += spent
            if settled[i] or not short[i]:
                tried[at] += spent
        if not short[i]:
            continue
        full = reserve[i]
        if full < mean:
            short_path += length[i]
            short_time += spent
        low = full if by_host else max(0.0, full - spent)
        if saves and settled[i] and takes > low:
            bare[at] += spent if by_host else bared(takes, low, spent)
        if per_s > 0.0:
            if not by_host:
                stops[at] += outlasted(per_s, mean, low, full - low)
            elif low < 40.0 * mean:
                stops[at] += per_s * spent * math.exp(-full / mean)
    sums[0], sums[1], sums[2], sums[3], sums[4] = path, time, short_path, short_time, saved
    if not per_line > 0.0:
        return
    m = 0
    for k in range(1, n):
        if lines[k] == 0:
            continue
        due = arrive[k - 1]
        while m < n - 1 and depart[m] <= due:
            m += 1
        if start[m] > due or not short[m]:
            continue
        # The line was asked for when the one a window before it was answered, or had been read.
        late = arrive[max(0, k - window)] + supply[k] * (1.0 + resent / lines[k]) - due
        if late > reserve[m] - (due - start[m]):
            stops[k] += per_line * lines[k]
