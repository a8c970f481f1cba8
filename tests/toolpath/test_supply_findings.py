"""Findings on saves of unknown phase, resends, and hosts that plan."""

from __future__ import annotations

from pathlib import Path

import pytest

from diagnose.coupons.spiral import lamp_shade, tube
from diagnose.toolpath.findings import Finding
from diagnose.toolpath.job import Job
from diagnose.toolpath.run import heights
from tests.toolpath.parts import machine, read

FAST_TUBE = tube(radius=20, height=8, facets=150, speed=150)


def said(job: Job, id: str) -> Finding:
    return next(finding for finding in job.findings if finding.id == id)


def test_saves_that_miss_the_job_by_the_accident_of_their_phase_are_still_told(tmp_path: Path) -> None:
    """The job is over before the first save falls due in this run; in most others one comes earlier."""
    made = read(tmp_path, FAST_TUBE, machine(checkpoint_every=40, checkpoint_takes=0.16))
    assert made.run is not None and not len(made.run.saves) and 20 < made.run.time_s < 40
    told = said(made, "starves-at-checkpoints")
    assert told.answer == "yes"
    assert "whenever the first save falls due" in told.because
    assert 0.3 < told.confidence < 0.6
    late = said(
        read(tmp_path, FAST_TUBE, machine(checkpoint_every=400, checkpoint_takes=0.16)), "starves-at-checkpoints"
    )
    assert late.answer == "no"


def test_the_share_of_saves_that_stop_the_head_is_there_by_height(tmp_path: Path) -> None:
    made = read(tmp_path, FAST_TUBE, machine(checkpoint_every=5, checkpoint_takes=0.16))
    assert made.run is not None
    by_turn = heights(made.file, made.run)
    assert len(by_turn.time_s) == len(made.file.shape.layer_z)
    middle = slice(3, -3)
    assert by_turn.save_share[middle] == pytest.approx(1.0, abs=0.05)
    # Waits at the beginning belong to no turn.
    assert by_turn.time_s.sum() == pytest.approx(made.run.time_s, rel=0.05)
    assert by_turn.saves.sum() == pytest.approx(made.run.time_s / 5, rel=0.05)


def test_resends_on_a_bad_cable_are_a_risk(tmp_path: Path) -> None:
    cable = {"feed": "cable", "bytes_per_s": 25_000, "reply_time": 0.0003, "reply_bytes": 3, "line_time": 0.0003}
    bad = read(tmp_path, FAST_TUBE, machine(**cable, resends_per_1000=5, resend_lines=80))
    good = read(tmp_path, FAST_TUBE, machine(**cable, resends_per_1000=5, resend_lines=1))
    assert said(bad, "random-stall-risk").answer == "high"
    assert "resends" in said(bad, "random-stall-risk").because
    assert said(good, "random-stall-risk").answer == "low"
    assert bad.run is not None and not len(bad.run.stops)


def test_the_reserve_of_a_planning_host_is_its_buffer(tmp_path: Path) -> None:
    host = machine(planning="host", queue_moves=500, queue_seen=500, buffer_time=0.25)
    told = said(read(tmp_path, FAST_TUBE, host), "least-reserve")
    assert told.answer == "short" and told.value == pytest.approx(250, abs=10)
    assert "0.25 s of steps" in told.because


def test_a_part_of_slow_and_fast_stretches_is_judged_over_all_of_its_time(tmp_path: Path) -> None:
    # Slow moves outlast the time between saves: they too must count, or the share of saves that stop is overrated.
    ran = read(tmp_path, lamp_shade(), machine(checkpoint_every=5, checkpoint_takes=0.2)).run
    assert ran is not None
    assert ran.settled.mean() > 0.9
    assert len(ran.stops) > 40
    assert ran.anywhere.share * ran.anywhere.expected == pytest.approx(len(ran.stops), abs=2)
