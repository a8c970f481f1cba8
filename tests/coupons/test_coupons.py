"""Coupons: inside the bed and the limits of the card, as long and heavy as they say, refused rather than guessed."""

from __future__ import annotations

import json
import math
import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from diagnose.cli import main
from diagnose.coupons.clock import clock
from diagnose.coupons.ladder import read_ladder, stall_ladder
from diagnose.coupons.plates import read_frame
from diagnose.coupons.registry import drawn
from diagnose.coupons.setup import Setup, setup_for
from diagnose.coupons.sheet import finish, read_text
from diagnose.coupons.tubes import echo_speeds, read_echo
from diagnose.errors import BadInput
from diagnose.toolpath.job import read_job
from diagnose.triage import card, knowledge_from, machine_of

KNOWLEDGE = knowledge_from(())
ROOM = "200x180x200"
CARD = "large-board-32-bit"


def ready(printer: str = CARD, material: str = "pla", **said: object) -> Setup:
    own = card(KNOWLEDGE, printer)
    return setup_for(own, machine_of(own), material=KNOWLEDGE.materials[material], **{"space": ROOM, **said})  # type: ignore[arg-type]


def call(capsys: pytest.CaptureFixture[str], *args: str) -> tuple[int, str, str]:
    with pytest.raises(SystemExit) as end:
        main(list(args))
    out = capsys.readouterr()
    return int(end.value.code or 0), out.out, out.err


def test_every_coupon_that_is_drawn_has_its_text_and_the_other_way_round() -> None:
    assert set(drawn()) == set(KNOWLEDGE.coupons)


@pytest.mark.parametrize("id", sorted(drawn()))
@pytest.mark.parametrize("material", ["pla", "petg"])
def test_the_engine_reads_back_what_the_header_says(id: str, material: str, tmp_path: Path) -> None:
    setup = ready(material=material)
    path = tmp_path / "coupon.gcode"
    path.write_text(finish(KNOWLEDGE.coupons[id], setup, drawn()[id](setup)).text)
    job = read_job(path, setup.machine)
    said = re.search(r"; takes ([\d.]+) min and ([\d.]+) g", path.read_text())
    assert said is not None and job.run is not None
    assert job.run.time_s / 60 == pytest.approx(float(said[1]), rel=0.02)
    moves, drawing = job.file.moves, (job.file.moves.e > 0) & (job.file.length > 0)
    area = math.pi * setup.machine.filament_diameter**2 / 4
    assert moves.e.sum() * area / 1000 * setup.density == pytest.approx(float(said[2]), rel=0.02)
    assert moves.x[drawing].min() >= 5 and moves.x[drawing].max() <= 195
    assert moves.y[drawing].min() >= 5 and moves.y[drawing].max() <= 175
    assert moves.z.max() <= 200
    flow = area * moves.e[drawing] / job.file.length[drawing] * moves.feed[drawing]
    assert flow.max() <= setup.machine.melt_rate
    assert moves.feed[drawing].max() <= min(setup.machine.axis_speed[:2])
    assert "CAUTION" in path.read_text().split("G21")[0]
    assert not job.file.trouble.counts


@pytest.mark.parametrize("ms", [40, 80, 160])
def test_a_simulated_stall_is_read_back_within_a_tenth(ms: int) -> None:
    setup = ready()
    stalling = replace(setup, machine=replace(setup.machine, checkpoint_every=5.0, checkpoint_takes=ms / 1000))
    sheet = finish(KNOWLEDGE.coupons["stall-ladder"], stalling, stall_ladder(stalling))
    run = read_text(sheet.text, stalling).run
    assert run is not None and len(run.stops.z)
    stall = read_ladder(setup, float(run.stops.z[0]))
    assert stall.ms == pytest.approx(ms, rel=0.1)
    assert stall.least_ms < stall.ms < stall.most_ms


def test_without_a_stall_the_ladder_prints_clean() -> None:
    setup = ready()
    setup = replace(setup, machine=replace(setup.machine, checkpoint_every=0.0))
    run = read_text(finish(KNOWLEDGE.coupons["stall-ladder"], setup, stall_ladder(setup)).text, setup).run
    assert run is not None and not len(run.stops.z) and not len(run.dips.z)


def test_twelve_marks_on_the_clock_coupon_tell_all_clocks_apart() -> None:
    """Every clock that runs along, and beats at an angle or a place: at least 20 dB before every other clock."""
    from diagnose.marks.analysis import analyse
    from diagnose.marks.simulate import Beat, Person, make
    from diagnose.marks.surface import find_surface

    setup = ready("board-memory-card")
    calm = replace(setup, machine=replace(setup.machine, checkpoint_every=0.0))
    job = read_text(finish(KNOWLEDGE.coupons["clock"], calm, clock(calm)).text, calm)
    surface = find_surface(job)
    beats = {
        "time": np.ptp(surface.depart[surface.ids]) / 12.4, "path": np.ptp(surface.path[surface.ids]) / 12.4,
        "filament": np.ptp(surface.filament[surface.ids]) / 12.4, "height": (surface.high - surface.low) / 12.4,
        "angle": 90.0, "x": 12.0, "y": 12.0,
    }  # fmt: skip
    everything = Person(wanted=12, where="whole", missed=0.0, spurious=0.0)
    for name, period in beats.items():
        for seed in range(2):
            made = make(job, Beat(name, float(period), None, 0.01), seed, everything)  # type: ignore[arg-type]
            found = {c.clock: c.decibans for c in analyse(job, made.marks).clocks}
            own = found.pop(name)  # type: ignore[call-overload]
            assert own - max(found.values()) > 20, (name, seed, own, found)


@pytest.mark.parametrize(
    ("said", "words"),
    [
        ({"space": "50x50x200"}, "too large for this bed"),
        ({"space": None}, "how large the bed is"),
        ({"space": "wide"}, "no room"),
        ({"nozzle_c": 300.0}, "hotter"),
        ({"nozzle_c": 20.0}, "no plastic leaves"),
        ({"bed_c": 150.0}, "hotter"),
        ({"bed_c": -1.0}, "no temperature"),
    ],
)
def test_what_the_printer_cannot_print_is_refused(said: dict[str, object], words: str) -> None:
    with pytest.raises(BadInput, match=words):
        setup = ready(**said)
        finish(KNOWLEDGE.coupons["clock"], setup, clock(setup))


def test_a_missing_temperature_a_slow_hot_end_and_a_planning_host_are_refused() -> None:
    own = card(KNOWLEDGE, CARD)
    with pytest.raises(BadInput, match="how hot the nozzle"):
        setup_for(own, machine_of(own), space=ROOM)
    with pytest.raises(BadInput, match="how hot the bed"):
        setup_for(own, machine_of(own), space=ROOM, nozzle_c=200.0)
    slow = ready()
    slow = replace(slow, machine=replace(slow.machine, axis_speed=(300.0, 300.0, 0.01, 60.0)))
    with pytest.raises(BadInput, match="speed of axis Z"):
        finish(KNOWLEDGE.coupons["clock"], slow, clock(slow))
    with pytest.raises(BadInput, match="host plans"):
        stall_ladder(ready("host-planned"))


def test_a_refusal_writes_nothing_and_a_place_that_is_none_is_told(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    out = tmp_path / "x.gcode"
    common = ("--printer", CARD, "--material", "pla")
    assert call(capsys, "coupon", "clock", "-o", str(out), *common, "--space", "40x40x40")[0] == 2
    assert call(capsys, "coupon", "clock", *common, "--space", ROOM)[0] == 2
    code, _, said = call(capsys, "coupon", "clock", "-o", str(tmp_path / "no" / "x.gcode"), *common, "--space", ROOM)
    assert code == 2 and "cannot be written" in said
    assert list(tmp_path.iterdir()) == []


def test_what_is_written_is_told_as_json(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    out = tmp_path / "ladder.gcode"
    code, said, _ = call(
        capsys,
        "coupon",
        "stall-ladder",
        "-o",
        str(out),
        "--printer",
        CARD,
        "--material",
        "pla",
        "--space",
        ROOM,
        "--json",
    )
    told = json.loads(said)
    assert code == 0 and set(told) >= {"file", "time_s", "grams", "bands"} and out.exists()
    values = [band["value"] for band in told["bands"]]
    assert values == sorted(values, reverse=True)
    assert all(band["to_mm"] > band["from_mm"] for band in told["bands"])


def test_a_measured_stall_goes_into_a_card_of_ones_own(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    own = tmp_path / "mine.yaml"
    source = Path(__file__).parents[2] / "rules" / "printers" / "generic.yaml"
    entry = source.read_text(encoding="utf-8").split("  - id: ")
    text = "printers:\n  - id: " + next(part for part in entry if part.startswith(CARD)).replace(CARD, "mine", 1)
    own.write_text(text, encoding="utf-8")
    before = own.read_text(encoding="utf-8")
    code, said, fault = call(
        capsys, "coupon", "read", "stall-ladder", "--first-mark", "23.5", "--printer", str(own), "--write"
    )
    assert code == 0, fault
    after = own.read_text(encoding="utf-8")
    changed = [(a, b) for a, b in zip(before.splitlines(), after.splitlines(), strict=True) if a != b]
    assert len(changed) == 1 and "from: measured" in changed[0][1]
    code, _, said = call(capsys, "coupon", "read", "stall-ladder", "--first-mark", "23.5", "--printer", CARD, "--write")
    assert code == 2 and "of your own" in said
    code, _, said = call(capsys, "coupon", "read", "stall-ladder", "--first-mark", "190", "--printer", CARD)
    assert code == 2 and "not on the ladder" in said


def test_the_ladders_rise_in_even_steps_within_what_the_card_and_the_plastic_allow() -> None:
    setup = ready(material="petg")
    body = {id: drawn()[id](setup) for id in ("melt-rate-ladder", "temperature-ladder", "retraction-ladder")}
    flow, heat, back = ([band.value for band in body[id].bands] for id in body)
    assert flow[0] == pytest.approx(0.3 * setup.machine.melt_rate)
    assert 0.95 * setup.machine.melt_rate < flow[-1] <= setup.machine.melt_rate
    assert np.diff(flow) == pytest.approx(np.full(len(flow) - 1, flow[1] - flow[0]))
    least, most = KNOWLEDGE.materials["petg"].nozzle_c.bounds
    assert heat[0] == min(most, setup.printing.nozzle_most_c.value) and heat[-1] >= least and set(np.diff(heat)) == {-5.0}
    assert back[0] == 0.0 and back[-1] >= 2 * setup.machine.retract_length and np.ptp(np.diff(back)) < 0.02


def test_the_engine_finds_the_steps_at_the_heights_of_the_header() -> None:
    """Flow, nozzle and draw-back as the engine reads them from the file, band by band."""
    setup = ready()
    area = math.pi * setup.machine.filament_diameter**2 / 4
    for id in ("melt-rate-ladder", "retraction-ladder"):
        sheet = finish(KNOWLEDGE.coupons[id], setup, drawn()[id](setup))
        file = read_text(sheet.text, setup).file
        for band in sheet.bands:
            inside = (file.moves.z > band.from_mm + 0.5) & (file.moves.z < band.to_mm - 0.5)
            if id == "melt-rate-ladder":
                at = inside & (file.moves.e > 0)
                assert np.median(area * file.moves.e[at] / file.length[at] * file.moves.feed[at]) == pytest.approx(
                    band.value, rel=0.01
                )
            else:
                drawn_back = -file.moves.e[inside & (file.moves.e < 0)]
                assert (drawn_back.max() if len(drawn_back) else 0.0) == pytest.approx(band.value, abs=0.01)
    heat = finish(KNOWLEDGE.coupons["temperature-ladder"], setup, drawn()["temperature-ladder"](setup))
    said, z, found = 0.0, 0.0, {}
    for line in heat.text.splitlines():
        if word := re.match(r"M10[49] S(\d+)", line):
            said = float(word[1])
        if word := re.match(r"G1 Z([\d.]+)", line):
            z = float(word[1])
        if " E" in line and z:
            found.setdefault(round(z, 2), said)
    assert all(found[round(b.from_mm + 4.0, 2)] == b.value for b in heat.bands)


def test_two_ways_stall_below_and_run_clean_above() -> None:
    """The engine, with a save every 5 s as the card says, obeys the switch between the halves."""
    setup = ready("board-memory-card")
    sheet = finish(KNOWLEDGE.coupons["two-ways"], setup, drawn()["two-ways"](setup))
    run = read_text(sheet.text, setup).run
    assert run is not None
    below, above = sheet.bands
    # The first turn above may still see the save that was under way at the switch.
    late = run.stops.z > above.from_mm + 2 * setup.layer_height
    assert (run.stops.z < below.to_mm).sum() > 20 and not late.any()


def test_five_squares_lie_apart_and_far_out() -> None:
    setup = ready()
    job = read_text(finish(KNOWLEDGE.coupons["first-layer-squares"], setup, drawn()["first-layer-squares"](setup)).text, setup)
    draws = (job.file.moves.e > 0) & (job.file.length > 0)
    x, y = job.file.moves.x[draws], job.file.moves.y[draws]
    middles = {(round(a / 35), round(b / 35)) for a, b in zip(x, y, strict=True)}
    assert len(middles) >= 5 and x.min() < 8 and x.max() > 192 and y.min() < 8 and y.max() > 172
    # Hatched lines lie a line width apart: what was pushed covers five squares once.
    area = math.pi * setup.machine.filament_diameter**2 / 4
    covered = job.file.moves.e[draws].sum() * area / setup.layer_height
    assert covered == pytest.approx(5 * 30.0**2, rel=0.05)
    with pytest.raises(BadInput, match="five squares"):
        drawn()["first-layer-squares"](ready(space="70x70x100"))


def test_echoes_and_frames_are_read_by_their_closed_forms(capsys: pytest.CaptureFixture[str]) -> None:
    setup = ready()
    slow, fast = echo_speeds(setup)
    swing = read_echo(setup, slow / 55.0, fast / 55.0)
    assert swing.keeps == "time" and swing.hertz == pytest.approx(55.0)
    assert read_echo(setup, 2.0, 2.1).keeps == "distance" and read_echo(setup, 2.0, 1.0).keeps == "neither"
    # A parallelogram of 100.2 x 99.8 mm whose front left angle is 89.5 degrees, drawn by its corners.
    a, b, angle = 100.2, 99.8, math.radians(89.5)
    back = (b * math.cos(angle), b * math.sin(angle))
    found = read_frame(a, b, math.hypot(a + back[0], back[1]), math.hypot(a - back[0], back[1]))
    assert (found.x_percent, found.y_percent, found.skew_deg) == pytest.approx((0.2, -0.2, 0.5))
    with pytest.raises(BadInput, match="do not fit"):
        read_frame(100.0, 100.0, 100.0, 141.4)
    code, said, _ = call(capsys, "coupon", "read", "corner-echo", "--spacings", "0.8", "1.6", "--printer", CARD, "--json")
    assert code == 0 and json.loads(said)["keeps"] == "time"
    code, said, _ = call(
        capsys, "coupon", "read", "size-and-square-frame", "--sizes", "100", "100", "141.42", "141.42", "--printer", CARD
    )
    assert code == 0 and "+0.00 %" in said
    code, _, said = call(capsys, "coupon", "read", "corner-echo", "--first-mark", "3", "--printer", CARD)
    assert code == 2 and "--spacings" in said
    code, _, said = call(capsys, "coupon", "read", "seam-tube", "--printer", CARD)
    assert code == 2 and "by eye" in said


def test_a_confirming_test_names_its_coupon_wherever_it_is_shown(capsys: pytest.CaptureFixture[str]) -> None:
    named = {t.coupon for t in KNOWLEDGE.tests.values() if t.coupon}
    assert named >= set(drawn()) - {"clock"}  # the clock coupon is offered where clocks cannot be told apart
    code, said, _ = call(capsys, "rules", "show", "temperature-tower")
    assert code == 0 and "diagnose coupon temperature-ladder" in " ".join(said.split())
    code, said, _ = call(capsys, "rules", "show", "temperature-ladder")
    causes = [c.id for c in KNOWLEDGE.causes.values() if "temperature-tower" in c.confirm]
    assert code == 0 and causes and all(cause in "".join(said.split()) for cause in causes)  # lines break at hyphens
