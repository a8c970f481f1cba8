"""Job files made up for the tests, and short ways to read them."""

from __future__ import annotations

import numpy as np
from hypothesis import strategies as st

from diagnose.toolpath.moves import Interpreted, interpret
from diagnose.toolpath.shape import Shape, shape
from diagnose.toolpath.words import Words, read_words


def words_of(text: str | bytes) -> Words:
    data = text if isinstance(text, bytes) else text.encode()
    return read_words(np.frombuffer(data, np.uint8))


def motion(text: str | bytes) -> Interpreted:
    return interpret(words_of(text))


def shape_of(text: str) -> Shape:
    read = motion(text)
    return shape(read.moves, read.events, 0.4)


def ring(points: list[tuple[float, float]], begin: int = 0, closed: bool = True) -> list[str]:
    """Return the lines that travel to a corner of a loop and draw it (relative filament)."""
    order = points[begin:] + points[:begin]
    lines = [f"G0 X{order[0][0]:.3f} Y{order[0][1]:.3f}"]
    ends = order[1:] + ([order[0]] if closed else [])
    return lines + [f"G1 X{x:.3f} Y{y:.3f} E0.05" for x, y in ends]


def circle(radius: float, facets: int, cx: float = 100.0, cy: float = 100.0) -> list[tuple[float, float]]:
    angle = 2 * np.pi * np.arange(facets) / facets
    return [(cx + radius * float(np.cos(a)), cy + radius * float(np.sin(a))) for a in angle]


def square(half: float, cx: float = 100.0, cy: float = 100.0, steps: int = 1) -> list[tuple[float, float]]:
    corners = [(cx - half, cy - half), (cx + half, cy - half), (cx + half, cy + half), (cx - half, cy + half)]
    edges = zip(corners, corners[1:] + corners[:1], strict=True)
    return [
        (ax + (bx - ax) * k / steps, ay + (by - ay) * k / steps) for (ax, ay), (bx, by) in edges for k in range(steps)
    ]


def layered(layers: list[list[str]], height: float = 0.2) -> str:
    """Return a job of flat layers with relative filament."""
    lines = ["G21", "G90", "M83", "G28", "G1 F3000"]
    for k, layer in enumerate(layers):
        lines += [f"G0 Z{height * (k + 1):.3f}", *layer]
    return "\n".join(lines) + "\n"


_number = st.decimals(min_value=-200, max_value=200, places=3, allow_nan=False).map(lambda d: f"{d:f}")
_length = st.decimals(min_value=0, max_value=5, places=4, allow_nan=False).map(lambda d: f"{d:f}")
_arm = st.decimals(min_value=1, max_value=60, places=2, allow_nan=False).map(lambda d: f"{d:f}")


@st.composite
def _move(draw: st.DrawFn) -> str:
    words = [f"{letter}{draw(_number)}" for letter in "XYZ" if draw(st.booleans())]
    if draw(st.booleans()):
        words.append(f"E{draw(_length)}")
    if draw(st.integers(0, 4)) == 0:
        words.append(f"F{draw(st.integers(60, 9000))}")
    return draw(st.sampled_from(["G1 ", "G0 ", "G01 ", ""])) + " ".join(words)


@st.composite
def _turn(draw: st.DrawFn) -> str:
    """A full circle or a helix: the end lies on the circle, so both readers mean the same arc."""
    words = [f"{letter}{draw(st.sampled_from(['', '-']))}{draw(_arm)}" for letter in "IJ"]
    rise = [f"Z{draw(_number)}"] if draw(st.booleans()) else []
    return " ".join([draw(st.sampled_from(["G2", "G3"])), *rise, *words, f"E{draw(_length)}"])


_setting = st.sampled_from(
    [
        "G90", "G91", "M82", "M83", "G92 E0", "G92 X10 Y0", "G92 Z", "M220 S50", "M220 S100", "M221 S95", "G10", "G11",
        "G20", "G21", "M117 X1 Y2 *hot*", "; G1 X5 E5", "(G1 X99)", "", "M104 S200", "G4 P10", "G21G1 X3 E0.2",
    ]
)  # fmt: skip


@st.composite
def job_files(draw: st.DrawFn) -> str:
    """Return a random job file of well-formed lines in careless spelling."""
    lines = ["M82", "G1 X0 Y0 Z0 F1500"]
    for line in draw(st.lists(st.one_of(_move(), _move(), _turn(), _setting), min_size=1, max_size=40)):
        lines.append(_careless(draw, line))
    return draw(st.sampled_from(["\n", "\r\n", "\r\r\n"])).join(lines) + draw(st.sampled_from(["", "\n"]))


def _careless(draw: st.DrawFn, line: str) -> str:
    if line.startswith((";", "(", "M117")) or not line:
        return line
    way = draw(st.integers(0, 7))
    if way == 0:
        return line.lower()
    if way == 1:
        return line.replace(" ", "")
    if way == 2:
        return "\t " + line.replace(" ", "\t  ") + "  "
    if way == 3:
        return line + " ; G1 X1 Y1 E9"
    if way == 4:
        return line.replace(" ", " (note X7) ", 1)
    if way == 5:
        numbered = f"N{draw(st.integers(0, 999))} {line}"
        check = 0
        for byte in numbered.encode():
            check ^= byte
        return f"{numbered}*{check}"
    return line
