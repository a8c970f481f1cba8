"""A job read, run, and told as data."""

from __future__ import annotations

import json
import math
from pathlib import Path

import numpy as np
import pytest

from diagnose.coupons.spiral import tube, write
from diagnose.errors import BadInput, Cancelled
from diagnose.toolpath import jobfile
from diagnose.toolpath.job import read_file, read_job
from diagnose.toolpath.summary import summary
from tests.toolpath.parts import layered, machine, read, square

TUBE = tube(radius=20, height=12, facets=150, speed=150)
SAVING = machine(checkpoint_every=5, checkpoint_takes=0.16)

KEYS = {
    "job", "bytes", "lines", "moves", "layers", "time_s", "filament_mm", "spiral", "seams", "facets", "reserve",
    "stops", "dips", "risk", "findings", "warnings",
}  # fmt: skip


def test_the_summary_has_its_keys_and_is_plain_json(tmp_path: Path) -> None:
    for on in (SAVING, None):
        told = summary(read(tmp_path, TUBE, on))
        assert told.keys() >= KEYS
        assert json.loads(json.dumps(told, allow_nan=False)) == told
        for finding in told["findings"]:
            assert finding.keys() == {"id", "answer", "confidence", "value", "unit", "lines", "because"}


def test_the_summary_of_a_starving_tube_tells_its_stops(tmp_path: Path) -> None:
    told = summary(read(tmp_path, TUBE, SAVING))
    turn = 150 * 40 * math.sin(math.pi / 150)
    assert told["moves"] == pytest.approx(59 * 150, abs=2)
    assert told["filament_mm"] == pytest.approx(59 * turn * 0.45 * 0.2 / (math.pi * 1.75**2 / 4), rel=1e-3)
    assert told["spiral"]["share"] == pytest.approx(1.0, abs=0.02)
    assert told["spiral"]["to_mm"] == pytest.approx(12.0, abs=0.1)
    assert told["seams"] == {"count": 0, "style": "none"}
    assert told["facets"]["median_mm"] == pytest.approx(turn / 150, rel=1e-3)
    stops = told["stops"]
    assert stops["count"] == len(stops["list"]) == told["checkpoints"]["count"] == int(told["time_s"] // 5)
    assert stops["by_why"] == {"checkpoint": stops["count"]}
    assert stops["total_s"] == pytest.approx(sum(stop["length_s"] for stop in stops["list"]), rel=1e-5)


def test_a_stop_is_where_its_line_says(tmp_path: Path) -> None:
    text = write(TUBE)
    lines = text.splitlines()
    for stop in summary(read(tmp_path, text, SAVING))["stops"]["list"]:
        assert math.hypot(stop["x"] - 110, stop["y"] - 110) == pytest.approx(20, abs=1e-3)
        # The head stands at the end of the move before the one it waits for.
        before = {word[0]: float(word[1:]) for word in lines[stop["line"] - 2].split()[1:]}
        assert (stop["x"], stop["y"], stop["z"]) == pytest.approx((before["X"], before["Y"], before["Z"]))


def test_without_a_card_times_are_those_asked_for_and_a_warning_says_why(tmp_path: Path) -> None:
    told = summary(read(tmp_path, TUBE))
    path = 59 * 150 * math.hypot(40 * math.sin(math.pi / 150), 0.2 / 150)
    assert told["time_s"] == pytest.approx(path / 150, abs=5.0)
    assert told["reserve"] is told["stops"] is told["dips"] is told["risk"] is None
    assert any("printer card" in warning for warning in told["warnings"])


def test_long_lists_are_cut_and_counted_whole(tmp_path: Path) -> None:
    job = read(tmp_path, TUBE, machine(feed="cable", bytes_per_s=1_000, reply_time=0.01, reply_bytes=3))
    told = summary(job, most=7)
    assert told["stops"]["count"] > 7 and len(told["stops"]["list"]) == 7


def test_another_machine_needs_no_second_reading(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    job = read(tmp_path, TUBE)
    fresh = read(tmp_path, TUBE, SAVING)
    (tmp_path / "job.gcode").unlink()
    monkeypatch.setattr(jobfile, "pieces", None)
    assert summary(job.on(SAVING)) == summary(fresh)
    assert summary(job.on(SAVING).on(None)) == summary(job)


def test_reserve_by_layer_is_low_where_facets_are_fine(tmp_path: Path) -> None:
    two = tube(radius=20, height=10, facets=150, speed=100)
    mixed = type(two)(
        title="two halves", radius=two.radius, facets=lambda z: 24 if z < 5 else 300, speed=two.speed, height=10,
        layer_height=0.2, line_width=0.45,
    )  # fmt: skip
    job = read(tmp_path, mixed, machine())
    heights, least = job.reserve_by_layer()
    calm, busy = least[(heights > 1) & (heights < 4)], least[(heights > 6) & (heights < 9)]
    assert calm.min() > 600 and busy.max() < 100
    heights, demand = job.demand_by_layer()
    ratio = demand[(heights > 6) & (heights < 9)].mean() / demand[(heights > 1) & (heights < 4)].mean()
    assert ratio == pytest.approx(300 / 24, rel=0.02)


def test_lengths_and_the_time_asked_for_equal_a_plain_loop(tmp_path: Path) -> None:
    file = read(tmp_path, layered(square(pieces=3), retract=1.5)).file
    moves, here = file.moves, [float(v) for v in read(tmp_path, layered(square(pieces=3), retract=1.5)).file.moves.start]
    asked = 0.0
    for k in range(len(moves)):
        there = [float(moves.x[k]), float(moves.y[k]), float(moves.z[k])]
        steps = [b - a if a == a and b == b else 0.0 for a, b in zip(here, there, strict=True)]
        length = math.sqrt(sum(step * step for step in steps))
        assert file.length[k] == pytest.approx(length, abs=1e-12)
        path = length or abs(moves.e[k])
        asked += path / float(moves.feed[k])
        here = there
    assert file.sums.total_s == pytest.approx(asked, rel=1e-12)


def test_progress_rises_to_one_and_names_its_steps(tmp_path: Path) -> None:
    said: list[tuple[float, str]] = []
    (tmp_path / "job.gcode").write_text(write(TUBE))
    read_job(tmp_path / "job.gcode", SAVING, progress=lambda done, what: said.append((done, what)))
    shares = [done for done, _ in said]
    assert shares == sorted(shares) and shares[0] >= 0 and shares[-1] == 1.0
    assert len(said) > 4 and all(what for _, what in said)


@pytest.mark.parametrize("after", [0, 1, 3, 5])
def test_a_job_can_be_stopped_at_any_step(tmp_path: Path, after: int) -> None:
    (tmp_path / "job.gcode").write_text(write(TUBE))
    asked = iter(range(1000))
    with pytest.raises(Cancelled):
        read_job(tmp_path / "job.gcode", SAVING, cancel=lambda: next(asked) >= after)


def test_a_missing_job_is_bad_input(tmp_path: Path) -> None:
    with pytest.raises(BadInput):
        read_file(tmp_path / "nothing.gcode")


def test_a_job_of_travels_alone_is_told_without_findings_of_plastic(tmp_path: Path) -> None:
    job = read(tmp_path, "G28\nG1 X10 Y10 Z5 F3000\nG1 X20\nG1 Y30\n", machine())
    told = summary(job)
    assert told["layers"] == 0 and told["filament_mm"] == 0
    assert np.isfinite(told["time_s"])


def test_advice_names_what_would_cure_a_starving_tube(tmp_path: Path) -> None:
    job = read(tmp_path, TUBE, SAVING)
    assert summary(job)["advice"] is None
    job.advise()
    told = summary(job)["advice"]
    assert json.loads(json.dumps(told, allow_nan=False)) == told
    assert told["clean"] is False and told["queue"]["now"] == 16 < told["queue"]["clean"]
    assert told["save"]["now"] == pytest.approx(160) and told["save"]["clean"] < 100
    longer = job.on(machine(checkpoint_every=5, checkpoint_takes=0.16, queue_moves=64, queue_seen=64))
    longer.advise()
    assert summary(longer)["advice"]["clean"] is True
    assert read(tmp_path, TUBE).advise() is None
