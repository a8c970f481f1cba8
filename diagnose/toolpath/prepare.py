"""The first run on a machine: kernels are compiled once, on several processors at a time, and kept."""

from __future__ import annotations

import dataclasses
import gc
import json
import logging
import os
import subprocess
import sys
import time
from collections.abc import Sequence
from typing import Any

import numpy as np

from diagnose.toolpath import _kernels
from diagnose.toolpath.columns import Bools, Events, JobLimits, Moves
from diagnose.toolpath.machine import Machine
from diagnose.toolpath.progress import Cancel, Progress, ask, say

PREPARING = "preparing the engine, once on this machine"
PARTS = {
    "easing": ("ease.mark", "ease.write", "simplify.simplify"),
    "reading": ("words.read", "moves.interpret"),
    "shape": ("layers.assign", "loops.trace"),
    "queue": ("queue.run",),
    "speeds": ("speeds.limit_moves", "speeds.plan_entries"),
}
"""What is compiled side by side, and the kernels that tell whether it was; in this order, so that two processors have about
as much to do each."""
READ, EASED, ON_MACHINE = ("reading", "shape"), ("easing", "reading"), ("queue", "speeds")
"""What a job needs that is read, one that is eased, and one on a machine besides."""
LONGEST_S = 120.0
_CODE = "import sys; sys.path[:] = {path!r}; from diagnose.toolpath import prepare; prepare.compile_parts({names!r})"


def ready(parts: Sequence[str]) -> bool:
    """Return whether these parts were compiled on this machine before, or need not be."""
    return all(_kernels.ready(*PARTS[part]) for part in parts)


def prepare(
    machine: Machine | None,
    progress: Progress | None = None,
    cancel: Cancel | None = None,
    needed: Sequence[str] = READ,
) -> None:
    """Compile what a job needs, with a machine or without, where it was never compiled; say so, for it takes seconds.

    Parts are compiled by as many processes as there are processors, which fill the cache. Where there is no cache, or only one processor, the
    work is left to the first use. Processes that fail are no matter either: then the first use compiles.
    """
    needed = (*needed, *ON_MACHINE) if machine is not None else needed
    missing = [part for part in PARTS if part in needed and not ready([part])]
    if not missing:
        return
    say(progress, 0.0, PREPARING)
    if not _kernels.CACHED or (os.cpu_count() or 1) < 2:
        return
    given = json.dumps(None if machine is None else dataclasses.asdict(machine)).encode()
    begun, workers = time.monotonic(), min(len(missing), os.cpu_count() or 1)
    children: list[subprocess.Popen[bytes]] = []
    try:
        for k in range(workers):
            child = subprocess.Popen(
                [sys.executable, "-c", _CODE.format(path=sys.path, names=missing[k::workers])],
                stdin=subprocess.PIPE, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
            )  # fmt: skip
            children.append(child)
            if child.stdin is not None:
                child.stdin.write(given)
                child.stdin.close()
        while any(child.poll() is None for child in children) and time.monotonic() < begun + LONGEST_S:
            ask(cancel)
            done = sum(child.poll() is not None for child in children)
            say(progress, done / len(children), PREPARING)
            time.sleep(0.05)
    except OSError:  # no more processes, or one that is gone
        pass
    finally:
        for child in children:
            if child.poll() is None:
                child.kill()
            child.wait()


def compile_parts(names: Sequence[str]) -> None:
    """Compile parts by using them on next to nothing; called in a process of its own, the machine as JSON on stdin."""
    gc.disable()  # the compiler makes millions of objects that live as long as this process
    _quicken()
    given = json.load(sys.stdin)
    for name in names:
        _compile(name, None if given is None else Machine(**given))


def _quicken() -> None:
    """Have the compiler remember what it works out again and again; a fifth of its time, and only in processes that compile.

    Its flags are looked up as a whole, not one by one 200,000 times; the types of an operation on the same types once, not
    at each place it stands; and nobody reads what it logs of each statement.
    """
    from numba.core import ssa, targetconfig, types

    flags: Any = targetconfig.TargetConfig
    defaults: dict[type, dict[str, Any]] = {}

    def values(self: Any) -> dict[str, Any]:
        kind = type(self)
        if kind not in defaults:
            defaults[kind] = {name: option.default for name, option in self.options.items()}
        return {**defaults[kind], **self._values}

    flags.values = values

    function: Any = types.Function
    ask_anew = function.get_call_type
    known: dict[Any, Any] = {}

    def get_call_type(self: Any, context: Any, args: Any, kws: Any) -> Any:
        key = (self, id(context), args, tuple(sorted(kws.items())))
        if key not in known:
            known[key] = ask_anew(self, context, args, kws)
        return known[key]

    function.get_call_type = get_call_type
    quiet: Any = ssa
    quiet._logger = logging.Logger("numba.core.ssa", logging.CRITICAL)
    quiet._logger.debug = lambda *_: None


def _compile(name: str, machine: Machine | None) -> None:
    if name == "reading":
        from diagnose.toolpath.moves import interpret
        from diagnose.toolpath.words import read_words

        interpret(read_words(np.frombuffer(b"G1 X0 Y0 Z1 E1 F600\nG1 X1 E2\nG2 X2 Y0 I0.5\n", np.uint8)))
        return
    if name == "easing":
        _compile_easing()
        return
    moves, events, limits = _next_to_nothing()
    if name == "shape":
        from diagnose.toolpath.shape import shape

        shape(moves, events)
    elif machine is not None and name == "queue":
        from diagnose.toolpath import queue
        from diagnose.toolpath.speeds import Limits, Plan

        n = len(moves)
        bound, some, fast = np.ones(n, np.float32), np.ones(n), np.zeros(n + 1)
        queue.simulate(moves, Limits(bound, bound, bound, some), machine, events, plan=Plan(fast, some))
        queue.supply_times(moves, machine)
    elif machine is not None:
        from diagnose.toolpath import speeds
        from diagnose.toolpath._kernels import findings, sums

        held = speeds.limits(moves, machine, events, limits)
        speeds.held_by_queue(held, speeds.plan(held, machine.queue_seen))
        # The rest asks for a shape, whose kernels another process compiles: here their columns alone.
        n, none, bits = len(moves), np.empty(0), np.zeros(len(moves), np.uint8)
        layer, first, some = np.zeros(n, np.int32), np.zeros(n, np.int64), np.zeros(n)
        marks: Bools = np.ones(n, bool)
        findings.between(moves.x, none, moves.e, marks, 0.5, 0.5, some, some)
        findings.beyond(moves.x, none, moves.e, marks, 0.5, True, first)
        findings.busiest(
            none, moves.x, moves.e, moves.feed, 0.1, 0, n, 0.5, moves.bytes_all, moves.lines_code, 0.0, 0.0, 0.0, 1,
            np.zeros(5),
        )  # fmt: skip
        findings.starts(bits, 0, moves.e, 0, n, first, some)
        findings.pushed_at(moves.e, moves.tool, 0, first, some, marks)
        sums.by_layer(
            layer, bits, 0, moves.x, moves.e, moves.feed, moves.x, moves.y, moves.z, 0.1, np.zeros((8, 1)), np.zeros((3, 2)),
            np.zeros(2, np.int64),
        )  # fmt: skip
        sums.reserve_by_layer(layer, moves.x, moves.e, marks, moves.x, some, some)


def _compile_easing() -> None:
    """Compile the kernels of easing on nothing at all: words and moves of a job ask for kernels another process compiles."""
    from diagnose.toolpath._kernels import ease
    from diagnose.toolpath._kernels.simplify import simplify

    octets, some, marks = np.empty(0, np.uint8), np.empty(0), np.empty(0, bool)
    ints, short = np.empty(0, np.int64), np.empty(0, np.int32)
    table, shift = np.zeros((4, 5), np.int64), np.empty((0, 2), np.int32)
    ease.mark(
        octets, short, short, short, short, octets, short, some, some, some, some, marks,
        short, some, some, some, some.astype(np.float32), octets, ints, ints, ints, table, np.zeros(ease.TALLIES, np.int64),
    )  # fmt: skip
    simplify(octets, some, some, some, some, some, some, np.ones(4), np.ones(3), marks, shift)
    ease.write(octets, octets, marks, shift, 3, ints, ints, ints, table, octets)


def _next_to_nothing(layers: int = 3) -> tuple[Moves, Events, JobLimits]:
    """Return a square drawn a few times, without any kernel."""
    corners = np.array([(0, 0), (20, 0), (20, 20), (0, 20), (0, 0)], float)
    x, y = (np.tile(corners[:, k], layers) for k in (0, 1))
    z = np.repeat(0.2 * np.arange(1, layers + 1), len(corners))
    n = len(x)
    e = np.where(np.arange(n) % len(corners) > 0, 0.7, 0.0)
    line = np.arange(1, n + 1, dtype=np.int32)
    moves = Moves(
        start=np.zeros(3), x=x, y=y, z=z, e=e, feed=np.full(n, 50, np.float32), accel=np.full(n, np.nan), line=line,
        bytes_all=np.full(n, 30, np.int32), bytes_code=np.full(n, 30, np.int32),
        lines_code=np.ones(n, np.int32), tool=np.zeros(n, np.int16), arc=np.zeros(n, np.bool_),
    )  # fmt: skip
    none, four = np.empty(0), np.empty((0, 4))
    events = Events(np.empty(0, np.uint8), np.empty(0, np.int64), np.empty(0, np.int32), none)
    limits = JobLimits(
        before=np.empty(0, np.int64), line=np.empty(0, np.int32), axis_speed=four, axis_acceleration=four.copy(),
        corner_step=four.copy(), corner_deviation=none.copy(), lowest_speed=np.empty((0, 2)), shortest=none.copy(),
    )  # fmt: skip
    return moves, events, limits
