"""The oracle of the queue: a slow, plain simulation in time, event by event.

Nothing here comes from the recurrences of the engine. A board, a host and a head live through one clock; whenever
something happens, the board goes on as far as it can, and a head without work takes the next block. For every block it
takes, the planner goes backwards over all the blocks it sees. Written for clearness, quadratic in time.
"""

from __future__ import annotations

import heapq
import math
from collections import deque
from dataclasses import dataclass, field


@dataclass
class Block:
    number: int
    path: float
    cap: float
    accel: float
    corner: float  # mm/s, the most at its start
    size: float  # bytes
    lines: int


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
    """commands: block number -> list of ("wait", s) or ("saving", bool), carried out before that block is read."""

    def __init__(self, blocks, machine, commands=None, *, with_reserve=False):
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
        self.received = 0  # lines through the cable
        self.answered = 0
        self.save_due = machine.checkpoint_every or math.inf

    def at(self, when: float, do) -> None:
        self.tickets += 1
        heapq.heappush(self.agenda, (when, self.tickets, do))

    def run(self) -> Record:
        board = self.board()
        host = self.host() if self.m.feed == "cable" else iter(())
        wants_board, wants_host = next(board), next(host, None)
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

    # The board: each yield is a condition it waits for.
    def board(self):
        for block in self.blocks:
            for command, value in self.commands.get(block.number, ()):
                if command == "wait":
                    self.all_in = True
                    yield from self.idle(lambda: not self.queue, block)
                    self.holding, self.all_in = True, False
                    yield from self.idle_until(self.clock + value, block)
                elif value and self.m.checkpoint_every and self.save_due == math.inf:
                    self.save_due = self.clock + self.m.checkpoint_every
                elif not value:
                    self.save_due = math.inf
            if self.clock >= self.save_due:
                yield from self.save(block)
            if self.m.feed == "card":
                yield from self.busy(block.size / self.m.bytes_per_s)
            else:
                yield from self.idle(lambda number=block.number: self.received > number, block)
            yield from self.busy(block.lines * self.m.line_time)
            yield from self.idle(lambda: len(self.queue) < self.m.queue_moves, block)
            self.queue.append(block)
            self.log.arrive[block.number] = self.clock
            self.at(self.clock + self.reply(), self.answer)
        self.all_in = True

    def busy(self, seconds: float):
        until = self.clock + seconds
        self.at(until, None)
        yield lambda: self.clock >= until

    def idle(self, ready, block):
        while not ready():
            if self.save_due <= self.clock:
                yield from self.save(block)
                continue
            due = self.save_due
            if due < math.inf:
                self.at(due, None)
            yield lambda due=due: ready() or self.clock >= due

    def idle_until(self, when: float, block):
        self.at(when, None)
        yield from self.idle(lambda: self.clock >= when, block)

    def save(self, block):
        left = 0.0
        if self.moving:
            rest = list(self.queue)[1:]
            left = self.block_ends - self.clock + drained(rest, self.speed, self.m.queue_seen)
        elif self.may_start():  # the head takes the next block at this very moment
            left = drained(list(self.queue), self.speed, self.m.queue_seen)
        self.log.saves.append((self.clock, block.number, left))
        self.save_due = self.clock + self.m.checkpoint_every
        yield from self.busy(self.m.checkpoint_takes)

    # The host at the other end of the cable.
    def reply(self) -> float:
        return self.m.reply_bytes / self.m.bytes_per_s + self.m.reply_time

    def answer(self) -> None:
        self.answered += 1

    def host(self):
        for block in self.blocks:
            yield lambda number=block.number: number - self.answered < self.m.window_lines
            until = self.clock + block.size / self.m.bytes_per_s
            self.at(until, None)
            yield lambda until=until: self.clock >= until
            self.received += 1


def simulate(moves, limits, machine, commands=None, *, with_reserve=False) -> Record:
    return Simulation(blocks_of(moves, limits, machine), machine, commands, with_reserve=with_reserve).run()
