"""A slow, plain reader of job files: the oracle for words and moves.

Written from the rules, not from the kernels: blanks are removed first, words are found by a regular expression, numbers
are Python's own, arcs are complex numbers. It knows what the random job files of the tests hold, and no more.
"""

from __future__ import annotations

import cmath
import math
import re
from dataclasses import dataclass, field

WORD = re.compile(r"([A-Z])([+-]?(?:\d+\.?\d*|\.\d+))?")
Command = dict[str, float | None]


def commands(text: str) -> list[tuple[int, Command]]:
    """Return (line from 1, words) of every command; the command itself is the first word."""
    found: list[tuple[int, Command]] = []
    for number, line in enumerate(text.replace("\r\r\n", "\n").replace("\r\n", "\n").split("\n"), start=1):
        plain = re.sub(r"\([^)]*\)", "", line.partition(";")[0])
        if "M117" in plain.upper():
            found.append((number, {"M": 117.0}))
            continue
        plain = re.sub(r"\s", "", plain).upper().partition("*")[0]
        words = [(letter, float(value) if value else None) for letter, value in WORD.findall(plain)]
        if words and words[0][0] == "N":
            words = words[1:]
        row: Command = {}
        for letter, value in words:
            if letter in "GM" and row:
                found.append((number, row))
                row = {}
            row[letter] = value
        if row:
            found.append((number, row))
    return found


@dataclass
class Machine:
    """Where everything stands; lengths in mm."""

    at: list[float] = field(default_factory=lambda: [0.0, 0.0, 0.0])
    shift: list[float] = field(default_factory=lambda: [0.0, 0.0, 0.0])
    filament: float = 0.0
    unit: float = 1.0
    relative: bool = False
    lengths: bool = False
    feed: float = 25.0
    faster: float = 1.0
    flow: float = 1.0
    drawn_back: bool = False
    mode: int | None = None


@dataclass
class Step:
    """One move: where it ends, filament, speed, line."""

    x: float
    y: float
    z: float
    e: float
    feed: float
    line: int


def steps(text: str, chord_error: float, retract: float, retract_speed: float) -> list[Step]:
    """Carry out a job that states the extruder's mode and all three axes first."""
    machine = Machine()
    done: list[Step] = []

    def go(place: list[float], e: float, feed: float, line: int) -> None:
        if place != machine.at or e != 0:
            done.append(Step(*place, e, feed, line))
        machine.at = place

    for line, words in commands(text):
        name = next(iter(words))
        value = words[name]
        if name == "G" and value in (0, 1, 2, 3):
            machine.mode = int(value)
        if name == "M":
            _miscellaneous(machine, value, words)
            continue
        if name == "G" and value in (10, 11):
            back = value == 10
            if back != machine.drawn_back:
                machine.drawn_back = back
                go(list(machine.at), -retract if back else retract, retract_speed, line)
            continue
        if name == "G" and value not in (0, 1, 2, 3):
            _settings(machine, value, words)
            continue
        if machine.mode is None:
            continue
        if words.get("F"):
            machine.feed = words["F"] * machine.unit / 60  # type: ignore[operator]
        target = list(machine.at)
        for axis, letter in enumerate("XYZ"):
            if words.get(letter) is not None:
                mm = words[letter] * machine.unit  # type: ignore[operator]
                target[axis] = machine.at[axis] + mm if machine.relative else mm + machine.shift[axis]
        e = 0.0
        if words.get("E") is not None:
            mm = words["E"] * machine.unit  # type: ignore[operator]
            by_length = machine.lengths or machine.relative
            e = mm if by_length else mm - machine.filament
            machine.filament = machine.filament + mm if by_length else mm
        moving = any(words.get(letter) is not None for letter in "XYZE")
        round_ = machine.mode >= 2 and any(words.get(letter) is not None for letter in "IJ")
        e *= machine.flow
        feed = machine.feed * machine.faster
        if round_:
            for place, share in _arc(machine, target, words, chord_error):
                go(place, e * share, feed, line)
        elif moving:
            go(target, e, feed, line)
    return done


def _arc(machine: Machine, target: list[float], words: Command, chord_error: float) -> list[tuple[list[float], float]]:
    start = complex(machine.at[0], machine.at[1])
    end = complex(target[0], target[1])
    centre = start + complex(words.get("I") or 0.0, words.get("J") or 0.0) * machine.unit
    if start == centre or end == centre:
        return [(target, 1.0)]
    quotient = (end - centre) / (start - centre)
    sweep = cmath.phase(quotient) % (2 * math.pi)
    if machine.mode == 2:
        sweep = sweep - 2 * math.pi if sweep else 0.0
    if end == start:
        sweep = 2 * math.pi if machine.mode == 3 else -2 * math.pi
    first, last = abs(start - centre), abs(end - centre)
    step = min(2 * math.acos(max(-1.0, 1 - chord_error / max(first, last))), math.pi / 4)
    count = max(1, math.ceil(abs(sweep) / step - 1e-9))
    places = []
    for k in range(1, count):
        part = k / count
        spoke = cmath.rect(first + (last - first) * part, cmath.phase(start - centre) + sweep * part)
        height = machine.at[2] + (target[2] - machine.at[2]) * part
        places.append(([(centre + spoke).real, (centre + spoke).imag, height], 1 / count))
    return [*places, (target, 1 / count)]


def _miscellaneous(machine: Machine, number: float | None, words: Command) -> None:
    if number in (82, 83):
        machine.lengths = number == 83
    elif number == 220 and words.get("S"):
        machine.faster = words["S"] / 100  # type: ignore[operator]
    elif number == 221 and words.get("S"):
        machine.flow = words["S"] / 100  # type: ignore[operator]


def _settings(machine: Machine, number: float | None, words: Command) -> None:
    if number in (20, 21):
        machine.unit = 25.4 if number == 20 else 1.0
    elif number in (90, 91):
        machine.relative = number == 91
    elif number == 92:
        for axis, letter in enumerate("XYZ"):
            if letter in words:
                machine.shift[axis] = machine.at[axis] - (words[letter] or 0.0) * machine.unit
        if "E" in words:
            machine.filament = (words["E"] or 0.0) * machine.unit
