"""Real job files, written by several programs between 2010 and 2026, against counts made by an independent script.

The files are not part of the project; the tests are skipped where they are absent.
"""

from __future__ import annotations

import math
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import yaml

from diagnose.errors import BadInput
from diagnose.toolpath.columns import EventKind, Role
from diagnose.toolpath.jobfile import read_motion
from diagnose.toolpath.moves import ASSUMED_FLOW, ASSUMED_RETRACT_MM, ASSUMED_RETRACT_SPEED, Interpreted
from diagnose.toolpath.shape import Shape, shape
from diagnose.toolpath.source import find_source
from tests.toolpath import plain_reader

FOLDER = Path(__file__).parents[3] / "shared" / "gcode"
MANIFEST = FOLDER / "manifest.yaml"
pytestmark = pytest.mark.skipif(not MANIFEST.exists(), reason="the real job files are kept outside the project")

ENTRIES: dict[str, Any] = (
    {entry["name"]: entry for entry in yaml.safe_load(MANIFEST.read_text())} if MANIFEST.exists() else {}
)
GARBAGE = "broken-garbage-01.gcode"
READABLE = sorted(set(ENTRIES) - {GARBAGE})
SPIRALS = [name for name in READABLE if ENTRIES[name]["spiral"]]
LAYERED = [name for name in READABLE if not ENTRIES[name]["spiral"]]

EXPLAINED = {
    "spiral-temptower-03.gcode": (
        "extruding",
        [33],
        "the first line of the intro draws to X60 from a place the job never states: no distance is known",
    ),
}
"""Differences from the independent counts: what, on which lines, why. At most two files."""


@cache
def analysis(name: str) -> tuple[Interpreted, Shape]:
    read, _ = read_motion(find_source(FOLDER / name))
    return read, shape(read.moves, read.events, 0.4)


def test_garbage_is_refused_in_one_line() -> None:
    with pytest.raises(BadInput) as caught:
        read_motion(find_source(FOLDER / GARBAGE))
    assert "\n" not in str(caught.value) and caught.value.hint


def test_a_truncated_job_is_read_up_to_where_it_breaks_off() -> None:
    """The file ends in the middle of a number, `X3.14`: nothing tells it from a whole one, so it is taken as it is."""
    read, found = analysis("broken-truncated-01.gcode")
    assert (read.counts.motion, read.counts.extruding) == (4, 2)
    assert read.moves.x[-1] == 3.14 and len(found.layer_z) == 1


@pytest.mark.parametrize("name", READABLE)
def test_counts_agree_with_the_independent_script(name: str) -> None:
    """Exactly, and where not, the lines that differ are named with the reason."""
    read, _ = analysis(name)
    entry = ENTRIES[name]
    assert read.counts.motion == entry["moves"]
    assert read.counts.arcs == entry["arcs"]
    assert [read.counts.retracts, read.counts.restarts] == entry["retractions_g10_g11"]
    what, lines, _ = EXPLAINED.get(name, ("", [], ""))
    missing = len(lines) if what == "extruding" else 0
    assert read.counts.extruding == entry["extruding_moves"] - missing


def test_at_most_two_files_need_an_explanation() -> None:
    assert len(EXPLAINED) <= 2


@pytest.mark.parametrize("name", sorted(EXPLAINED))
def test_explained_lines_are_the_lines_they_say(name: str) -> None:
    read, found = analysis(name)
    _, lines, _ = EXPLAINED[name]
    for line in lines:
        moves = np.flatnonzero(read.moves.line == line)
        assert len(moves) == 1
        assert np.all(read.moves.e[moves] > 0) and np.all(found.length[moves] == 0)


@pytest.mark.parametrize("name", READABLE)
def test_path_and_feed_agree_with_the_independent_script(name: str) -> None:
    read, found = analysis(name)
    entry = ENTRIES[name]
    drawn = (read.moves.e > 0) & (np.hypot(*(np.diff(axis, prepend=axis[0]) for axis in (read.moves.x, read.moves.y))) > 0)
    assert found.length[drawn].sum() / 1000 == pytest.approx(entry["extruded_path_m"], abs=0.06, rel=2e-3)
    if entry["feed_max"]:
        assert float(read.moves.feed.max()) * 60 == pytest.approx(float(entry["feed_max"]), rel=1e-7)


@pytest.mark.parametrize("name", READABLE)
def test_every_move_agrees_with_the_plain_reader(name: str) -> None:
    """Lines, places, filament and speed of every move, and the length of filament in all."""
    read, _ = analysis(name)
    text = (FOLDER / name).read_bytes().decode("utf-8", "replace")
    flow = ASSUMED_FLOW if "flow" in read.assumed else 0.0
    plain = plain_reader.steps(text, 0.01, ASSUMED_RETRACT_MM, ASSUMED_RETRACT_SPEED, flow)
    assert read.moves.line.tolist() == [step.line for step in plain]
    for axis in ("x", "y", "z", "e", "feed"):
        column = getattr(read.moves, axis)
        expected = np.array([getattr(step, axis) for step in plain], column.dtype)
        np.testing.assert_allclose(column, expected, rtol=1e-12, atol=1e-9, err_msg=axis)
    assert float(read.moves.e.sum()) == pytest.approx(math.fsum(step.e for step in plain), rel=1e-9, abs=1e-6)


@pytest.mark.parametrize("name", SPIRALS)
def test_spiral_jobs_are_called_spiral(name: str) -> None:
    _, found = analysis(name)
    assert found.spiral.share >= 0.9
    assert found.seam_style == "none"


@pytest.mark.parametrize("name", LAYERED)
def test_jobs_in_layers_are_not(name: str) -> None:
    """Among them a vase sliced in layers, of which only the seam moves rise."""
    assert analysis(name)[1].spiral.share == 0.0


@pytest.mark.parametrize("name", [name for name in READABLE if not name.startswith(("broken", "odd"))])
def test_layers_agree_with_the_independent_script(name: str) -> None:
    assert len(analysis(name)[1].layer_z) == ENTRIES[name]["layer_count_est"]


def test_the_vase_in_layers_has_one_loop_a_layer_and_a_seam_in_one_line() -> None:
    _, found = analysis("layered-vase-delta-01.gcode")
    assert len(found.seams.move) == 112  # of 115 layers: the three of the bottom are drawn as one winding line
    assert found.seam_style == "aligned"


def test_a_pin_whose_loops_begin_anywhere_has_scattered_seams() -> None:
    _, found = analysis("tiny-pin-01.gcode")
    assert len(found.seams.move) == 166 and found.seam_style == "scattered"
    assert found.facet_median == pytest.approx(0.29, abs=0.01)


def test_extruder_modes_never_stated_are_inferred_and_said() -> None:
    for name in ("layered-vase-delta-01.gcode", "multitool-old-02.gcode"):
        assert any("taken as positions" in note for note in analysis(name)[0].notes)


def test_a_job_without_filament_words_rests_on_an_assumption_that_is_said() -> None:
    read, found = analysis("old-onoff-01.gcode")
    assert "flow" in read.assumed and (found.role == Role.OUTER).any()


def test_tools_are_followed_by_t_words_and_by_m135() -> None:
    for name in ("multitool-fwretract-01.gcode", "multitool-old-02.gcode"):
        read, _ = analysis(name)
        assert set(read.moves.tool.tolist()) == {0, 1}
        assert (read.events.kind == EventKind.TOOL).any()


@pytest.mark.parametrize("name", READABLE)
def test_nothing_in_a_real_job_is_unreadable(name: str) -> None:
    read, _ = analysis(name)
    odd = {reason for reason in read.trouble.counts if not reason.startswith("unknown command")}
    assert odd <= {"a feed of nothing or less"}


@pytest.mark.parametrize("name", READABLE)
def test_columns_of_a_real_job_are_whole(name: str) -> None:
    read, found = analysis(name)
    moves = read.moves
    for column in (moves.x, moves.y, moves.z, moves.e, moves.feed, found.length):
        assert np.isfinite(column).all()
    assert np.all(np.diff(moves.line) >= 0)
    size = (FOLDER / name).stat().st_size
    assert 0 < moves.bytes_all.sum() <= size
    assert 0 < moves.bytes_code.sum() <= moves.bytes_all.sum() + 1  # a last line without its end is sent with one
    assert np.all(found.layer < len(found.layer_z)) and np.all(read.events.before <= len(moves))
