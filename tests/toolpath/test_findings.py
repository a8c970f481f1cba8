"""Every finding said of a job made to show it, and not said of one made not to."""

from __future__ import annotations

import math
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from unittest.mock import patch

import numpy as np
import pytest
import yaml
from hypothesis import given, settings
from hypothesis import strategies as st

from diagnose.coupons.spiral import SpiralJob, lamp_shade, tube
from diagnose.toolpath.findings import REGISTRY, Finding, ground
from diagnose.toolpath.findings.ground import weighted_quantile
from diagnose.toolpath.job import Job
from tests.toolpath.parts import answers, circle, layered, machine, read, square

RULES = Path(__file__).parents[2] / "rules" / "findings"


def said(job: Job, id: str) -> Finding:
    return next(finding for finding in job.findings if finding.id == id)


def declared() -> dict[str, set[str]]:
    entries = [e for path in sorted(RULES.glob("*.yaml")) for e in yaml.load(path.read_text(), yaml.BaseLoader)["findings"]]
    return {entry["id"]: {answer["id"] for answer in entry["answers"]} for entry in entries}


def test_rules_and_engine_know_the_same_findings() -> None:
    assert set(declared()) == set(REGISTRY)


def test_the_list_of_findings_is_read_without_compiled_code() -> None:
    code = "import sys; from diagnose.toolpath.findings import REGISTRY; assert REGISTRY and 'numba' not in sys.modules"
    subprocess.run([sys.executable, "-c", code], check=True, cwd=RULES.parents[1])


@pytest.mark.parametrize(
    "job",
    [lamp_shade(), layered(square(), retract=2.0), layered(circle(), first=lambda layer: 17 * layer)],
    ids=["lamp shade", "square", "circle"],
)
def test_every_answer_is_declared_and_every_finding_shows_lines_of_the_job(tmp_path: Path, job: str | SpiralJob) -> None:
    made = read(tmp_path, job, machine(checkpoint_every=5, checkpoint_takes=0.16, hiccups_per_min=1, hiccup_takes=0.1))
    known = declared()
    assert len(made.findings) > 20
    for finding in made.findings:
        assert finding.answer in known[finding.id]
        assert 0 < finding.confidence <= 0.95
        assert finding.because and len(finding.lines) <= 10
        assert all(1 <= line <= made.file.lines for line in finding.lines)


# What the shape says.


def test_a_tube_in_one_spiral_is_a_spiral_without_a_seam(tmp_path: Path) -> None:
    said = answers(read(tmp_path, tube(radius=20, height=6, facets=60, speed=60)))
    assert (said["job-spiral"], said["spiral-extent"], said["job-seam-placement"]) == ("yes", "whole", "no-seam")


def test_a_spiral_on_a_base_is_partly_a_spiral(tmp_path: Path) -> None:
    said = answers(read(tmp_path, lamp_shade()))
    assert (said["job-spiral"], said["spiral-extent"]) == ("yes", "partly")


def test_a_part_in_layers_is_no_spiral(tmp_path: Path) -> None:
    said = answers(read(tmp_path, layered(square())))
    assert (said["job-spiral"], said["spiral-extent"]) == ("no", "none")


@pytest.mark.parametrize(
    ("text", "placed"),
    [
        (layered(circle()), "aligned"),
        (layered(circle(facets=60), layers=60, first=lambda layer: (layer * 37 + layer**2 * 11) % 60), "scattered"),
        (layered(square(pieces=10), layers=40, first=lambda layer: 10 * ((layer * 7 + layer**2) % 4)), "at-corners"),
    ],
    ids=["one line", "scattered", "corners"],
)
def test_seams_are_placed_where_the_loops_start(tmp_path: Path, text: str, placed: str) -> None:
    assert answers(read(tmp_path, text))["job-seam-placement"] == placed


@pytest.mark.parametrize(
    ("facets", "length", "chord"), [(24, "long", "visible"), (150, "short", "fine"), (600, "tiny", "needless")]
)
def test_facets_are_graded_by_length_and_by_what_can_be_seen(
    tmp_path: Path, facets: int, length: str, chord: str
) -> None:
    job = read(tmp_path, tube(radius=20, height=6, facets=facets, speed=60))
    assert said(job, "facet-length").answer == length
    assert said(job, "facet-length").value == pytest.approx(40 * math.sin(math.pi / facets), rel=0.01)
    assert said(job, "chord-error").answer == chord
    assert said(job, "chord-error").value == pytest.approx(20 * (1 - math.cos(math.pi / facets)), rel=0.05)


def test_a_box_has_no_chord_error(tmp_path: Path) -> None:
    assert "chord-error" not in answers(read(tmp_path, layered(square(pieces=20))))


@pytest.mark.parametrize(("facets", "speed", "asked"), [(24, 40.0, "low"), (150, 150.0, "busy"), (400, 150.0, "high")])
def test_demand_is_facets_over_the_time_of_a_turn(tmp_path: Path, facets: int, speed: float, asked: str) -> None:
    job = read(tmp_path, tube(radius=20, height=12, facets=facets, speed=speed))
    found = said(job, "moves-demanded")
    assert found.answer == asked
    assert found.value == pytest.approx(speed / (40 * math.sin(math.pi / facets)), abs=2.0, rel=0.01)


def test_the_lamp_shade_has_a_calm_body_and_a_busy_rim(tmp_path: Path) -> None:
    job = read(tmp_path, lamp_shade())
    assert said(job, "demand-varies").answer == "yes"
    rim = said(job, "moves-demanded")
    assert rim.answer == "busy"
    assert job.file.moves.z[job.file.moves.line == rim.lines[0]][0] > 70


def test_a_plain_tube_asks_the_same_everywhere(tmp_path: Path) -> None:
    assert answers(read(tmp_path, tube(radius=20, height=12, facets=100, speed=40)))["demand-varies"] == "no"


@pytest.mark.parametrize(("side", "graded"), [(30.0, "hurried"), (120.0, "brief"), (240.0, "ample")])
def test_short_layers_are_told_by_the_time_asked_for(tmp_path: Path, side: float, graded: str) -> None:
    found = said(read(tmp_path, layered(square(side))), "shortest-layer")
    assert found.answer == graded
    assert found.value == pytest.approx(4 * side / 60, abs=0.2)


@pytest.mark.parametrize(("speed", "graded"), [(30.0, "slow"), (80.0, "middling"), (160.0, "fast")])
def test_wall_speed_is_the_speed_asked_for(tmp_path: Path, speed: float, graded: str) -> None:
    found = said(read(tmp_path, layered(square(), speed=lambda layer: speed)), "job-wall-speed")
    assert (found.answer, found.value) == (graded, pytest.approx(speed))


# Filament.


def test_retractions_are_counted_on_the_filament_they_work(tmp_path: Path) -> None:
    """A loop of 120 mm uses 4.49 mm of filament, so 10 mm of filament hold three retractions, of 12 mm over twenty."""
    light = said(read(tmp_path, layered(square(), retract=2.0)), "retraction-load")
    heavy = said(read(tmp_path, layered(square(3.0), layers=60, retract=2.0)), "retraction-load")
    assert (light.answer, light.value) == ("light", 3)
    assert heavy.answer == "heavy"
    assert heavy.value == 1 + math.floor(10 / (12 * 0.45 * 0.2 / (math.pi * 1.75**2 / 4)))


@pytest.mark.parametrize(("length", "graded"), [(0.0, "none"), (0.8, "short"), (2.0, "medium"), (5.0, "long")])
def test_retraction_length_is_the_one_in_the_job(tmp_path: Path, length: float, graded: str) -> None:
    found = said(read(tmp_path, layered(square(), retract=length)), "retraction-length")
    assert found.answer == graded
    assert found.value == pytest.approx(length, abs=1e-6)


@pytest.mark.parametrize(("retract", "graded"), [(0.0, "many"), (2.0, "none")])
def test_long_travels_ooze_unless_the_filament_is_pulled_back(tmp_path: Path, retract: float, graded: str) -> None:
    wandering = layered(square(), layers=30, first=lambda layer: layer % 2, retract=retract)
    assert answers(read(tmp_path, wandering))["ooze-travels"] == graded


def test_the_line_width_follows_from_the_flow(tmp_path: Path) -> None:
    found = said(read(tmp_path, layered(square()), machine()), "implied-line-width")
    assert (found.answer, found.value) == ("usual", pytest.approx(0.45, rel=0.01))
    assert said(read(tmp_path, layered(square()), machine(nozzle_diameter=0.8)), "implied-line-width").answer == "thin"
    doubled = layered(square(), flow=lambda layer: 2.0)
    assert said(read(tmp_path, doubled, machine()), "implied-line-width").answer == "wide"


def test_flow_is_held_against_what_the_hot_end_melts(tmp_path: Path) -> None:
    """0.45 mm * 0.2 mm * 150 mm/s = 13.5 mm3/s."""
    fast = tube(radius=40, height=6, facets=100, speed=150)
    found = said(read(tmp_path, fast, machine(melt_rate=12.0)), "flow-against-hot-end")
    assert (found.answer, found.value) == ("above", pytest.approx(13.5, rel=0.02))
    assert answers(read(tmp_path, fast, machine(melt_rate=15.0)))["flow-against-hot-end"] == "near"
    assert answers(read(tmp_path, fast, machine(melt_rate=20.0)))["flow-against-hot-end"] == "within"


def test_a_job_that_leaves_retraction_to_the_printer_states_no_length(tmp_path: Path) -> None:
    text = layered(square(), retract=2.0).replace("G1 E-2.000 F2400", "G10").replace("G1 E2.000 F2400", "G11")
    found = said(read(tmp_path, text), "retraction-length")
    assert (found.answer, found.value) == ("none", None)


def test_an_edge_between_flat_faces_is_no_curve(tmp_path: Path) -> None:
    """A twelve-sided box with 7 mm faces and pieces of each face in line: bends of 30 degrees, but alone."""
    twelve = circle(15.0, 12)
    pieces = [
        (a + (c - a) * k / 5, b + (d - b) * k / 5)
        for (a, b), (c, d) in zip(twelve, [*twelve[1:], twelve[0]], strict=True)
        for k in range(5)
    ]
    assert "chord-error" not in answers(read(tmp_path, layered(pieces)))


# Commands, and what changes with height.


@pytest.mark.parametrize(
    ("layers", "graded"), [(set(), "none"), ({9}, "some"), (set(range(20)), "every-layer")], ids=["none", "one", "all"]
)
def test_commanded_pauses_are_counted(tmp_path: Path, layers: set[int], graded: str) -> None:
    text = layered(square(), before=lambda layer: ["G4 P500"] if layer in layers else [])
    found = said(read(tmp_path, text), "commanded-pauses")
    assert found.answer == graded
    assert found.value == len(layers - {0})


@pytest.mark.parametrize(("at", "graded"), [(None, "none"), (1, "first-layers"), (12, "higher-up")])
@pytest.mark.parametrize(
    ("id", "command"), [("temperature-changes", "M104 S200"), ("fan-changes", "M106 S128")], ids=["heat", "fan"]
)
def test_changes_by_command_are_told_by_height(
    tmp_path: Path, id: str, command: str, at: int | None, graded: str
) -> None:
    text = layered(square(), before=lambda layer: [command] if layer == at else [])
    assert answers(read(tmp_path, text))[id] == graded


def test_waiting_for_the_bed_changes_no_nozzle_temperature(tmp_path: Path) -> None:
    text = layered(square(), before=lambda layer: ["M190 S60"] if layer == 12 else [])
    assert answers(read(tmp_path, text))["temperature-changes"] == "none"
    text = layered(square(), before=lambda layer: ["M109 S200"] if layer == 12 else [])
    found = said(read(tmp_path, text), "temperature-changes")
    assert (found.answer, found.value) == ("higher-up", 1)


@pytest.mark.parametrize(("change", "graded"), [(lambda k: 1.0, "none"), (lambda k: 0.5 if k == 0 else 1.0, "first-layers"),
                                                (lambda k: 1.0 if k < 12 else 1.4, "higher-up")])  # fmt: skip
def test_speed_and_flow_are_compared_layer_by_layer(
    tmp_path: Path, change: Callable[[int], float], graded: str
) -> None:
    job = answers(read(tmp_path, layered(square(), speed=lambda layer: 60 * change(layer))))
    assert (job["speed-changes"], job["flow-changes"]) == (graded, "none")
    job = answers(read(tmp_path, layered(square(), flow=change)))
    assert (job["speed-changes"], job["flow-changes"]) == ("none", graded)


def test_saving_for_resume_is_only_reported_when_the_job_speaks_of_it(tmp_path: Path) -> None:
    text = layered(square())
    assert "job-resume-saving" not in answers(read(tmp_path, text))
    assert answers(read(tmp_path, "M413 S1\n" + text))["job-resume-saving"] == "on"
    assert answers(read(tmp_path, "M413 S0\n" + text))["job-resume-saving"] == "off"


# Supply.

FAST_TUBE = tube(radius=20, height=8, facets=150, speed=150)
CALM_TUBE = tube(radius=20, height=8, facets=24, speed=40)


@pytest.mark.parametrize(
    ("job", "takes", "starves"),
    [(FAST_TUBE, 0.16, "yes"), (FAST_TUBE, 0.1, "dips"), (FAST_TUBE, 0.0, "no"), (CALM_TUBE, 0.16, "no")],
    ids=["long save", "short save", "no save", "calm"],
)
def test_the_queue_starves_only_where_a_save_outlasts_it(
    tmp_path: Path, job: SpiralJob, takes: float, starves: str
) -> None:
    on = machine(checkpoint_every=5 if takes else 0, checkpoint_takes=takes)
    found = answers(read(tmp_path, job, on))
    assert found["starves-at-checkpoints"] == starves
    assert found["starves-on-link"] == "no" and found["sustained-starvation"] == "no"
    assert found["stop-extent"] == ("throughout" if starves == "yes" else "none")
    assert found["reserve-at-saves"] == ("no-saves" if not takes else "shorter" if starves == "yes" else "longer")


def test_the_reserve_is_the_queued_moves_and_the_braking(tmp_path: Path) -> None:
    """N t + v / (2 a): 16 * 5.585 ms + 25 ms."""
    found = said(read(tmp_path, FAST_TUBE, machine()), "least-reserve")
    assert found.answer == "very-short"
    assert found.value == pytest.approx(16 * 40 * math.sin(math.pi / 150) / 150 * 1e3 + 25, abs=6)
    assert answers(read(tmp_path, CALM_TUBE, machine()))["least-reserve"] == "ample"


def test_a_slow_cable_starves_the_queue_all_along(tmp_path: Path) -> None:
    """Begun and ended at rest, a move of 0.84 mm takes 2 sqrt(L / a) = 33 ms: above that per line the head stands."""
    slow = machine(feed="cable", bytes_per_s=11520, reply_time=0.004, reply_bytes=3)
    found = answers(read(tmp_path, FAST_TUBE, slow))
    assert (found["link-load"], found["starves-on-link"], found["sustained-starvation"]) == ("above", "dips", "yes")
    slower = machine(feed="cable", bytes_per_s=1152, reply_time=0.004, reply_bytes=3)
    found = answers(read(tmp_path, FAST_TUBE, slower))
    assert (found["link-load"], found["starves-on-link"], found["sustained-starvation"]) == ("above", "yes", "yes")
    quick = machine(feed="cable", bytes_per_s=250_000, reply_time=0.0001, reply_bytes=3, line_time=0.0001)
    found = answers(read(tmp_path, FAST_TUBE, quick))
    assert (found["link-load"], found["starves-on-link"], found["sustained-starvation"]) == ("light", "no", "no")


def test_random_stalls_are_a_risk_and_never_a_stop(tmp_path: Path) -> None:
    found = answers(read(tmp_path, FAST_TUBE, machine(hiccups_per_min=1, hiccup_takes=0.25)))
    assert (found["random-stall-risk"], found["stop-extent"]) == ("high", "none")
    found = answers(read(tmp_path, CALM_TUBE, machine(hiccups_per_min=1, hiccup_takes=0.25)))
    assert found["random-stall-risk"] == "low"


def test_a_short_queue_holds_short_moves_back(tmp_path: Path) -> None:
    """sqrt(2 * 500 * 16 * 0.1) = 40 mm/s is all that sixteen moves of 0.1 mm allow."""
    fine = tube(radius=5, height=2, facets=314, speed=100)
    found = said(read(tmp_path, fine, machine(acceleration=500)), "look-ahead-capped")
    assert found.answer == "much" and found.value is not None and found.value > 0.9
    assert answers(read(tmp_path, CALM_TUBE, machine()))["look-ahead-capped"] == "none"


def test_the_lamp_shade_starves_in_its_rim_only(tmp_path: Path) -> None:
    job = read(tmp_path, lamp_shade(), machine(acceleration=1500, checkpoint_every=5, checkpoint_takes=0.2))
    found = answers(job)
    assert (found["starves-at-checkpoints"], found["stop-extent"]) == ("yes", "region")
    assert job.run is not None and job.run.stops.z.min() > 70


# What may be believed.


def test_a_finding_is_believed_no_more_than_the_numbers_it_rests_on(tmp_path: Path) -> None:
    generic = read(tmp_path, FAST_TUBE, machine())
    names = {name for entry in REGISTRY.values() for name in entry.rests_on}
    measured = read(tmp_path, FAST_TUBE, machine(origin=dict.fromkeys(names, "measured")))
    for entry in REGISTRY.values():
        if entry.rests_on and entry.id in answers(generic):
            assert said(generic, entry.id).confidence <= 0.5
            assert said(measured, entry.id).confidence > 0.5
    for id in ("job-spiral", "facet-length", "moves-demanded"):
        assert said(generic, id) == said(measured, id)


def test_without_a_card_only_the_job_speaks(tmp_path: Path) -> None:
    job = read(tmp_path, FAST_TUBE)
    assert not [finding.id for finding in job.findings if REGISTRY[finding.id].rests_on]
    assert {"job-spiral", "facet-length", "moves-demanded"} <= answers(job).keys()


@settings(max_examples=60, deadline=None)
@given(
    st.integers(1, 200_000), st.sampled_from([0.01, 0.5, 0.99, 1.0]), st.integers(0, 5), st.sampled_from([64, 1000, 1 << 16]),
    st.integers(0, 2**32 - 1),
)  # fmt: skip
def test_a_quantile_by_weight_equals_sorting(n: int, share: float, kind: int, few: int, seed: int) -> None:
    random = np.random.default_rng(seed)
    values = [
        random.random(n), random.lognormal(0, 4, n), np.round(random.random(n), 1), np.full(n, 3.0),
        # Rounding alone tells them apart, or there are just two.
        3.0 + 2.0**-51 * random.integers(0, 4, n), random.integers(0, 2, n).astype(float),
    ][kind]  # fmt: skip
    weight = random.integers(0, 8, n).astype(float)
    if weight.sum() == 0:
        weight[0] = 1.0
    with patch.object(ground, "FEW", few):
        found = weighted_quantile(values, weight, share)
    order = np.argsort(values)
    along = np.cumsum(weight[order])
    assert found == values[order[int(np.searchsorted(along, share * along[-1]))]]
