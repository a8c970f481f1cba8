"""The whole analysis: what it says, what it leaves unsaid."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from diagnose.marks.analysis import CAP, analyse
from diagnose.marks.model import Ask
from diagnose.marks.surface import find_surface
from tests.marks.hand import boxes, marks, measured, spiral
from tests.toolpath import parts


@pytest.mark.parametrize("count", [0, 1, 3])
def test_fewer_than_four_marks_are_said_to_be_too_few(tmp_path: Path, count: int) -> None:
    one = Ask(at="seams")
    report = analyse(boxes(tmp_path), marks(np.linspace(2, 8, count), np.zeros(count)), [one])
    assert "too few" in report.verdict and report.decibans == {one: 0.0}
    assert report.clocks == () and report.ties == ()


def test_marks_off_the_part_are_told_and_do_not_count(tmp_path: Path) -> None:
    report = analyse(boxes(tmp_path), marks([2, 4, 6, 40], [0, 90, 180, 270]))
    assert report.count == 3 and "too few" in report.verdict
    assert any("mark 4" in text and "28.0 mm" in text for text in report.warnings)


def test_no_evidence_exceeds_the_cap_and_all_is_scaled_alike(tmp_path: Path) -> None:
    given = marks(0.2 * np.arange(5, 61, 4), np.full(14, 225.0))
    asks = [Ask(at="seams"), Ask(at="corners"), Ask(every="height", low=0.5, high=10)]
    report = analyse(boxes(tmp_path), given, asks)
    raw = {p.place: p.decibans for p in report.places}
    assert raw["seams"] > CAP
    assert report.decibans[asks[0]] == pytest.approx(CAP * raw["seams"] / max(raw["seams"], raw["corners"]), rel=1e-6)
    assert report.decibans[asks[1]] == pytest.approx(raw["corners"] * report.decibans[asks[0]] / raw["seams"], rel=1e-6)
    assert [p.decibans for p in report.places if p.count] == sorted((p.decibans for p in report.places if p.count), reverse=True)


def test_at_one_speed_time_path_and_filament_are_a_tie_that_is_told(tmp_path: Path) -> None:
    job = spiral(tmp_path, on=parts.PLAIN)
    surface = find_surface(job)
    random = np.random.default_rng(1)
    t0, t1 = surface.ends("time")
    wanted = 9.7 * np.arange(3, 17) + 0.1 * random.standard_normal(14)
    at = np.searchsorted(t1, wanted)
    report = analyse(job, measured(surface, at, (wanted - t0[at]) / (t1 - t0)[at], random))
    tied = set(report.ties[0])
    assert {"time", "path", "filament"} <= tied
    assert "at one speed" in report.why_tied[0] and "coupon" in report.why_tied[0]
    best = next(c for c in report.clocks if c.clock == "time")
    assert best.period == pytest.approx(9.7, rel=0.01) and best.hits >= 12
    assert np.nanmax(np.abs(best.folded)) < 0.1


def test_a_side_that_is_not_remembered_costs_little_on_a_round_part(tmp_path: Path) -> None:
    from dataclasses import replace

    job = spiral(tmp_path, height=15.0, on=parts.PLAIN)
    surface = find_surface(job)
    random = np.random.default_rng(3)
    t0, t1 = surface.ends("time")
    wanted = 11.3 * np.arange(1, 13)
    at = np.searchsorted(t1, wanted)
    given = measured(surface, at, (wanted - t0[at]) / (t1 - t0)[at], random)
    turned = replace(given, angle=(given.angle + 130.0) % 360.0, zero_known=False)
    report = analyse(job, turned)
    assert any("not known" in text for text in report.warnings)
    best = next(c for c in report.clocks if c.clock == "time")
    assert best.decibans > 10
