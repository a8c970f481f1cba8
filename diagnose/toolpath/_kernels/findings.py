"""Kernels of the findings: what one pass over millions of moves can tell without a copy of their columns."""

from __future__ import annotations

from diagnose.toolpath._kernels import kernel
from diagnose.toolpath.columns import Bools, Bytes, Floats, Int32s, Ints, Shorts, Singles

LEAST_DIVISOR = 1e-6


@kernel
def between(
    values: Floats, over: Floats, weight: Floats, chosen: Bools, low: float, high: float,
    kept: Floats, kept_weight: Floats,
) -> tuple[float, float, float, int]:  # fmt: skip
    """Return the weight of values below `low`, of those from there to `high`, and of all; and how many lie between.

    Values (n,), divided by `over` (n,) unless that is empty, of the `chosen` moves (n,), of all where that is empty. `kept`
    takes what lies between, with its weights, or as many of them at random as it has room for (reservoir sampling; Vitter
    1985, from memory).
    """
    below = there = total = 0.0
    found = 0
    random = 1  # minimal standard generator; Park & Miller 1988, from memory
    for i in range(len(values)):
        if len(chosen) and not chosen[i]:
            continue
        v = values[i] / max(over[i], LEAST_DIVISOR) if len(over) else values[i]
        total += weight[i]
        if v < low:
            below += weight[i]
        elif v <= high:
            there += weight[i]
            at = found
            found += 1
            if at >= len(kept):
                random = random * 48271 % 2147483647
                at = random % found
            if at < len(kept):
                kept[at], kept_weight[at] = v, weight[i]
    return below, there, total, found


@kernel
def beyond(
    values: Floats, over: Floats, weight: Floats, chosen: Bools, limit: float, upward: bool, first: Ints
) -> tuple[float, float, int]:
    """Return the weight of chosen moves with a value of `limit` or beyond it, that of all chosen, and how many there are.

    Values as in `between`; beyond is greater where `upward`, else smaller. `first` takes the first such moves.
    """
    there = total = 0.0
    found = 0
    for i in range(len(values)):
        if len(chosen) and not chosen[i]:
            continue
        v = values[i] / max(over[i], LEAST_DIVISOR) if len(over) else values[i]
        total += weight[i]
        if (v >= limit) if upward else (v <= limit):
            there += weight[i]
            if found < len(first):
                first[found] = i
            found += 1
    return there, total, found


@kernel
def busiest(
    seconds: Floats, length: Floats, filament: Floats, feed: Singles, slowest: float, begin: int, end: int, width: float,
    size: Int32s, lines: Int32s, byte_s: float, line_s: float, reply_s: float, window: int, found: Floats,
) -> float:  # fmt: skip
    """Cut the time of moves begin..end into windows of `width` s, keep the busiest (the first of equals); return s in all.

    Times are `seconds` (n,), or where that is empty those at the speeds asked for. `found` (5,) takes, of the moves that
    end in that window: how many, their s, the first of them (-1 for no window); and unless `size` is empty the s that their
    supply takes (by bytes, lines and replies; with more than one line under way the slowest of the three sets the pace)
    and their bytes. The busiest has most moves; where `size` is given, most supply for its time, of windows half full.
    """
    clock = total = 0.0
    most, here, first = -1.0, -1, begin
    spent = supplied = carried = 0.0
    found[2] = -1.0
    for i in range(begin, end + 1):
        takes = 0.0
        k = -1  # behind the last move: it closes the last window
        if i < end:
            if len(seconds):
                takes = seconds[i]
            else:
                path = length[i] if length[i] > 0.0 else abs(filament[i])
                takes = path / (feed[i] if feed[i] > slowest else slowest)
            clock += takes
            k = int(clock / width)
        if k != here:
            busy = float(i - first)
            if len(size):
                busy = supplied / spent if spent > 0.5 * width else -1.0
            if busy > most and here >= 0:
                most = busy
                found[0], found[1], found[2], found[3], found[4] = i - first, spent, first, supplied, carried
            total += spent
            here, first = k, i
            spent = supplied = carried = 0.0
        spent += takes
        if i < end and len(size):
            by_bytes, by_lines, by_replies = size[i] * byte_s, lines[i] * line_s, lines[i] * reply_s
            whole = by_replies + (by_bytes + by_lines)
            if window > 1:
                whole = max(max(by_bytes, by_lines), whole / window)
            supplied += whole
            carried += size[i]
    return total


@kernel
def starts(role: Bytes, wanted: int, amount: Floats, begin: int, end: int, first: Ints, sums: Floats) -> int:
    """Return how many runs of moves of a role lie in begin..end; where there is room, their first moves, and the sum of
    `amount` over each."""
    count = 0
    inside = False
    for i in range(begin, end):
        if role[i] != wanted:
            inside = False
            continue
        if not inside:
            inside = True
            count += 1
            if count <= len(first):
                first[count - 1], sums[count - 1] = i, 0.0
        if count <= len(first):
            sums[count - 1] += amount[i]
    return count


@kernel
def pushed_at(filament: Floats, tool: Shorts, mine: int, places: Ints, pushed: Floats, back: Bools) -> None:
    """Fill, for each of the ascending places (k,), the most filament of the tool `mine` that was pushed by then, mm, and
    whether filament was pulled back since any was last pushed; what the place itself does counts in both."""
    total = most = 0.0
    pulled = False
    j = 0
    for i in range(len(filament)):
        if j == len(places):
            return
        if filament[i] != 0.0:
            pulled = filament[i] < 0.0
            if tool[i] == mine:
                total += filament[i]
                most = max(most, total)
        while j < len(places) and places[j] == i:
            pushed[j], back[j] = most, pulled
            j += 1
