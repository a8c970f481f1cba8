"""Kernels of the stage `queue`: supply and motion coupled through a bounded queue, and the reserve it holds."""

from __future__ import annotations

import math

import numpy as np

from diagnose.toolpath._kernels import kernel
from diagnose.toolpath.columns import Bools, Bytes, Floats, Int32s, Ints, Singles

FRESH_SUM = 1e6  # as in the stage `speeds`: a cached kernel may call kernels of its own file only


@kernel
def duration(path: float, a: float, v: float, u0: float, u1: float) -> float:
    """Time (s) of a block by closed form; the twin of the one in the stage `speeds`."""
    path, a, v = np.float64(path), np.float64(a), np.float64(v)
    s0, s1 = math.sqrt(u0), math.sqrt(u1)
    peak = 0.5 * (u0 + u1) + a * path
    if peak > v * v:
        return (v - s0) / a + (v - s1) / a + (path - (2.0 * v * v - u0 - u1) / (2.0 * a)) / v
    return (2.0 * math.sqrt(peak) - s0 - s1) / a


@kernel
def stand_by(
    t: float, until: float, due: Floats, tally: Ints, every: float, takes: float, stall_at: Floats, stall_s: Floats,
    block: int, log_t: Floats, log_block: Ints, log_stall: Bytes,
) -> float:  # fmt: skip
    """Let the board poll at t, and on to `until`: a save or stall that is due or falls due meanwhile is begun at once.

    `due` holds when the next save and the next random stall are due, `tally` how many interruptions and how many stalls
    there were; the log keeps what it has room for. Returns when the board is free.
    """
    while True:
        stalls = due[1] < due[0]
        when = due[1] if stalls else due[0]
        if t < when and when >= until:
            return until
        t = max(t, when)
        if tally[0] < len(log_t):
            log_t[tally[0]], log_block[tally[0]], log_stall[tally[0]] = t, block, stalls
        tally[0] += 1
        if stalls:
            t += stall_s[tally[1]]
            tally[1] += 1
            due[1] = stall_at[tally[1]] if tally[1] < len(stall_at) else np.inf
        else:
            due[0] = t + every
            t += takes
        if t >= until:
            return t


@kernel
def run(
    length: Singles, cap: Singles, accel: Singles, entry: Floats, least: Floats,
    size: Int32s, lines: Int32s, waits: Ints,
    by_host: bool, lead: float, from_card: bool, byte_time: float, line_time: float, reply_time: float, window: int,
    slots: int, seen: int, stretch_below: int,
    places: Ints, wait_for: Floats, saving: Ints, first_due: float, every: float, takes: float,
    stall_at: Floats, stall_s: Floats,
    due: Floats, tally: Ints, value: Floats, place: Ints, answered: Floats,
    u: Floats, arrive: Floats, start: Floats, depart: Floats, held: Int32s,
    log_t: Floats, log_block: Ints, log_stall: Bytes,
) -> int:  # fmt: skip
    """Fill u (n + 1,), arrive, start, depart (n,) and held (n,): blocks up to held[i] - 1 had arrived at start[i].

    Returns the number of saves and stalls; the log holds when each was begun, the block that had to wait for it, and
    whether it was a stall, as many as fit. `places` (m,) are the moves that events precede; `wait_for` their seconds of
    waiting, negative where they do not wait; `saving` 1 on, 0 off, -1 neither. With `least` (n,) s, empty for none, cap
    and entry are lowered in place for blocks that arrive while the queue is low.

    Room to work in: `due` and `tally` as in `stand_by`; rings `value` and `place`, a power of two longer than min(seen, n);
    `answered`, a power of two not below the window, 0 at first: when each of the last lines was done with.

    `by_host`: a host plans with all the moves there are and streams steps `lead` seconds ahead of the head. `held` is then
    what the plan rests on, and where the steps run out the head stands dead and starts again from rest. A dwell is streamed
    like a move; only a wait whose end nobody knows, of 0 s, is waited out.
    """
    n = len(length)
    tally[0] = tally[1] = 0
    due[0], due[1] = first_due, stall_at[0] if len(stall_at) > 0 else np.inf
    soon = min(due[0], due[1])
    mask = len(value) - 1
    front = back = end = fresh = 0
    ahead = trail = 0.0
    now = before = 0.0
    u[0] = 0.0
    asked = len(answered)

    k = int(np.int64(0))  # the next block to arrive; of one type from the start, lest callees are compiled twice
    t = sent = 0.0  # when the board is free again, when the last line was through the cable
    line = 0  # the next line over the cable
    event = wait = 0
    filled = gone = 0  # blocks that came while the head was held, blocks done when the last one counted came
    for i in range(n):
        starts_anew = i == 0
        while wait < len(waits) and waits[wait] <= i:
            starts_anew = True
            wait += 1
        bound = n if by_host else min(n, i + slots)
        if wait < len(waits):
            bound = min(bound, waits[wait])
        # From rest by command the board lets the queue fill before it moves; otherwise it moves as soon as it can.
        need = bound if starts_anew and not by_host else i + 1
        if starts_anew:
            filled = need
        afresh = i == 0
        begin = max(before, arrive[i]) if k > i else before
        while k < bound and (k < need or (not by_host and arrive[k - 1] <= begin)):
            while event < len(places) and places[event] <= k:
                if by_host and wait_for[event] > 0.0 and not afresh:
                    before += wait_for[event]
                elif wait_for[event] >= 0.0:
                    afresh = True
                    # First the queue runs dry, then the waiting itself begins.
                    if t < before:
                        t = stand_by(
                            t, before, due, tally, every, takes, stall_at, stall_s, k, log_t, log_block, log_stall
                        )
                    if wait_for[event] > 0.0:
                        t = stand_by(
                            t, t + wait_for[event], due, tally, every, takes, stall_at, stall_s, k,
                            log_t, log_block, log_stall,
                        )  # fmt: skip
                if saving[event] == 0:
                    due[0] = np.inf
                elif saving[event] == 1 and every > 0.0 and due[0] == np.inf:
                    due[0] = t + every
                soon = min(due[0], due[1])
                event += 1
            if by_host and not afresh and t < before - lead:
                # The steps streamed already last for long enough.
                t = stand_by(
                    t, before - lead, due, tally, every, takes, stall_at, stall_s, k, log_t, log_block, log_stall
                )
                soon = min(due[0], due[1])
            if t >= soon:
                t = stand_by(t, t, due, tally, every, takes, stall_at, stall_s, k, log_t, log_block, log_stall)
                soon = min(due[0], due[1])
            if from_card:
                t += size[k] * byte_time + lines[k] * line_time
            else:
                for q in range(lines[k]):
                    if q > 0 and t >= soon:
                        t = stand_by(t, t, due, tally, every, takes, stall_at, stall_s, k, log_t, log_block, log_stall)
                        soon = min(due[0], due[1])
                    if line >= window:
                        sent = max(sent, answered[(line - window) & (asked - 1)] + reply_time)
                    sent += size[k] * byte_time / lines[k]
                    if t < sent:
                        if soon >= sent:
                            t = sent
                        else:
                            t = stand_by(
                                t, sent, due, tally, every, takes, stall_at, stall_s, k, log_t, log_block, log_stall
                            )
                            soon = min(due[0], due[1])
                    t += line_time
                    answered[line & (asked - 1)] = t
                    line += 1
            if k >= slots and not by_host:
                until = depart[k - slots]
                if t < until:
                    if soon >= until:
                        t = until
                    else:
                        t = stand_by(
                            t, until, due, tally, every, takes, stall_at, stall_s, k, log_t, log_block, log_stall
                        )
                        soon = min(due[0], due[1])
            arrive[k] = t
            if line > 0:
                # The line of a move is answered when the move, or the last piece of its arc, is in the queue.
                answered[(line - 1) & (asked - 1)] = t
            if k < need:
                begin = max(begin, t)
            k += 1
        if by_host:
            there = bound
            begin = t + lead if afresh else max(before, t)
            if begin > before:
                u[i] = now = 0.0
        else:
            there = k if arrive[k - 1] <= begin else k - 1
        held[i] = there
        start[i] = begin

        # The exit speed uses only what has arrived: the sliding window of the stage `speeds`, its front held back.
        there = min(there, i + seen)
        while end < there:
            if len(least) > 0:
                if end >= filled:
                    while gone < i and depart[gone] <= arrive[end]:
                        gone += 1
                    if end - gone < stretch_below and 0.0 < length[end] < cap[end] * least[end]:
                        cap[end] = length[end] / least[end]
                slower = min(cap[end], cap[end - 1]) if end > 0 else 0.0
                entry[end] = min(entry[end], slower * slower)
            if end > i:
                corner = entry[end] + ahead
                while back > front and value[(back - 1) & mask] >= corner:
                    back -= 1
                value[back & mask] = corner
                place[back & mask] = end
                back += 1
            ahead += 2.0 * accel[end] * length[end]
            end += 1
        gain = 2.0 * accel[i] * length[i]
        trail += gain
        while back > front and place[front & mask] <= i:
            front += 1
        after = 0.0
        if end > i + 1:
            after = max(0.0, min(now + gain, ahead - trail, value[front & mask] - trail, entry[i + 1]))
        before = begin + duration(length[i], accel[i], cap[i], now, after)
        depart[i] = before
        u[i + 1] = after
        now = after
        if trail > FRESH_SUM and i - fresh >= end - i:
            for q in range(front, back):
                value[q & mask] -= trail
            ahead -= trail
            trail = 0.0
            fresh = i
    return int(tally[0])


@kernel
def braking(length: Singles, accel: Singles, first: int, last: int, u: float) -> float:
    """Seconds to brake from the squared speed u at the start of block `first` to rest at the end of block `last - 1`."""
    seconds = 0.0
    for k in range(first, last):
        rest = max(0.0, u - 2.0 * accel[k] * length[k]) if k < last - 1 else 0.0
        seconds += (math.sqrt(u) - math.sqrt(rest)) / accel[k]
        u = rest
    return seconds


@kernel
def reserves(
    length: Singles, cap: Singles, accel: Singles,
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
    length: Singles, cap: Singles, accel: Singles,
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
def unsettle(move: Ints, blocked: Ints, held: Int32s, queue: int, settled: Bools) -> None:
    """Unsettle the moves begun after each save, during `move` (m,), until the queue is full again.

    It is full again soon after the save has let the `blocked` (m,) move in, or the supply hardly keeps up, which the
    reserve should show.
    """
    for s in range(len(move)):
        for k in range(move[s] + 1, min(len(held), blocked[s] + 2 * queue)):
            # The block that the save kept waiting is missed first at the start of the move it should have filled up for.
            if k > blocked[s] - queue and held[k] - k == queue:
                break
            settled[k] = False


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
