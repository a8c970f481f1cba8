"""The oracle of the queue: a slow, plain simulation in time, event by event.

Nothing here comes from the recurrences of the engine. A board, a host and a head live through one clock; whenever
something happens, the board goes on as far as it can, and a head without work takes the next block. For every block it
takes, the planner goes backwards over all the blocks it sees. Where the host plans, it makes steps instead, so many
seconds ahead. Written for clearness, quadratic in time.
"""

from __future__ import annotations

import heapq
import math
from collections import deque
from dataclasses import dataclass, field

import numpy as np


@dataclass
class Block:
    number: int
    path: float
    cap: float
    accel: float
    corner: float  # mm/s, the most at its start
    size: float  # bytes
    lines: int
    least: float = 0.0  # s, while the queue is low


@dataclass
class Record:
    arrive: dict[int, float] = field(default_factory=dict)
    start: dict[int, float] = field(default_factory=dict)
    depart: dict[int, float] = field(default_factory=dict)
    entry: dict[int, float] = field(default_factory=dict)  # mm/s
    reserve: dict[int, float] = field(default_factory=dict)  # s
    stops: list[tuple[int, float, float]] = field(default_factory=list)  # block, s, length
    saves: list[tuple[float, int, float]] = field(default_factory=list)  # s, block that waits, reserve


def blocks_of(moves, limits, machine) -> list[Block]:
    sizes = moves.bytes_all if machine.feed == "card" else moves.bytes_code
    return [
        Block(
            i,
            float(limits.length[i]),
            float(limits.cap[i]),
            float(limits.accel[i]),
            math.sqrt(limits.entry[i]),
            float(sizes[i]),
            int(moves.lines_code[i]),
            float(limits.shortest[i]) if len(limits.shortest) else 0.0,
        )
        for i in range(len(moves))
    ]


def travel_time(block: Block, v0: float, v1: float) -> float:
    """Speed up, go on, slow down: the three phases one by one."""
    a = block.accel
    top = math.sqrt(max(v0 * v0, v1 * v1, (v0 * v0 + v1 * v1) / 2 + a * block.path))
    top = max(min(top, block.cap), v0, v1)
    up, down = (top * top - v0 * v0) / (2 * a), (top * top - v1 * v1) / (2 * a)
    return (top - v0) / a + (top - v1) / a + max(0.0, block.path - up - down) / top


def exit_speed(seen: list[Block], v: float) -> float:
    """Go back from rest at the end of the last block seen; then what the first one can reach from v."""
    after = 0.0
    for block in reversed(seen[1:]):
        after = min(block.corner, math.sqrt(after * after + 2 * block.accel * block.path))
    return min(after, math.sqrt(v * v + 2 * seen[0].accel * seen[0].path))


def drained(queue: list[Block], v: float, seen: int) -> float:
    """Return s until the head stands when nothing else arrives."""
    seconds = 0.0
    for i, block in enumerate(queue):
        after = exit_speed(queue[i : i + seen], v)
        seconds += travel_time(block, v, after)
        v = after
    return seconds


def full_supply(blocks: list[Block], seen: int) -> list[float]:
    """Return the entry speeds, and the end of the job, when the queue is never short."""
    speeds = [0.0]
    for i in range(len(blocks)):
        speeds.append(exit_speed(blocks[i : i + seen], speeds[-1]))
    return speeds


def dips(entry: list[float], planned: list[float], stops: set[int]) -> list[tuple[int, float]]:
    """Return (move, speed) of every run of starts more than 5 % too slow in which the head never stands."""
    found, run = [], []
    for i, (v, plan) in enumerate(zip([*entry, 0.0], planned, strict=True)):
        if v < 0.95 * plan:
            run.append((v / plan, i, v))
        elif run:
            if not stops & {i for _, i, _ in run}:
                _, lowest, speed = min(run)
                found.append((lowest, speed))
            run = []
    return found


class Simulation:
    """commands: block number -> list of ("dwell", s), ("wait", 0) or ("saving", bool), carried out before that block is read.

    stalls: (when due, how long) of each random stall of the supply, in order.
    """

    def __init__(self, blocks, machine, commands=None, *, stalls=(), with_reserve=False):
        self.blocks, self.m, self.commands = blocks, machine, commands or {}
        self.with_reserve = with_reserve
        self.log = Record()
        self.clock = 0.0
        self.agenda: list[tuple[float, int, object]] = []
        self.tickets = 0
        self.queue: deque[Block] = deque()
        self.moving = False
        self.block_ends = 0.0
        self.speed = 0.0
        self.rested = 0.0  # when the head last came to rest
        self.holding = True  # the queue is being filled before the first move after a rest by command
        self.all_in = False  # the board can bring no more before the head has moved
        self.received = 0  # lines through the cable and not read yet
        self.lines_read = 0
        self.answered = 0
        self.save_due = machine.checkpoint_every or math.inf
        self.stalls = deque(stalls)
        self.made = 0.0  # what a planning host has made steps for lasts until then

    def at(self, when: float, do) -> None:
        self.tickets += 1
        heapq.heappush(self.agenda, (when, self.tickets, do))

    def run(self) -> Record:
        plans = self.m.planning == "host"
        board = self.planner() if plans else self.board()
        host = self.host() if self.m.feed == "cable" and not plans else iter(())
        wants_board, wants_host = next(board, None), next(host, None)
        while True:
            progress = True
            while progress:
                progress = False
                while wants_host is not None and wants_host():
                    wants_host, progress = next(host, None), True
                while wants_board is not None and wants_board():
                    wants_board, progress = next(board, None), True
            self.head()
            if not self.agenda:
                return self.log
            self.clock, _, do = heapq.heappop(self.agenda)
            if do is not None:
                do()

    # The head.
    def may_start(self) -> bool:
        if self.moving or not self.queue:
            return False
        return not self.holding or len(self.queue) == self.m.queue_moves or self.all_in

    def head(self) -> None:
        if not self.may_start():
            return
        block = self.queue[0]
        i, log = block.number, self.log
        if not self.holding and self.clock > self.rested:
            log.stops.append((i, self.rested, self.clock - self.rested))
        self.holding = False
        after = exit_speed(list(self.queue)[: self.m.queue_seen], self.speed)
        if self.with_reserve:
            log.reserve[i] = drained(list(self.queue), self.speed, self.m.queue_seen)
        log.start[i], log.entry[i] = self.clock, self.speed
        self.block_ends = self.clock + travel_time(block, self.speed, after)
        self.moving, self.speed = True, after
        self.at(self.block_ends, self.block_done)

    def block_done(self) -> None:
        self.log.depart[self.queue.popleft().number] = self.clock
        self.moving, self.rested = False, self.clock

    # The board, or the host that plans: each yield is a condition it waits for.
    def board(self):
        for block, following in zip(self.blocks, [*self.blocks[1:], None], strict=True):
            for command, value in self.commands.get(block.number, ()):
                if command != "saving":
                    self.all_in = True
                    yield from self.idle(lambda: not self.queue, block)
                    self.holding, self.all_in = True, False
                    yield from self.idle_until(self.clock + value, block)
                else:
                    self.switch_saving(value)
            yield from self.poll(block)
            if self.m.feed == "card":
                yield from self.busy(block.size / self.m.bytes_per_s + block.lines * self.m.line_time)
            for line in range(block.lines if self.m.feed == "cable" else 0):
                if line:
                    self.answer_later()  # the one before is done with
                    yield from self.poll(block)
                yield from self.idle(lambda: self.received > 0, block)
                self.received -= 1
                self.lines_read += 1
                yield from self.busy(self.m.line_time)
            yield from self.idle(lambda: len(self.queue) < self.m.queue_moves, block)
            if len(self.queue) < self.m.stretch_below and not self.holding:
                self.stretch(block)
            self.queue.append(block)
            self.log.arrive[block.number] = self.clock
            if following is None or following.lines:
                self.answer_later()
        self.all_in = True

    def stretch(self, block) -> None:
        """Make the block last its least time at its cap; its corners follow."""
        if 0 < block.path < block.cap * block.least:
            block.cap = float(np.float32(block.path / block.least))  # as the columns keep it
            for near in self.blocks[block.number : block.number + 2]:
                near.corner = min(near.corner, block.cap)

    def planner(self):
        speed, afresh = 0.0, True
        for block in self.blocks:
            for command, value in self.commands.get(block.number, ()):
                if command == "dwell" and not afresh:
                    self.made += value  # streamed like a move
                elif command != "saving":
                    yield from self.idle_until(self.made, block)
                    yield from self.idle_until(self.clock + value, block)
                    afresh = True
                else:
                    self.switch_saving(value)
            if not afresh:
                yield from self.idle_until(self.made - self.m.buffer_time, block)
            yield from self.poll(block)
            yield from self.busy(block.size / self.m.bytes_per_s + block.lines * self.m.line_time)
            i, log = block.number, self.log
            begin = self.clock + self.m.buffer_time if afresh else max(self.clock, self.made)
            if not afresh and self.clock > self.made:
                if all(command == "saving" for command, _ in self.commands.get(i, ())):
                    log.stops.append((i, self.made, self.clock - self.made))
                speed = 0.0
            after = exit_speed(self.blocks[i : i + self.m.queue_seen], speed)
            log.arrive[i], log.start[i], log.entry[i] = self.clock, begin, speed
            log.depart[i] = self.made = begin + travel_time(block, speed, after)
            speed, afresh = after, False
        for i, begin in log.start.items():
            ahead = max(log.depart[k] for k, when in log.arrive.items() if when <= begin)
            log.reserve[i] = min(ahead - begin, self.m.buffer_time)

    def switch_saving(self, on: bool) -> None:
        if not on:
            self.save_due = math.inf
        elif self.m.checkpoint_every and self.save_due == math.inf:
            self.save_due = self.clock + self.m.checkpoint_every

    def busy(self, seconds: float):
        until = self.clock + seconds
        self.at(until, None)
        yield lambda: self.clock >= until

    def idle(self, ready, block):
        while not ready():
            due = self.next_due()
            if due <= self.clock:
                yield from self.interrupt(block)
                continue
            if due < math.inf:
                self.at(due, None)
            yield lambda due=due: ready() or self.clock >= due

    def idle_until(self, when: float, block):
        self.at(when, None)
        yield from self.idle(lambda: self.clock >= when, block)

    def next_due(self) -> float:
        return min(self.save_due, self.stalls[0][0]) if self.stalls else self.save_due

    def poll(self, block):
        if self.clock >= self.next_due():
            yield from self.interrupt(block)

    def interrupt(self, block):
        if self.stalls and self.stalls[0][0] < self.save_due:
            yield from self.busy(self.stalls.popleft()[1])
            return
        left = 0.0
        if self.m.planning == "host":
            ends = self.log.depart.get(block.number - 1, 0.0)  # without a dwell after it
            left = min(max(ends - self.clock, 0.0), self.m.buffer_time)
        elif self.moving:
            rest = list(self.queue)[1:]
            left = self.block_ends - self.clock + drained(rest, self.speed, self.m.queue_seen)
        elif self.may_start():  # the head takes the next block at this very moment
            left = drained(list(self.queue), self.speed, self.m.queue_seen)
        self.log.saves.append((self.clock, block.number, left))
        self.save_due = self.clock + self.m.checkpoint_every
        yield from self.busy(self.m.checkpoint_takes)

    # The host at the other end of the cable: so many lines sent and not answered.
    def answer_later(self) -> None:
        if not self.lines_read:
            return
        self.at(self.clock + self.m.reply_bytes / self.m.bytes_per_s + self.m.reply_time, self.answer)

    def answer(self) -> None:
        self.answered += 1

    def host(self):
        sent = 0
        for block in self.blocks:
            for _ in range(block.lines):
                yield lambda sent=sent: sent - self.answered < self.m.window_lines
                until = self.clock + block.size / self.m.bytes_per_s / block.lines
                self.at(until, None)
                yield lambda until=until: self.clock >= until
                sent += 1
                self.received += 1


def simulate(moves, limits, machine, commands=None, *, stalls=(), with_reserve=False) -> Record:
    blocks = blocks_of(moves, limits, machine)
    return Simulation(blocks, machine, commands, stalls=stalls, with_reserve=with_reserve).run()
