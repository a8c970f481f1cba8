"""What every real job file is: spiral, seams, layers, arcs, tools, extruder mode, objects, what helps and what holds.

The files are not part of the project; the tests are skipped where they are absent. The table was made by reading the
files: their manifest, the settings in their comments, and plots of single layers.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import numpy as np
import pytest

from diagnose.toolpath.columns import Role
from diagnose.toolpath.jobfile import read_motion
from diagnose.toolpath.moves import Interpreted
from diagnose.toolpath.shape import Shape, shape
from diagnose.toolpath.source import find_source

FOLDER = Path(__file__).parents[3] / "shared" / "gcode"
pytestmark = pytest.mark.skipif(not FOLDER.exists(), reason="the real job files are kept outside the project")


@dataclass(frozen=True)
class Row:
    """One file. Extruder words are `lengths`, `positions`, `both` (as M82 and M83 say), or there are `none`."""

    spiral: bool
    seams: str
    layers: int
    arcs: int
    tools: int
    extruder: str
    aids: str = ""
    """`skirt` (or brim), `tower`."""


TABLE = {
    "arcs-objects-02": Row(False, "aligned", 25, 160, 1, "lengths", "skirt"),
    "arcs-screw-01": Row(False, "scattered", 139, 5722, 1, "lengths", "skirt"),
    "broken-stress-01": Row(False, "none", 1, 0, 1, "lengths"),
    "broken-truncated-01": Row(False, "none", 1, 0, 1, "positions"),
    "calib-ooze-01": Row(False, "aligned", 10, 0, 1, "positions", "skirt"),
    "layered-parts-01": Row(False, "aligned", 25, 0, 1, "positions", "skirt"),
    "layered-parts-03": Row(False, "scattered", 42, 0, 1, "positions", "skirt"),
    "layered-tray-02": Row(False, "aligned", 190, 4057, 1, "lengths"),
    "layered-vase-delta-01": Row(False, "aligned", 115, 0, 1, "positions"),
    "multitool-fwretract-01": Row(False, "aligned", 63, 0, 2, "lengths", "skirt tower"),
    "multitool-old-02": Row(False, "scattered", 111, 0, 2, "positions"),
    "odd-spaced-words-01": Row(False, "none", 0, 0, 1, "none"),
    "old-hook-03": Row(False, "aligned", 40, 0, 1, "both", "skirt"),
    "old-onoff-01": Row(False, "scattered", 30, 0, 1, "none", "skirt"),
    "old-thinbox-02": Row(False, "aligned", 14, 0, 1, "positions"),
    "spiral-cylinder-01": Row(True, "none", 333, 0, 1, "lengths", "skirt"),
    "spiral-cylinder-randomfeed-02": Row(True, "none", 333, 0, 1, "lengths", "skirt"),
    "spiral-temptower-03": Row(True, "none", 500, 0, 1, "lengths", "skirt"),
    "tiny-pin-01": Row(False, "scattered", 166, 0, 1, "positions", "skirt"),
}
NAMES = sorted(TABLE)


@cache
def analysis(name: str) -> tuple[Interpreted, Shape]:
    read, _ = read_motion(find_source(FOLDER / f"{name}.gcode"))
    return read, shape(read.moves, read.events, 0.4)


def filament(name: str, mode: str) -> float:
    """Return mm of filament pushed while moving, as a few lines of code read them, each tool by itself."""
    lengths, last, tool, pushed = mode == "lengths", {0: 0.0}, 0, 0.0
    for line in (FOLDER / f"{name}.gcode").read_text("latin-1").splitlines():
        line = re.sub(r"\(.*?\)|;.*", "", line).upper()
        if mode == "both" and re.match(r"\s*M8[23]\b", line):
            lengths = "M83" in line
        if found := re.match(r"\s*(?:M135\s*)?T(\d+)", line):
            tool = int(found[1])
        word = re.search(r"[EA]\s*(-?[\d.]+)", line)
        if re.match(r"\s*G92\b", line) and word:
            last[tool] = float(word[1])
        elif re.match(r"\s*G0*[0123](?!\d)", line) and word:
            pushed += max(0.0, float(word[1]) - (0.0 if lengths else last.get(tool, 0.0)))
            last[tool] = float(word[1])
    return pushed


def test_every_readable_file_has_a_row() -> None:
    assert {path.stem for path in FOLDER.glob("*.gcode")} - {"broken-garbage-01"} == set(TABLE)


@pytest.mark.parametrize("name", NAMES)
def test_a_real_job_is_what_the_table_says(name: str) -> None:
    read, found = analysis(name)
    row = TABLE[name]
    assert (found.spiral.share >= 0.9, found.seam_style) == (row.spiral, row.seams)
    assert (len(found.layer_z), read.counts.arcs) == (row.layers, row.arcs)
    assert len(np.unique(read.moves.tool)) == row.tools
    # No real job here curves its layers or draws object after object.
    assert found.flat_layers and found.objects <= 1


@pytest.mark.parametrize("name", NAMES)
def test_the_extruder_of_a_real_job_is_read_as_it_is_meant(name: str) -> None:
    read, _ = analysis(name)
    mode = TABLE[name].extruder
    own = np.ones(len(read.moves), bool)
    own[read.by_board.move] = False
    pushed = float(read.moves.e[own & (read.moves.e > 0)].sum())
    if mode == "none":
        assert pushed == 0.0 or "flow" in read.assumed
        return
    assert pushed == pytest.approx(filament(name, mode), rel=1e-6, abs=1e-4)
    other = filament(name, {"lengths": "positions", "positions": "lengths", "both": "lengths"}[mode])
    assert abs(other - pushed) > 0.01 * pushed


@pytest.mark.parametrize("name", NAMES)
def test_what_only_helps_is_told_from_the_part(name: str) -> None:
    read, found = analysis(name)
    path = {role: float(found.length[(found.role == role) & (read.moves.e > 0)].sum()) for role in Role}
    aids = TABLE[name].aids
    drawn = float(found.layer_path.sum())
    assert (path[Role.SUPPORT] > 0.0015 * drawn) == ("skirt" in aids)
    assert (path[Role.PRIME] > 0.3 * drawn) == ("tower" in aids)


def test_the_tower_of_two_tools_is_half_of_what_is_drawn_and_no_part() -> None:
    """Its outline, 60 by 47 mm, stays the same from the first layer to the last."""
    read, found = analysis("multitool-fwretract-01")
    tower = (found.role == Role.PRIME) & (read.moves.e > 0) & (found.layer >= 0)
    assert read.moves.x[tower].min() == pytest.approx(117.9, abs=0.3) and read.moves.x[tower].max() < 178.3
    assert read.moves.y[tower].max() < 143.0
    outer = found.role == Role.OUTER
    assert read.moves.y[outer].min() > 143.0


def test_the_vase_cut_out_of_its_job_hangs_where_layers_are_missing() -> None:
    """From layer to layer 0.2 mm, but every fourth time 3.2 mm: nothing lies below."""
    _, found = analysis("layered-vase-delta-01")
    apart = np.diff(found.layer_z) > 1.0
    hangs = found.overhang.share_by_layer[1:] > 0.99
    drawn = found.overhang.path[1:] > 0
    assert apart.sum() > 10 and (hangs == apart)[drawn].all()


def test_an_upright_pin_and_an_upright_box_hang_nowhere() -> None:
    assert analysis("spiral-temptower-03")[1].overhang.share < 0.005
    assert analysis("old-hook-03")[1].overhang.share < 0.005
    assert analysis("layered-tray-02")[1].overhang.share < 0.005
