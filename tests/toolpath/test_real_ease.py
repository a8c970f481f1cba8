"""Easing real job files: within the tolerance by somebody else's geometry, filament and ends and all other lines kept.

The files are not part of the project; the tests are skipped where they are absent.
"""

from __future__ import annotations

import pytest

from diagnose.errors import BadInput
from diagnose.toolpath.ease import SHORTER, ease
from diagnose.toolpath.source import find_source
from tests.toolpath.test_real_jobs import ENTRIES, FOLDER, MANIFEST
from tests.toolpath.twin_ease import hold

pytestmark = pytest.mark.skipif(not MANIFEST.exists(), reason="the real job files are kept outside the project")

EASED = [
    "spiral-cylinder-01.gcode", "spiral-temptower-03.gcode", "tiny-pin-01.gcode", "layered-parts-03.gcode",
    "multitool-fwretract-01.gcode", "layered-tray-02.gcode", "old-hook-03.gcode",
]  # fmt: skip
DOUBTFUL = {
    "layered-parts-01.gcode": "G90",
    "multitool-old-02.gcode": "G90",
    "layered-vase-delta-01.gcode": "M82",
    "broken-stress-01.gcode": "M83",
    "broken-truncated-01.gcode": "G90",
}
"""Jobs that never say what their words mean, and what the hint asks for."""


@pytest.mark.parametrize("tolerance", [0.005, 0.02, 0.05])
@pytest.mark.parametrize("name", EASED)
def test_a_real_job_stays_the_same_within_the_tolerance(name: str, tolerance: float) -> None:
    path = FOLDER / name
    done = ease(find_source(path), tolerance)
    held = hold(path.read_bytes(), done.data.tobytes(), 0.05)
    assert held.deviation <= tolerance + 1e-9
    assert held.deviation <= done.deviation_mm + 1e-9
    assert held.width <= SHORTER + 1e-5
    assert held.filament[1] == pytest.approx(held.filament[0], rel=1e-6)
    assert done.moves_before - done.moves_after == held.moves[0] - held.moves[1]


def test_two_fifths_of_the_moves_of_the_finely_faceted_job_go_at_a_fiftieth_of_a_millimetre() -> None:
    # Mean facet 0.22 mm by the manifest. The spirals' facets of 3.5 to 20 mm stray from their circles by more than that.
    assert ENTRIES["tiny-pin-01.gcode"]["segment_mean"] < 0.25
    done = ease(find_source(FOLDER / "tiny-pin-01.gcode"), 0.02)
    assert done.moves_after <= 0.6 * done.moves_before


def test_where_every_move_has_a_speed_of_its_own_nothing_changes() -> None:
    path = FOLDER / "spiral-cylinder-randomfeed-02.gcode"
    done = ease(find_source(path), 0.05)
    assert done.data.tobytes() == path.read_bytes()


@pytest.mark.parametrize("name", DOUBTFUL)
def test_a_real_job_that_leaves_doubt_is_refused(name: str) -> None:
    with pytest.raises(BadInput) as caught:
        ease(find_source(FOLDER / name), 0.02)
    assert DOUBTFUL[name] in caught.value.hint
