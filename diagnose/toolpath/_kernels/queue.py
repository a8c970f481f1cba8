"""Kernels of the stage `queue`: supply and motion coupled through a bounded queue, and the reserve it holds."""

from __future__ import annotations

import math

import numpy as np

from diagnose.toolpath._kernels import kernel
from diagnose.toolpath.columns import Floats, Int32s, Ints

FRESH_SUM = 1e6  # as in the stage `speeds`: a cached kernel may call kernels of its own file only


@kernel
def duration(path: float, a: float, v: float, u0: float, u1: float) -> float:
    """Time (s) of a block by closed form; the twin of the one in the stage `speeds`."""
    s0, s1 = math.sqrt(u0), math.sqrt(u1)
    peak = 0.5 * (u0 + u1) + a * path
    if peak > v * v:
        return (v - s0) / a + (v - s1) / a + (path - (2.0 * v * v - u0 - u1) / (2.0 * a)) / v
    return (2.0 * math.sqrt(peak) - s0 - s1) / a


@kernel
def stand_by(
    t: float,
    until: float,
    due: float,
    every: float,
    takes: float,
    block: int,
    log_t: Floats,
    log_block: Ints,
    count: int,
) -> tuple[float, float, int]:
    """Let the board poll at t, and on to `until`: a checkpoint that is due or falls due meanwhile is saved at once.

    Returns when the board is free, when the next save is due, and how many there were; the log keeps what it has room for.
    """
    while t >= due or due < until:
        t = max(t, due)
        if count < len(log_t):
            log_t[count], log_block[count] = t, block
        count += 1
        due = t + every
        t += takes
        if t >= until:
            return t, due, count
    return until, due, count


@kernel
def run(
    length: Floats, cap: Floats, accel: Floats, entry: Floats, size: Int32s, lines: Int32s, waits: Ints,
    from_card: bool, byte_time: float, line_time: float, reply_time: float, window: int, slots: int, seen: int,
    places: Ints, wait_for: Floats, saving: Ints, first_due: float, every: float, takes: float,
    u: Floats, arrive: Floats, start: Floats, depart: Floats, held: Int32s, log_t: Floats, log_block: Ints,
) -> int:  # fmt: skip
    """Fill u (n + 1,), arrive, start, depart (n,) and held (n,): blocks up to held[i] - 1 had arrived at start[i].

    Returns the number of checkpoints saved; the log holds when each was begun and the block that had to wait for it, as
    many as fit. `places` (m,) are the moves that events precede; `wait_for` their seconds of waiting, negative where they
    do not wait; `saving` 1 on, 0 off, -1 neither.
    """
    n = len(length)
    count = 0
    due = first_due
    ring = 1
    while ring < min(seen, n) + 1:
        ring *= 2
    mask = ring - 1
    value = np.empty(ring)
    place = np.empty(ring, np.int64)
    front = back = end = fresh = 0
    lead = trail = 0.0
    now = before = 0.0
    u[0] = 0.0

    k = 0  # the next block to arrive
    t = sent = 0.0  # when the board is free again, when the last line was through the cable
    event = wait = 0
    for i in range(n):
        starts_anew = i == 0
        while wait < len(waits) and waits[wait] <= i:
            starts_anew = True
            wait += 1
        bound = min(n, i + slots)
        if wait < len(waits):
            bound = min(bound, waits[wait])
        # From rest by command the board lets the queue fill before it moves; otherwise it moves as soon as it can.
        need = bound if starts_anew else i + 1
        begin = max(before, arrive[i]) if k > i else before
        while k < bound and (k < need or arrive[k - 1] <= begin):
            while event < len(places) and places[event] <= k:
                if wait_for[event] >= 0.0:
                    # First the queue runs dry, then the waiting itself begins.
                    if t < before:
                        t, due, count = stand_by(t, before, due, every, takes, k, log_t, log_block, count)
                    if wait_for[event] > 0.0:
                        until = t + wait_for[event]
                        t, due, count = stand_by(t, until, due, every, takes, k, log_t, log_block, count)
                if saving[event] == 0:
                    due = np.inf
                elif saving[event] == 1 and every > 0.0 and due == np.inf:
                    due = t + every
                event += 1
            if t >= due:
                t, due, count = stand_by(t, t, due, every, takes, k, log_t, log_block, count)
            if from_card:
                t += size[k] * byte_time
            elif lines[k] > 0:
                if k >= window:
                    sent = max(sent, arrive[k - window] + reply_time * (lines[k] if window == 1 else 1))
                sent += size[k] * byte_time
                if t < sent:
                    if due >= sent:
                        t = sent
                    else:
                        t, due, count = stand_by(t, sent, due, every, takes, k, log_t, log_block, count)
            t += lines[k] * line_time
            if k >= slots:
                until = depart[k - slots]
                if t < until:
                    if due >= until:
                        t = until
                    else:
                        t, due, count = stand_by(t, until, due, every, takes, k, log_t, log_block, count)
            arrive[k] = t
            if k < need:
                begin = max(begin, t)
            k += 1
        there = k if arrive[k - 1] <= begin else k - 1
        held[i] = there
        start[i] = begin

        # The exit speed uses only what has arrived: the sliding window of the stage `speeds`, its front held back.
        there = min(there, i + seen)
        while end < there:
            if end > i:
                corner = entry[end] + lead
                while back > front and value[(back - 1) & mask] >= corner:
                    back -= 1
                value[back & mask] = corner
                place[back & mask] = end
                back += 1
            lead += 2.0 * accel[end] * length[end]
            end += 1
        gain = 2.0 * accel[i] * length[i]
        trail += gain
        while back > front and place[front & mask] <= i:
            front += 1
        after = 0.0
        if end > i + 1:
            after = max(0.0, min(now + gain, lead - trail, value[front & mask] - trail, entry[i + 1]))
        before = begin + duration(length[i], accel[i], cap[i], now, after)
        depart[i] = before
        u[i + 1] = after
        now = after
        if trail > FRESH_SUM and i - fresh >= end - i:
            for q in range(front, back):
                value[q & mask] -= trail
            lead -= trail
            trail = 0.0
            fresh = i
    return count


@kernel
def braking(length: Floats, accel: Floats, first: int, last: int, u: float) -> float:
    """Seconds to brake from the squared speed u at the start of block `first` to rest at the end of block `last - 1`."""
    seconds = 0.0
    for k in range(first, last):
        rest = max(0.0, u - 2.0 * accel[k] * length[k]) if k < last - 1 else 0.0
        seconds += (math.sqrt(u) - math.sqrt(rest)) / accel[k]
        u = rest
    return seconds


@kernel
def reserves(
    length: Floats, cap: Floats, accel: Floats,
    u: Floats, start: Floats, depart: Floats, held: Int32s, reserve: Floats,
) -> None:  # fmt: skip
    """Fill reserve (n,): seconds from start[i] until the head would stand if no block came after held[i] - 1.

    The speeds would then be min(u_k, S_held - S_k), exactly: later blocks only ever raise a constraint that lies at or
    beyond S_held. u_k + S_k never falls, so the block j in which the braking starts moves forward only.
    """
    n = len(length)
    j = end = changed = 0
    ahead = 0.0  # S_end - S_j
    for i in range(n):
        while end < held[i]:
            if end > 0 and accel[end] != accel[end - 1]:
                changed = end
            ahead += 2.0 * accel[end] * length[end]
            end += 1
        while j < end:
            step = 2.0 * accel[j] * length[j]
            if j >= i and u[j + 1] > ahead - step:
                break
            ahead -= step
            j += 1
        if j == end:
            ahead = 0.0
            reserve[i] = depart[end - 1] - start[i]
            continue
        seconds = depart[j - 1] - start[i] if j > i else 0.0
        rest = max(0.0, ahead - 2.0 * accel[j] * length[j]) if j < end - 1 else 0.0
        seconds += duration(length[j], accel[j], cap[j], u[j], rest)
        if changed <= j + 1:
            seconds += math.sqrt(rest) / accel[end - 1]
        else:
            seconds += braking(length, accel, j + 1, end, rest)
        reserve[i] = seconds
        if i & 4095 == 0:  # lest the rounding of a long job adds up
            ahead = 0.0
            for k in range(j, end):
                ahead += 2.0 * accel[k] * length[k]


@kernel
def reserves_at(
    length: Floats, cap: Floats, accel: Floats,
    u: Floats, start: Floats, depart: Floats, at: Floats, block: Ints, reserve: Floats,
) -> None:  # fmt: skip
    """Fill reserve (m,): the same at times `at` (m,) within the run, when blocks up to block - 1 had arrived."""
    i = 0
    for s in range(len(at)):
        t, end = at[s], block[s]
        while i < len(length) and depart[i] <= t:
            i += 1
        if i >= end or start[i] > t:
            reserve[s] = 0.0
            continue
        ahead = 0.0
        for k in range(i, end):
            ahead += 2.0 * accel[k] * length[k]
        j = i
        while j < end and u[j + 1] <= ahead - 2.0 * accel[j] * length[j]:
            ahead -= 2.0 * accel[j] * length[j]
            j += 1
        if j == end:
            reserve[s] = depart[end - 1] - t
            continue
        rest = max(0.0, ahead - 2.0 * accel[j] * length[j]) if j < end - 1 else 0.0
        seconds = start[j] - t + duration(length[j], accel[j], cap[j], u[j], rest)
        reserve[s] = seconds + braking(length, accel, j + 1, end, rest)


@kernel
def slow_runs(u: Floats, planned: Floats, share: float, first: Ints, past: Ints, lowest: Ints) -> int:
    """Find the runs of moves begun slower than `share` of the plan; return how many there are, fill as many as fit.

    A run goes from `first` to `past` - 1; `lowest` is the first move in it that is begun slowest against the plan.
    """
    count = 0
    inside = False
    worst = 0.0
    for i in range(len(u)):
        slow = u[i] < share * share * planned[i]
        if slow:
            ratio = u[i] / planned[i]
            if not inside or ratio < worst:
                worst = ratio
                if count < len(first):
                    lowest[count] = i
            if not inside and count < len(first):
                first[count] = i
        elif inside:
            if count < len(first):
                past[count] = i
            count += 1
        inside = slow
    return count
