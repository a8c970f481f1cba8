"""From the moves of a coupon to the whole job file: header of cautions, start lines, moves, end lines; measured and checked.

Time, filament and places are not estimated: the program's own engine reads the finished file with the printer's card.
"""

from __future__ import annotations

import math
import tempfile
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from diagnose.coupons.setup import Setup
from diagnose.errors import BadInput
from diagnose.knowledge.models import Coupon
from diagnose.toolpath.job import Job, read_job

CLOSEST_MM = 5.0
"""What a coupon keeps from the edge of the bed: clips and edges."""


@dataclass(frozen=True, slots=True)
class Band:
    """A stretch of height in which one thing differs from the others."""

    from_mm: float
    to_mm: float
    what: str
    """In words: `speed 80 mm/s`."""
    value: float
    unit: str


@dataclass(frozen=True, slots=True)
class Body:
    """What a coupon draws, for absolute axes and relative filament in mm."""

    lines: Sequence[str]
    bands: Sequence[Band]


@dataclass(frozen=True, slots=True)
class Sheet:
    """A finished coupon."""

    text: str
    time_s: float
    grams: float
    bands: tuple[Band, ...]


def finish(coupon: Coupon, setup: Setup, body: Body) -> Sheet:
    """Return the whole job file of a coupon.

    Raises
    ------
    BadInput
        It would leave the bed, or exceed what the printer card allows.
    """
    bare = _text((), setup, body)
    job = read_text(bare, setup)
    _check(job, setup)
    time_s, grams = job.run.time_s if job.run is not None else 0.0, grams_of(job, setup)
    return Sheet(_text(_header(coupon, setup, body, time_s, grams), setup, body), time_s, grams, tuple(body.bands))


def read_text(text: str, setup: Setup) -> Job:
    """Return a job that is no file yet, as the engine reads and runs it on the printer."""
    with tempfile.TemporaryDirectory(prefix="diagnose-") as folder:
        path = Path(folder) / "coupon.gcode"
        path.write_text(text, encoding="ascii")
        job = read_job(path, setup.machine)
        _ = job.file.shape.overhang  # nothing is left to do when the file has gone
    return job


def grams_of(job: Job, setup: Setup) -> float:
    """Return the mass of all filament pushed, g."""
    area = math.pi * setup.machine.filament_diameter**2 / 4
    return float(job.file.moves.e.sum()) * area / 1000 * setup.density


def _header(coupon: Coupon, setup: Setup, body: Body, time_s: float, grams: float) -> list[str]:
    heat = f"nozzle {setup.nozzle_c:g} C, bed {setup.bed_c:g} C"
    lines = [
        f"COUPON {coupon.id}: {coupon.name}", f"for: {setup.printer}{', ' + setup.plastic if setup.plastic else ''}; {heat}",
        f"takes {time_s / 60:.1f} min and {grams:.2f} g, heating up left out", "",
        *(f"CAUTION: {caution}" for caution in coupon.cautions), "", f"How to read it: {coupon.reads}", "",
    ]  # fmt: skip
    lines += [f"{band.from_mm:7.2f} to {band.to_mm:7.2f} mm: {band.what}" for band in body.bands]
    return [f"; {plain(line)}".rstrip() for line in lines]


def plain(text: str) -> str:
    """Return the text in letters that every board reads, on one line."""
    for letter, instead in {"°": " ", "²": "2", "³": "3", "–": "-", "×": "x", "ö": "oe", "ü": "ue", "ä": "ae"}.items():
        text = text.replace(letter, instead)
    return " ".join(text.encode("ascii", "replace").decode("ascii").split())


def _text(header: Sequence[str], setup: Setup, body: Body) -> str:
    heat = {"{nozzle}": f"{setup.nozzle_c:g}", "{bed}": f"{setup.bed_c:g}"}

    def filled(line: str) -> str:
        for mark, value in heat.items():
            line = line.replace(mark, value)
        return line

    start = [filled(line) for line in setup.printing.start]
    if setup.bed_c > 0:
        start.append(f"M190 S{setup.bed_c:g}")
    # Said again, for nobody knows what a person's own lines leave behind.
    start += [f"M109 S{setup.nozzle_c:g}", "G21", "G90", "M83", "M220 S100", "M221 S100", "M107"]
    end = [*(filled(line) for line in setup.printing.end), "M104 S0", "M140 S0", "M107"]
    return "\n".join((*header, *start, *body.lines, *end)) + "\n"


def _check(job: Job, setup: Setup) -> None:
    moves, bed, machine = job.file.moves, setup.bed, setup.machine
    draws = (moves.e > 0) & (job.file.length > 0)
    at = np.flatnonzero(draws)
    x, y = (np.concatenate((axis[at], axis[np.maximum(at - 1, 0)])) for axis in (moves.x, moves.y))
    off_x, off_y = np.abs(x - setup.middle[0]).max(), np.abs(y - setup.middle[1]).max()
    wide, deep = bed.width_mm.value / 2 - CLOSEST_MM, bed.depth_mm.value / 2 - CLOSEST_MM
    reach = float(np.hypot(x - setup.middle[0], y - setup.middle[1]).max())
    fits = reach <= wide if bed.shape == "round" else off_x <= wide and off_y <= deep
    if not fits:
        raise BadInput(
            f"the coupon is {2 * off_x:.0f} x {2 * off_y:.0f} mm, too large for this bed with {CLOSEST_MM:g} mm left all round",
            "print it on a larger bed",
        )
    if (top := float(moves.z[at].max())) > bed.height_mm.value:
        raise BadInput(
            f"the coupon is {top:.0f} mm high, and the nozzle may go to {bed.height_mm.value:g} mm",
            "use a higher printer",
        )
    for k, axis in enumerate((moves.x, moves.y, moves.z)):
        path = np.abs(np.diff(axis, prepend=axis[0]))
        speed = np.divide(path * moves.feed, job.file.length, out=np.zeros(len(path)), where=job.file.length > 0)
        _within(float(speed.max(initial=0.0)), machine.axis_speed[k], f"the speed of axis {'XYZ'[k]}", "mm/s")
    push = moves.e[at] / job.file.length[at] * moves.feed[at]
    _within(float(push.max(initial=0.0)), machine.axis_speed[3], "the speed of the feeder", "mm/s")
    area = math.pi * machine.filament_diameter**2 / 4
    _within(area * float(push.max(initial=0.0)), machine.melt_rate, "the flow", "mm3/s")


def _within(value: float, most: float, what: str, unit: str) -> None:
    if value > most * (1 + 1e-6):
        raise BadInput(
            f"{what} would be {value:.3g} {unit}, and the printer card allows {most:.3g}",
            "this coupon cannot be printed on that printer; check the number in the card",
        )
