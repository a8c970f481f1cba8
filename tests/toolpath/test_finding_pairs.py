"""One job that shows each finding and one that does not, known by how they were written."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import pytest

from diagnose.coupons.spiral import lamp_shade, tube, write
from diagnose.toolpath.findings import REGISTRY, Finding
from diagnose.toolpath.job import Job
from tests.toolpath import jobs
from tests.toolpath.parts import circle, layered, machine, read, square

CARD = {"checkpoint_every": 5, "checkpoint_takes": 0.16}
CABLE = {"feed": "cable", "bytes_per_s": 11520, "reply_time": 0.004, "reply_bytes": 3}


@dataclass(frozen=True)
class Shown:
    """A job (by the name of its maker), a printer where one is needed, and what the finding then says."""

    job: str
    answer: str | None
    """None: not said at all."""
    card: tuple[tuple[str, Any], ...] | None = None
    value: float | None = None
    within: float = 0.02
    """Relative."""


def on(card: dict[str, Any] | None = None) -> tuple[tuple[str, Any], ...]:
    return tuple((card or {}).items())


def plate() -> str:
    """Five posts side by side, ten layers."""
    layer = [line for k in range(5) for line in jobs.ring(jobs.circle(4, 40, cx=40 + 20 * k))]
    return jobs.layered([layer] * 10)


def funnel() -> str:
    """Leans out by 0.3 mm a layer of 0.2 mm."""
    return jobs.layered([jobs.ring(jobs.circle(10 + 0.3 * k, 60)) for k in range(20)])


def roof() -> str:
    """Two posts 30 mm apart and a roof of one outline over both."""
    posts = [line for cx in (75, 125) for line in jobs.ring(jobs.square(10, cx=cx))]
    return jobs.layered([posts] * 10 + [jobs.ring([(65.0, 90.0), (135.0, 90.0), (135.0, 110.0), (65.0, 110.0)])])


MAKERS: dict[str, Callable[[], str]] = {
    "calm tube": lambda: write(tube(radius=20, height=8, facets=24, speed=40)),
    "fast tube": lambda: write(tube(radius=20, height=8, facets=150, speed=150)),
    "fine tube": lambda: write(tube(radius=20, height=12, facets=400, speed=150)),
    "hair-fine tube": lambda: write(tube(radius=5, height=2, facets=314, speed=100)),
    "wide tube": lambda: write(tube(radius=40, height=6, facets=100, speed=150)),
    "lamp shade": lambda: write(lamp_shade()),
    "box": lambda: layered(square()),
    "box in pieces": lambda: layered(square(pieces=20)),
    "large box": lambda: layered(square(240.0)),
    "ring": lambda: layered(circle(), layers=40),
    "ring begun anywhere": lambda: layered(circle(), layers=40, first=lambda k: (37 * k + 11 * k * k) % 60),
    "small box with retractions": lambda: layered(square(3.0), layers=60, retract=2.0),
    "box with retractions": lambda: layered(square(), retract=2.0),
    "box with jumps": lambda: layered(square(), layers=30, first=lambda k: k % 2),
    "box with jumps and retractions": lambda: layered(square(), layers=30, first=lambda k: k % 2, retract=2.0),
    "box with thick lines": lambda: layered(square(), flow=lambda k: 2.0),
    "box with more flow above": lambda: layered(square(), flow=lambda k: 1.0 if k < 12 else 1.4),
    "box faster above": lambda: layered(square(), speed=lambda k: 60.0 if k < 12 else 90.0),
    "fast box": lambda: layered(square(), speed=lambda k: 160.0),
    "box cooler above": lambda: layered(square(), before=lambda k: ["M104 S190"] if k == 12 else []),
    "box with fan off above": lambda: layered(square(), before=lambda k: ["M106 S0"] if k == 12 else []),
    "box with pauses": lambda: layered(square(), before=lambda k: ["G4 P500"] if k else []),
    "box that saves": lambda: "M413 S1\n" + layered(square()),
    "plate of five": plate,
    "funnel": funnel,
    "roof": roof,
}

CHORD = 40 * math.sin(math.pi / 400)
TABLE: dict[str, tuple[Shown, Shown]] = {
    # What the shape says.
    "job-spiral": (Shown("calm tube", "yes", value=1.0), Shown("box", "no", value=0.0)),
    "spiral-extent": (Shown("lamp shade", "partly"), Shown("box", "none", value=0.0)),
    "job-seam-placement": (Shown("ring", "aligned", value=40), Shown("calm tube", "no-seam", value=0)),
    "facet-length": (Shown("fine tube", "tiny", value=CHORD), Shown("box", "long", value=30.0)),
    "chord-error": (Shown("calm tube", "visible", value=20 * (1 - math.cos(math.pi / 24)), within=0.05), Shown("box in pieces", None)),
    "moves-demanded": (Shown("fine tube", "high", value=150 / CHORD), Shown("calm tube", "low")),
    "demand-varies": (Shown("lamp shade", "yes"), Shown("calm tube", "no")),
    "job-wall-speed": (Shown("fast box", "fast", value=160.0), Shown("calm tube", "slow", value=40.0)),
    "shortest-layer": (Shown("box", "hurried", value=2.0, within=0.1), Shown("large box", "ample", value=16.0)),
    "small-layers": (Shown("small box with retractions", "most", value=1.0), Shown("large box", "none", value=0.0)),
    "islands": (Shown("plate of five", "many", value=5), Shown("ring", "one", value=1)),
    "overhang-share": (Shown("funnel", "much", value=1 - 10 / sum(10 + 0.3 * k for k in range(20))), Shown("ring", "none", value=0.0)),
    "bridges": (Shown("roof", "long", value=30 - 0.44), Shown("plate of five", "none", value=0.0)),
    # Filament.
    "retraction-load": (Shown("small box with retractions", "heavy"), Shown("box", "none", value=0)),
    "retraction-length": (Shown("box with retractions", "medium", value=2.0), Shown("box", "none", value=0.0)),
    "ooze-travels": (Shown("box with jumps", "many", value=1.0), Shown("box with jumps and retractions", "none", value=0.0)),
    "job-jump-count": (Shown("plate of five", "some", value=5), Shown("box", "hardly", value=0)),
    "flow-against-hot-end": (
        Shown("wide tube", "above", on({"melt_rate": 12.0}), value=0.45 * 0.2 * 150),
        Shown("wide tube", "within", on({"melt_rate": 20.0}), value=0.45 * 0.2 * 150),
    ),
    "implied-line-width": (
        Shown("box with thick lines", "wide", on(), value=0.9),
        Shown("box", "usual", on(), value=0.45),
    ),
    # Commands, and what changes with height.
    "job-resume-saving": (Shown("box that saves", "on"), Shown("box", None)),
    "commanded-pauses": (Shown("box with pauses", "every-layer", value=19), Shown("box", "none", value=0)),
    "temperature-changes": (Shown("box cooler above", "higher-up", value=1), Shown("box", "none", value=0)),
    "fan-changes": (Shown("box with fan off above", "higher-up", value=1), Shown("box", "none", value=0)),
    "speed-changes": (Shown("box faster above", "higher-up", value=1.5), Shown("box", "none", value=1.0)),
    "flow-changes": (Shown("box with more flow above", "higher-up", value=1.4), Shown("box", "none", value=1.0)),
    # Supply.
    "look-ahead-capped": (Shown("hair-fine tube", "much", on({"acceleration": 500})), Shown("calm tube", "none", on())),
    "least-reserve": (Shown("fast tube", "very-short", on()), Shown("calm tube", "ample", on())),
    "reserve-at-saves": (Shown("fast tube", "shorter", on(CARD)), Shown("calm tube", "longer", on(CARD))),
    "starves-at-checkpoints": (Shown("fast tube", "yes", on(CARD)), Shown("calm tube", "no", on(CARD), value=0)),
    "starves-on-link": (Shown("fast tube", "dips", on(CABLE)), Shown("calm tube", "no", on(CABLE), value=0)),
    "link-load": (Shown("fast tube", "above", on(CABLE)), Shown("calm tube", "light", on(CABLE))),
    "sustained-starvation": (Shown("fast tube", "yes", on(CABLE)), Shown("calm tube", "no", on(CABLE), value=0)),
    "random-stall-risk": (
        Shown("fast tube", "high", on({"hiccups_per_min": 1, "hiccup_takes": 0.25})),
        Shown("calm tube", "low", on({"hiccups_per_min": 1, "hiccup_takes": 0.25})),
    ),
    "stop-extent": (Shown("fast tube", "throughout", on(CARD)), Shown("calm tube", "none", on(CARD), value=0)),
}  # fmt: skip


@cache
def made(job: str, card: tuple[tuple[str, Any], ...] | None) -> Job:
    with TemporaryDirectory() as folder:
        return read(Path(folder), MAKERS[job](), None if card is None else machine(**dict(card)))


def said(shown: Shown, id: str) -> Finding | None:
    return next((finding for finding in made(shown.job, shown.card).findings if finding.id == id), None)


def test_every_finding_has_a_job_that_shows_it_and_one_that_does_not() -> None:
    assert set(TABLE) == set(REGISTRY), "a finding needs a row in TABLE: a job that shows it and one that does not"
    for id, (present, absent) in TABLE.items():
        assert present.answer is not None and present.answer != absent.answer, id


@pytest.mark.parametrize("which", ["shown", "not shown"])
@pytest.mark.parametrize("id", sorted(TABLE))
def test_a_finding_is_said_where_it_is_so_and_only_there(id: str, which: str) -> None:
    shown = TABLE[id][which == "not shown"]
    found = said(shown, id)
    if shown.answer is None:
        assert found is None
        return
    assert found is not None and found.answer == shown.answer, found
    if shown.value is not None:
        assert found.value == pytest.approx(shown.value, rel=shown.within, abs=0.02)
    # Value, unit, confidence, lines and one sentence.
    assert 0 < found.confidence <= 0.95
    assert (found.value is None) == (id == "job-resume-saving") and (found.unit or found.value is None)
    assert found.because and not found.because.endswith(".") and "\n" not in found.because
    assert all(1 <= line <= made(shown.job, shown.card).file.lines for line in found.lines)
    if which == "shown":
        assert found.lines or found.answer in ("no", "none"), found
