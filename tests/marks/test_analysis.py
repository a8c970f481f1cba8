"""The whole analysis: what it says, what it leaves unsaid."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from diagnose.marks.analysis import CAP, analyse
from diagnose.marks.clocks import sweep
from diagnose.marks.model import Ask
from diagnose.marks.placing import place_marks
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


def test_of_each_clock_is_taken_what_the_best_of_eight_gains_by_chance(tmp_path: Path) -> None:
    """10 log10 of 8: then the chances (Markov) that any of eight speaks up add up to what one alone would have."""
    job = boxes(tmp_path, on=parts.PLAIN)
    given = marks(0.2 * np.arange(5, 61, 4), np.full(14, 225.0))
    report = analyse(job, given)
    band, pieces, _ = place_marks(find_surface(job), given)
    assert len(report.clocks) == 8
    for clock in ("filament", "height", "layer"):
        found = sweep(clock, band, pieces)  # type: ignore[arg-type]
        told = next(c.decibans for c in report.clocks if c.clock == clock)
        assert found is not None
        assert told == pytest.approx(found.decibans() - 10 * np.log10(8), abs=0.05), clock


def test_a_silent_clock_is_no_better_than_one_that_was_heard_and_said_nothing(tmp_path: Path) -> None:
    """In two layers no two beats of layers lie; that clock too is one of eight."""
    report = analyse(boxes(tmp_path), marks([2.0, 2.0, 2.0, 2.2, 2.2], [0, 90, 180, 270, 45]))
    silent = [c for c in report.clocks if np.isnan(c.period)]
    assert "layer" in {c.clock for c in silent}
    assert all(c.decibans == pytest.approx(-10 * np.log10(8)) for c in silent)
