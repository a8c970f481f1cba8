"""Easing: what goes, what stays, what is refused; paths held together by the oracle."""

from __future__ import annotations

import math
import random
from pathlib import Path

import numpy as np
import pytest

from diagnose.coupons import spiral
from diagnose.errors import BadInput
from diagnose.toolpath import ease as easing
from diagnose.toolpath._kernels import simplify
from diagnose.toolpath.ease import Eased, ease
from diagnose.toolpath.source import find_source
from tests.toolpath import jobs
from tests.toolpath.twin_ease import hold

HEAD = "G21\nG90\nM83\nG28\nG1 X0 Y0 Z0.2 F3000\n"


@pytest.fixture
def eased(tmp_path: Path):
    """Ease a text; returns the result and the text written."""

    def run(text: str | bytes, tolerance: float = 0.02) -> tuple[Eased, str]:
        path = tmp_path / "job.gcode"
        path.write_bytes(text if isinstance(text, bytes) else text.encode())
        done = ease(find_source(path), tolerance)
        return done, done.data.tobytes().decode("latin-1")

    return run


def body(text: str, head: str = HEAD) -> str:
    assert text.startswith(head)
    return text.removeprefix(head)


def test_both_files_of_kernels_mean_the_same_flags():
    assert (simplify.JOINS, simplify.LENGTHS, simplify.PLACED) == (
        easing.kernels.JOINS, easing.kernels.LENGTHS, easing.kernels.PLACED,
    )  # fmt: skip


# What goes


def test_lengths_become_sums_with_the_finest_digits_and_the_last_line_stays(eased):
    _, text = eased(HEAD + "G1 X1 Y0 E0.1\nG1 X2.000 Y0 E.10000\nG1 X3.0 Y0 E0.10 ; wall\n")
    # The comment makes the last line another kind.
    assert body(text) == "G1 X2.000 Y0 E0.20000\nG1 X3.0 Y0 E0.10 ; wall\n"


def test_positions_of_filament_stay_as_they_are_written(eased):
    head = HEAD.replace("M83", "M82") + "G92 E0\n"
    _, text = eased(head + "".join(f"G1 X{k} Y0 E{k / 10:.5f}\n" for k in range(1, 9)))
    assert body(text, head) == "G1 X8 Y0 E0.80000\n"


def test_words_that_only_lines_left_out_have_are_copied(eased):
    _, text = eased(HEAD + "G1 X9 Y1 E.9\nG1 X10 Y1 E.1 F1200\nG1 X11 E.1\nG1 X12 E.1\n")
    assert body(text) == "G1 X9 Y1 E.9\nG1 X12 E0.3 Y1 F1200\n"


def test_steps_are_added_up_where_filament_is_stated_to_be_lengths(eased):
    head = HEAD + "G91\n"
    _, text = eased(head + "G1 X0.5 Y.25 E0.1\n" * 8)
    assert body(text, head) == "G1 X4.0 Y2.00 E0.8\n"


def test_a_comment_of_the_same_words_on_every_line_is_kept_once(eased):
    _, text = eased(HEAD + "".join(f"G1 X{k} Y0 E0.1 ; wall\r\n" for k in range(1, 6)))
    assert body(text) == "G1 X5 Y0 E0.5 ; wall\r\n"


@pytest.mark.parametrize(("radius", "facets"), [(1.2, 26), (10, 300), (60, 2000)])
def test_a_circle_takes_as_few_chords_as_the_tolerance_allows(eased, radius, facets):
    ring = jobs.circle(radius, facets, 100, 100)
    flow = 0.05 * 2 * math.pi * radius / facets
    lines = [f"G1 X{x:.4f} Y{y:.4f} E{flow:.5f}" for x, y in [*ring[1:], ring[0]]]
    text = HEAD + f"G1 X{100 + radius:.4f} Y100.0000 F9000\nG1 F3000\n" + "\n".join(lines) + "\n"
    done, written = eased(text)
    after = written.count(" E")
    # Closed form: corners 0.02 mm outside and chords 0.02 mm inside touch both bounds.
    fewest = math.pi / math.acos((radius - 0.02) / (radius + 0.02))
    assert fewest <= after + 1 and after <= 1.5 * fewest + 3
    assert hold(text.encode(), written.encode(), 0.005).deviation <= 0.02 + 1e-9
    assert done.deviation_mm == pytest.approx(hold(text.encode(), written.encode(), 0.005).deviation, rel=0.05)


def test_the_shade_of_the_demo_falls_by_more_than_two_fifths(eased):
    text = spiral.write(spiral.lamp_shade())
    done, written = eased(text)
    assert done.moves_after < 0.6 * done.moves_before
    assert 0.01 < done.deviation_mm <= 0.02
    assert done.filament_after_mm == pytest.approx(done.filament_before_mm, rel=1e-6)
    assert hold(text.encode(), written.encode(), 0.1).deviation == pytest.approx(done.deviation_mm, rel=0.02)


# What stays


STAYS = {
    "a comment between": "G1 X1 Y0 E.1\n; here\nG1 X2 Y0 E.1\n",
    "a blank line between": "G1 X1 Y0 E.1\n\nG1 X2 Y0 E.1\n",
    "another command between": "G1 X1 Y0 E.1\nM106 S9\nG1 X2 Y0 E.1\n",
    "another speed": "G1 X1 Y0 E.1 F600\nG1 X2 Y0 E.1 F601\n",
    "another line width": "G1 X1.000 Y0.000 E.10000\nG1 X2.000 Y0.000 E.10400\nG1 X3.000 Y0.000 E.10800\n",
    "a step of one layer": "G1 X1 Y0 Z.200 E.1\nG1 X2 Y0 Z.215 E.1\nG1 X3 Y0 Z.215 E.1\n",
    "a way back": "G1 X1 Y0 E.1\nG1 X0.5 Y0 E.05\n",
    "a wipe": "G1 X1 Y0 E-.1\nG1 X2 Y0 E-.1\n",
    "quick moves": "G0 X1 Y0\nG0 X2 Y0\n",
    "lifts": "G1 Z1\nG1 Z2\n",
    "travel and print": "G1 X1 Y0\nG1 X2 Y0 E.1\n",
    "comments that differ": "G1 X1 Y0 E.1 ; a\nG1 X2 Y0 E.1 ; b\n",
    "line ends that differ": "G1 X1 Y0 E.1\r\nG1 X2 Y0 E.1\n",
    "a word for something else": "G1 X1 Y0 E.1 S5\nG1 X2 Y0 E.1 S5\n",
    "an axis of its own": "G1 X1 Y0 U1 E.1\nG1 X2 Y0 U1 E.1\n",
    "two commands on a line": "G1 X1 Y0 E.1 G1 X2 Y0 E.1\nG1 X3 Y0 E.1\n",
    "a corner": "G1 X1 Y0 E.1\nG1 X1 Y1 E.1\n",
    "lines without their command": "G1 X1 Y0 E.1\nX2 Y0 E.1\nX3 Y0 E.1\n",
    "moves under a condition": "{if a}\nG1 X1 Y0 E.1\nG1 X2 Y0 E.1\n{endif}\n",
    "the older name of the extruder": "G1 X1 Y0 A.1\nG1 X2 Y0 A.1\n",
    "what is no number": "G1 X1 Y0 E.1\nG1 X2.. Y0 E.1\n",
    "moves whose start a macro leaves open": "PARK_IT\nG1 X1 Y0 E.1\nG1 X2 Y0 E.1\n",
    "after the head was homed": "G28 X\nG1 X1 Y0 E.1\nG1 X2 Y0 E.1\n",
    "filament of steps of which it is not said": "M82\nG91\nG1 X1 Y0 E.1\nG1 X1 Y0 E.1\n",
}


@pytest.mark.parametrize("what", STAYS)
def test_what_could_change_the_print_stays_byte_for_byte(eased, what):
    text = HEAD + "G1 X0 Y0 E.001\nG4 P1\n" + STAYS[what]
    try:
        assert eased(text)[1] == text
    except BadInput as refused:
        assert what.startswith("filament of steps") and "M83" in refused.hint


def test_once_places_are_stated_anew_after_a_macro_moves_are_joined_again(eased):
    _, text = eased(HEAD + "PARK_IT\nG1 X1 Y0 E.1\nG1 X2 Y0 E.1\nG1 X3 Y0 E.1\n")
    assert body(text) == "PARK_IT\nG1 X1 Y0 E.1\nG1 X3 Y0 E0.2\n"


def test_true_corners_stay_to_the_last_digit(eased):
    square = jobs.square(5.0, steps=7)
    text = HEAD + "\n".join(jobs.ring(square)) + "\n"
    _, written = eased(text)
    assert [line for line in written.splitlines() if " E" in line] == [
        "G1 X105.000 Y95.000 E0.35", "G1 X105.000 Y105.000 E0.35", "G1 X95.000 Y105.000 E0.35", "G1 X95.000 Y95.000 E0.35",
    ]  # fmt: skip


def test_a_spiral_climbs_on_and_its_height_is_kept_within_a_digit(eased):
    points = [
        (100 + 10 * math.cos(a), 100 + 10 * math.sin(a), 0.2 + 0.2 * a / (2 * math.pi)) for a in np.arange(0, 25, 0.02)
    ]
    head = HEAD + "G1 X{:.3f} Y{:.3f} Z{:.3f} F9000\nG1 F3000\n".format(*points[0])
    text = head + "".join(f"G1 X{x:.3f} Y{y:.3f} Z{z:.3f} E0.00700\n" for x, y, z in points[1:])
    done, written = eased(text)
    assert done.moves_after < 0.25 * done.moves_before
    assert hold(text.encode(), written.encode()).deviation <= 0.02


# What is refused


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("N1 G90*19\nN2 M83*18\nN3 G1 X1 Y1 E1*86\nN4 G1 X2 Y2 E1*81\n", "numbered"),
        ("M83\nG1 X0 Y0\nG1 X1 Y0 E.1\nG1 X2 Y0 E.1\n", "G90"),
        ("G90\nG1 X0 Y0\nG1 X1 Y0 E.1\nG1 X2 Y0 E.1\n", "M82"),
        ("G90\nM83\n{if layer}\nM82\n{endif}\nG1 X0 Y0\nG1 X1 Y0 E.1\nG1 X2 Y0 E.1\n", "condition"),
        ("%PDF-1.4\nstream of something\nG1 X1\n" + "!!!! ????\n" * 20, "not G-code"),
    ],
)
def test_a_job_that_leaves_doubt_is_refused_with_a_hint(eased, text, said):
    with pytest.raises(BadInput) as caught:
        eased(text)
    assert said in caught.value.what and caught.value.hint


@pytest.mark.parametrize("tolerance", [0, -1, math.nan, 0.21, math.inf])
def test_a_tolerance_that_makes_no_sense_is_refused(eased, tolerance):
    with pytest.raises(BadInput, match="cannot be kept"):
        eased(HEAD + "G1 X1\n", tolerance)


@pytest.mark.parametrize("spoilt", ["E0.2", "X2.0", "F3000"])
def test_nothing_is_returned_that_does_not_read_back_as_the_same_job(eased, monkeypatch, spoilt):
    write = easing.kernels.write

    def careless(*given):
        out, count = given[-1], write(*given)
        text = out[:count].tobytes()
        worse = text.replace(spoilt.encode(), spoilt[:1].encode() + b"9" + spoilt[2:].encode())
        assert worse != text
        out[: len(worse)] = np.frombuffer(worse, np.uint8)
        return len(worse)

    monkeypatch.setattr(easing.kernels, "write", careless)
    with pytest.raises(BadInput, match="read back"):
        eased(HEAD + "G1 X1.0 Y0 E0.1\nG1 X2.0 Y0 E0.1\n")


# Random jobs


def random_job(seed: int) -> str:
    """Return a job of curves in every way of writing them that may be eased, with all that ends a run between."""
    dice = random.Random(seed)
    digits, ends = dice.choice([2, 3, 4]), dice.choice(["\n", "\r\n"])
    lengths, tail = dice.random() < 0.5, dice.choice(["", "", " ; wall"])
    lines = ["G21", "G90", "M83" if lengths else "M82", "G28", "G92 E0", "G1 X90 Y90 Z0.2 F6000", "G1 X100 Y100"]
    x, y, z, e, heading, bend = 100.0, 100.0, 0.2, 0.0, 0.0, 0.0
    flow, climb, step = 0.05, 0.0, 0.3
    for _ in range(dice.randrange(150, 400)):
        chance = dice.random()
        if chance < 0.03:
            bend, step = dice.uniform(-0.4, 0.4), dice.choice([0.02, 0.1, 0.3, 2.0])
        elif chance < 0.05:
            heading += dice.uniform(-3, 3)
        elif chance < 0.06:
            climb = dice.choice([0.0, 0.01, 0.002])
        elif chance < 0.10:
            lines.append(
                dice.choice(["; note", "", "M106 S100", f"G1 F{dice.choice([1200, 3000])}", "G4 P10", "SET_IT A=1"])
            )
        elif chance < 0.12:
            flow = dice.choice([0.03, 0.05])
        elif chance < 0.13 and not lengths:
            lines.append("G92 E0")
            e = 0.0
        elif chance < 0.14:
            lines += [
                f"G1 E{-0.8 if lengths else e - 0.8:.5f} F2400",
                f"G1 E{0.8 if lengths else e:.5f} F2400",
                "G1 F3000",
            ]
        elif chance < 0.15:
            x, y = round(x + 2, digits), y
            lines.append(f"G2 X{x:.{digits}f} Y{y:.{digits}f} I1 J0")
        heading += bend
        travel = dice.random() < 0.02
        x, y = round(x + step * math.cos(heading), digits), round(y + step * math.sin(heading), digits)
        z = round(z + climb * step, 3)
        words = [f"X{x:.{digits}f}", f"Y{y:.{digits}f}"]
        if climb:
            words.append(f"Z{z:.3f}")
        if not travel:
            pushed = flow * step
            e = e + pushed
            words.append(f"E{pushed if lengths else e:.5f}")
        lines.append("G1 " + " ".join(words) + tail)
    return ends.join(lines) + ends


@pytest.mark.parametrize("seed", range(40))
def test_random_jobs_stay_the_same_job_within_the_tolerance(eased, seed):
    text = random_job(seed)
    tolerance = (0.004, 0.02, 0.1)[seed % 3]
    done, written = eased(text, tolerance)
    # In a path that crosses itself the nearest point may belong to another stretch: only the bound holds of distances.
    held = hold(text.encode(), written.encode(), 0.01)
    assert held.deviation <= tolerance + 1e-9
    assert held.width <= easing.SHORTER + 1e-5
    assert held.filament[1] == pytest.approx(held.filament[0], rel=1e-6, abs=1e-7)
    assert done.moves_before - done.moves_after == held.moves[0] - held.moves[1] > 5
    assert held.deviation <= done.deviation_mm + 1e-3 * tolerance
    again, _ = eased(written.encode(), tolerance)
    assert again.moves_after <= done.moves_after


def fewest(points: np.ndarray, tolerance: float) -> int:
    """Return the fewest moves that pass every corner left out within the tolerance, by trying all (Imai and Iri 1988)."""
    n = len(points)
    best = [0] + [n] * (n - 1)
    for j in range(1, n):
        for i in range(j):
            a, way = points[i], points[j] - points[i]
            long = float(np.linalg.norm(way))
            inner = points[i + 1 : j] - a
            along = inner @ way / long if long else inner @ way
            off = np.linalg.norm(inner - np.outer(along / long, way), axis=1) if long else np.full(len(inner), np.inf)
            half = np.sqrt(np.maximum(tolerance**2 - off**2, 0))
            reached = np.maximum.accumulate(along - half) if len(inner) else along
            if (off <= tolerance).all() and (reached <= np.minimum(along + half, long)).all():
                best[j] = min(best[j], best[i] + 1)
    return best[-1]


@pytest.mark.parametrize("seed", range(12))
def test_no_more_moves_are_left_than_the_fewest_at_half_the_tolerance(eased, seed):
    dice = np.random.default_rng(seed)
    heading = np.cumsum(np.cumsum(dice.normal(0, 0.02, 80)))
    points = np.round(
        100 + np.vstack(([0, 0], np.cumsum(0.2 * np.column_stack((np.cos(heading), np.sin(heading))), axis=0))), 3
    )
    long = np.linalg.norm(np.diff(points, axis=0), axis=1)
    head = HEAD + f"G1 X{points[0][0]:.3f} Y{points[0][1]:.3f} F9000\nG1 F3000\n"
    text = head + "".join(f"G1 X{x:.3f} Y{y:.3f} E{0.05 * d:.5f}\n" for (x, y), d in zip(points[1:], long, strict=True))
    _, written = eased(text)
    after = written.count(" E")
    assert after <= fewest(points, 0.01)
    assert after < 80
