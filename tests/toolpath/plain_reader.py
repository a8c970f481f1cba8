"""A slow, plain reader of job files: the oracle for words and moves.

Written from the rules, not from the kernels: blanks are removed first, words are found by a regular expression, numbers
are Python's own, arcs are complex numbers. It knows what the random job files of the tests hold, and no more.
"""

from __future__ import annotations

import cmath
import math
import re
from collections.abc import Callable
from dataclasses import dataclass, field

NUMBER = r"[+-]?(?:\d+\.?\d*|\.\d+)"
WORD = re.compile(rf"([A-Z])({NUMBER}(?:e[+-]?\d+)?)?|([a-z])({NUMBER})?")
"""A small e behind a number of a capital word is an exponent, as careless writers print it."""
TEXTS = (117, 118, 23, 28, 30, 32, 36, 486, 550, 587, 928)
Command = dict[str, float | None]


def commands(text: str) -> list[tuple[int, Command]]:
    """Return (line from 1, words) of every command; the command itself is the first word. Macros are left out."""
    found: list[tuple[int, Command]] = []
    for number, line in enumerate(text.replace("\r\r\n", "\n").replace("\r\n", "\n").split("\n"), start=1):
        plain = re.sub(r"\([^)]*(\)|$)", "", line.partition(";")[0]).strip("\ufeff\0 \t\r")
        if re.match(r"[A-Za-z][A-Za-z_]|[{\[]", plain):
            continue
        if said := re.match(r"[Mm]\s*(\d+)", plain):
            name = int(said[1])
            if name in TEXTS:
                found.append((number, {"M": float(name)}))
                continue
        plain = re.sub(r"[\s\0]", "", plain).partition("*")[0]
        words = [((m[1] or m[3]).upper(), float(m[2] or m[4]) if m[2] or m[4] else None) for m in WORD.finditer(plain)]
        if words and words[0][0] == "N":
            words = words[1:]
        row: Command = {}
        for letter, value in words:
            if letter in "GM" and row:
                found.append((number, row))
                row = {}
            row[letter] = value
        if row:
            if "E" not in row and "A" in row:
                row["E"] = row["A"]
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
    stated: list[bool] = field(default_factory=lambda: [False, False, False])
    tool: int = 0
    left: dict[int, float] = field(default_factory=dict)
    """Where the extruder word of each tool stood when it was left."""
    changed: bool = False
    pushing: bool = False
    switched: float = 0.0
    """mm of filament a mm where M101 and M103 switch the extruder."""


@dataclass
class Step:
    """One move: where it ends, filament, speed, line."""

    x: float
    y: float
    z: float
    e: float
    feed: float
    line: int


def steps(text: str, chord_error: float, retract: float, retract_speed: float, switched: float = 0.0) -> list[Step]:
    """Carry out a job whose extruder words are positions until it says otherwise."""
    machine = Machine(switched=switched)
    done: list[Step] = []

    def go(place: list[float], e: float, feed: float, line: int) -> None:
        if place != machine.at or e != 0:
            done.append(Step(*place, e, feed, line))
        machine.at = place

    def first_stated(axis: int, place: float) -> None:
        """The head stood there all along."""
        machine.stated[axis] = True
        machine.at[axis] = place
        for step in done:
            setattr(step, "xyz"[axis], place)

    for line, words in commands(text):
        name = next(iter(words))
        value = words[name]
        if name == "G" and value in (0, 1, 2, 3):
            machine.mode = int(value)
        if name in "MT":
            _miscellaneous(machine, name, value, words)
            continue
        if name == "G" and value in (10, 11):
            if value == 10 and any(letter in words for letter in "PRLXYZ"):
                continue
            back = value == 10
            if back != machine.drawn_back:
                machine.drawn_back = back
                go(list(machine.at), -retract if back else retract, retract_speed, line)
            continue
        if name == "G" and value not in (0, 1, 2, 3):
            _settings(machine, value, words, first_stated)
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
                if not machine.stated[axis]:
                    first_stated(axis, machine.at[axis] if machine.relative else target[axis])
        e = 0.0
        if words.get("E") is not None:
            mm = words["E"] * machine.unit  # type: ignore[operator]
            by_length = machine.lengths or machine.relative
            if machine.changed and not by_length:
                own = machine.left.get(machine.tool, 0.0)
                machine.filament = own if abs(mm - own) < abs(mm - machine.filament) else machine.filament
                machine.changed = False
            e = mm if by_length else mm - machine.filament
            machine.filament = machine.filament + mm if by_length else mm
        moving = any(words.get(letter) is not None for letter in "XYZE")
        round_ = machine.mode >= 2 and any(words.get(letter) is not None for letter in "IJ")
        if machine.switched:
            e = machine.switched * math.dist(machine.at, target) if machine.pushing else 0.0
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


def _miscellaneous(machine: Machine, name: str, number: float | None, words: Command) -> None:
    if name == "T" or number in (6, 135):
        tool = words.get("T")
        if tool is not None and tool < 100 and tool != machine.tool:
            machine.left[machine.tool] = machine.filament
            machine.tool, machine.changed = int(tool), True
    elif number in (82, 83):
        machine.lengths = number == 83
    elif number in (101, 103):
        machine.pushing = number == 101
    elif number == 220 and words.get("S"):
        machine.faster = words["S"] / 100  # type: ignore[operator]
    elif number == 221 and words.get("S"):
        machine.flow = words["S"] / 100  # type: ignore[operator]


def _settings(
    machine: Machine, number: float | None, words: Command, first_stated: Callable[[int, float], None]
) -> None:
    if number in (20, 21):
        machine.unit = 25.4 if number == 20 else 1.0
    elif number in (90, 91):
        machine.relative = number == 91
    elif number == 28:
        every = not any(letter in words for letter in "XYZ")
        machine.shift = [0.0 if every or c in words else old for c, old in zip("XYZ", machine.shift, strict=True)]
    elif number == 92:
        all_of_them = not any(letter in words for letter in "XYZE")
        for axis, letter in enumerate("XYZ"):
            if letter in words or (all_of_them and machine.stated[axis]):
                value = (words.get(letter) or 0.0) * machine.unit
                if machine.stated[axis]:
                    machine.shift[axis] = machine.at[axis] - value
                elif not all(c in words for c in "XYZE") or any(words[c] is not None for c in "XYZE"):
                    first_stated(axis, value + machine.shift[axis])
        if "E" in words or all_of_them:
            machine.filament = (words.get("E") or 0.0) * machine.unit
            machine.changed = False
