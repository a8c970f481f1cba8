"""Known places: on hand-built jobs, marks at them are told from marks strewn about, and from marks at others."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from diagnose.marks.model import Place
from diagnose.marks.places import Spots, Stretch, factor, find_place, weigh_place
from diagnose.marks.placing import place_marks
from diagnose.marks.surface import Surface, find_surface
from diagnose.toolpath.columns import EventKind
from tests.marks.hand import boxes, marks, measured, spiral, strewn
from tests.toolpath import parts


def weighed(surface: Surface, given: object, place: Place) -> tuple[float, int, int]:
    band, pieces, _ = place_marks(surface, given)  # type: ignore[arg-type]
    return weigh_place(band, pieces, place)


def test_marks_on_the_seam_lie_at_the_seams_and_not_at_other_corners(tmp_path: Path) -> None:
    surface = find_surface(boxes(tmp_path, retract=1.0))
    height = 0.2 * np.arange(5, 45, 4) + 0.03
    seam = marks(height, np.full(10, 225.0) + np.linspace(-3, 3, 10))
    decibans, hits, count = weighed(surface, seam, "seams")
    assert decibans > 40 and hits == 10 and 35 <= count <= 42
    other = marks(height, np.full(10, 45.0))
    assert weighed(surface, other, "seams")[0] < -5
    assert weighed(surface, other, "corners")[0] > 20
    for place in ("retractions", "restarts", "layer-changes"):
        assert weighed(surface, seam, place)[0] > 40, place  # type: ignore[arg-type]


def test_a_tube_in_spiral_mode_has_no_seams_no_retractions_and_no_layer_changes(tmp_path: Path) -> None:
    surface = find_surface(spiral(tmp_path))
    given = marks(np.linspace(3, 20, 8), np.full(8, 30.0))
    for place in ("seams", "retractions", "restarts", "layer-changes", "pauses", "overhangs"):
        assert weighed(surface, given, place) == (0.0, 0, 0), place  # type: ignore[arg-type]


def test_without_a_machine_nothing_is_said_of_stops(tmp_path: Path) -> None:
    surface = find_surface(boxes(tmp_path))
    for place in ("checkpoint-stops", "random-stops", "rate-stops", "short-reserve"):
        assert weighed(surface, marks([1, 2, 3, 4], [0, 90, 180, 270]), place) == (0.0, 0, 0)  # type: ignore[arg-type]


def test_marks_where_the_job_pauses_are_found(tmp_path: Path) -> None:
    text = parts.layered(parts.square(30.0, pieces=20), 60, before=lambda k: ["G4 P500"] if k % 10 == 5 else [])
    surface = find_surface(parts.read(tmp_path, text, parts.PLAIN))
    given = marks([1.0, 3.0, 5.0, 7.0, 9.0], [225] * 5)  # the head waits where the wall below ended
    decibans, hits, count = weighed(surface, given, "pauses")
    assert decibans > 15 and hits == 5 and count == 5
    assert decibans > weighed(surface, given, "seams")[0]


def test_after_a_change_of_the_fan_marks_lie_in_the_next_seconds(tmp_path: Path) -> None:
    text = parts.layered(parts.square(30.0, pieces=20), 60, before=lambda k: [f"M106 S{100 + k}"] if k % 12 == 6 else [])
    job = parts.read(tmp_path, text, parts.PLAIN)
    surface = find_surface(job)
    at = job.file.events.before[job.file.events.kind == EventKind.FAN]
    found = find_place(surface, "fan-changes")
    assert isinstance(found, Stretch)
    when = surface.begin[at[(at > 0) & (at < len(job.file.moves))]]
    middle = (surface.begin[surface.ids] + surface.depart[surface.ids]) / 2
    late = np.array([(t - when[when <= t]).min() if (when <= t).any() else np.inf for t in middle])
    assert (found.density[late > 11] == 0).all() and (found.density[late < 1] > 0).all()


def test_spots_have_the_mean_that_integration_along_the_wall_gives(tmp_path: Path) -> None:
    surface = find_surface(boxes(tmp_path, layers=10))
    found = find_place(surface, "corners")
    assert isinstance(found, Spots)
    from diagnose.marks.places import BLOB_MM, BLOB_WEIGHT, _at_spots
    from diagnose.marks.placing import Pieces

    steps = np.linspace(0, 1, 41)[:-1] + 1 / 80
    where = (surface.wall[:, None] + steps * surface.length[:, None]).ravel()
    wide = np.zeros((len(where), 9))
    wide[:, -1] = where
    n = len(where)
    pieces = Pieces(np.arange(n), np.arange(n + 1), np.ones(n), wide, np.zeros((n, 9)), np.zeros(n, np.int64), np.zeros((n, 3)))
    value, mean = _at_spots(surface, pieces, found)
    assert mean == pytest.approx(float(value.mean()), rel=0.01)
    peak = float((BLOB_WEIGHT / (BLOB_MM * np.sqrt(2 * np.pi))).sum())
    assert value.max() == pytest.approx(peak, rel=0.05)


def test_the_hit_rate_is_integrated_out() -> None:
    from diagnose.marks.clocks import HIT, HIT_WEIGHT

    ratio = np.array([0.1, 3.0, 8.0])
    plain = sum(w * np.prod([(1 - h) + h * r for r in ratio]) for h, w in zip(HIT, HIT_WEIGHT, strict=True))
    decibans, hits = factor(ratio)
    assert decibans == pytest.approx(10 * np.log10(plain))
    assert hits == 2
    assert factor(np.ones(5)) == (pytest.approx(0.0), pytest.approx(5))


SAVING = {"checkpoint_every": 7.0, "checkpoint_takes": 0.3}


def test_marks_where_saves_would_stop_the_head_keep_their_beat(tmp_path: Path) -> None:
    job = parts.read(tmp_path, parts.layered(parts.circle(15, 240), 60), parts.machine(**SAVING))
    surface = find_surface(job)
    assert job.run is not None and len(job.run.stops) >= 14
    random = np.random.default_rng(6)
    stops = job.run.stops.move
    at = np.flatnonzero(np.isin(surface.ids, stops))[:14]
    given = measured(surface, at, np.zeros(len(at)), random)
    decibans, _, count = weighed(surface, given, "checkpoint-stops")
    assert decibans > 20 and count > 0
    assert weighed(surface, measured(surface, *strewn(surface, 14, random), random), "checkpoint-stops")[0] < 5
    assert decibans > weighed(surface, given, "random-stops")[0] + 10


def test_where_random_stalls_strike_does_not_depend_on_when_the_run_saved(tmp_path: Path) -> None:
    text, stalls = parts.layered(parts.circle(15, 240), 60), {"hiccups_per_min": 6.0, "hiccup_takes": 0.2}
    saving, quiet = (
        find_place(find_surface(parts.read(tmp_path, text, parts.machine(**stalls, **saves))), "random-stops")
        for saves in (SAVING, {})
    )
    assert isinstance(saving, Spots) and isinstance(quiet, Spots)
    assert saving.amount.sum() == pytest.approx(quiet.amount.sum(), rel=0.1)
    same = np.interp(saving.wall, quiet.wall, quiet.amount)
    assert np.quantile(np.abs(np.log(saving.amount / same)), 0.99) < 0.7


def test_stops_without_a_beat_are_not_told_as_saves(tmp_path: Path) -> None:
    job = parts.read(
        tmp_path,
        parts.layered(parts.circle(15, 240), 60),
        parts.machine(**SAVING, hiccups_per_min=6.0, hiccup_takes=0.2),
    )
    surface, random = find_surface(job), np.random.default_rng(8)
    assert job.run is not None
    chance = job.run.risk.per_move[surface.ids].astype(np.float64)
    ahead = []
    for _ in range(12):
        at = np.sort(random.choice(len(surface), 14, replace=False, p=chance / chance.sum()))
        given = measured(surface, at, np.zeros(14), random)
        ahead.append(weighed(surface, given, "random-stops")[0] - weighed(surface, given, "checkpoint-stops")[0])
    assert np.median(ahead) > 3 and sum(db < 0 for db in ahead) <= 1, ahead
