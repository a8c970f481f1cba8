"""Findings: answers the program computes itself. What they mean is written in the rule files, not here."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from diagnose.toolpath.columns import Int32s
from diagnose.toolpath.machine import CARD_FREE_CAP

if TYPE_CHECKING:
    from diagnose.toolpath.findings.ground import Ground

MOST_LINES = 10
"""Lines of the job file a finding shows at most."""


@dataclass(frozen=True, slots=True)
class Finding:
    """One computed answer, how far it may be believed, and what in the job shows it."""

    id: str
    answer: str
    confidence: float
    """0 to 1; never more than the printer numbers it rests on allow."""
    value: float | None
    unit: str
    lines: tuple[int, ...]
    """Lines of the job file, from 1, at most ten."""
    because: str
    """One sentence with the figures."""

    def as_json(self) -> dict[str, Any]:
        """Return the finding as the `toolpath` command prints it."""
        return {
            "id": self.id,
            "answer": self.answer,
            "confidence": round(self.confidence, 3),
            "value": None if self.value is None else float(f"{self.value:.6g}"),
            "unit": self.unit,
            "lines": list(self.lines),
            "because": self.because,
        }


@dataclass(frozen=True, slots=True)
class Said:
    """What the function of a finding returns: the finding without its id, with its own confidence."""

    answer: str
    value: float | None
    unit: str
    because: str
    lines: Sequence[int] | Int32s = ()
    sure: float = CARD_FREE_CAP


Function = Callable[["Ground"], "Said | None"]


@dataclass(frozen=True, slots=True)
class Entry:
    """A registered finding: its id, its function, and the fields of the machine it rests on."""

    id: str
    function: Function
    rests_on: tuple[str, ...]


REGISTRY: dict[str, Entry] = {}


def finding(id: str, *rests_on: str) -> Callable[[Function], Function]:
    """Register a function as the finding `id`; with fields of `Machine` named, it needs a machine.

    Its confidence is the lesser of its own and what those fields allow (`Machine.confidence_cap`).
    """

    def register(function: Function) -> Function:
        if id in REGISTRY:
            raise ValueError(f"two findings are called {id!r}")
        REGISTRY[id] = Entry(id, function, rests_on)
        return function

    return register


def find(ground: Ground) -> list[Finding]:
    """Return what a job file says by itself, or, on the ground of a run, what rests on its machine; in the order of ids.

    A finding whose question does not arise (no curves, nothing extruded) is left out.
    """
    machine = ground.machine
    with ThreadPoolExecutor(2) as pool:  # most of the work is compiled and lets the other thread run
        for ready in [pool.submit(work) for work in ground.preparations()]:
            ready.result()
        asked = [
            (entry, pool.submit(entry.function, ground))
            for _, entry in sorted(REGISTRY.items())
            if bool(entry.rests_on) == (machine is not None)
        ]
        found = []
        for entry, answer in asked:
            said = answer.result()
            if said is None:
                continue
            cap = machine.confidence_cap(*entry.rests_on) if machine else CARD_FREE_CAP
            lines = tuple(int(line) for line in said.lines[:MOST_LINES])
            found.append(
                Finding(entry.id, said.answer, min(said.sure, cap), said.value, said.unit, lines, said.because)
            )
    return found


def grade(value: float, *steps: tuple[float, str], above: str) -> str:
    """Return the word of the first step whose limit the value stays below, or `above`."""
    return next((word for limit, word in steps if value < limit), above)


def times(count: int) -> str:
    """Return a count of happenings in words: once, 3 times."""
    return "once" if count == 1 else f"{count} times"


def span(low: float, high: float, unit: str) -> str:
    """Return one value, or the range of several, with the unit."""
    return f"{low:.3g} {unit}" if f"{low:.3g}" == f"{high:.3g}" else f"between {low:.3g} and {high:.3g} {unit}"
