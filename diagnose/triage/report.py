"""A case as a report: everything that a page about it shows, as plain values; faces only lay it out."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

from diagnose import __version__
from diagnose.errors import visible
from diagnose.triage.case import Triage
from diagnose.triage.explain import say_result
from diagnose.triage.plan import Planner, Step
from diagnose.triage.similar import Similar, cause_of, similar
from diagnose.triage.views import Given, LedgerLine

LEAST_SHARE = 0.005
"""Suspects with less share a line."""
LEAST_DB = 0.5
"""Weights under this share a line."""
MOST_SUSPECTS = 10
STEPS = 5


@dataclass(frozen=True, slots=True)
class Share:
    """A suspect with its share."""

    id: str
    name: str
    share: float


@dataclass(frozen=True, slots=True)
class Told:
    """A step of the plan in words."""

    kind: str
    name: str
    do: str
    reads: str
    chance: float
    costs: tuple[float, float, float, float]
    """Minutes of attention, of the machine, grams, money."""
    gives_up: str
    caution: str


@dataclass(frozen=True, slots=True)
class Report:
    """What a report says, in the order in which it says it."""

    id: str
    title: str
    facts: tuple[tuple[str, str], ...]
    """Name and value: when, printer, job file, packs of rules."""
    outcome: str
    """How the case ended; empty while it is open."""
    alarms: tuple[str, ...]
    suspects: tuple[Share, ...]
    unexplained: float
    doubts: tuple[str, ...]
    cause: str
    """The cause whose ledger it is."""
    ledger: tuple[tuple[str, LedgerLine], ...]
    """Question or finding with its answer in words, and the line."""
    rest: tuple[int, float]
    """Lines that hardly matter: how many, and what they add up to."""
    given: tuple[Given, ...]
    marks: Mapping[str, Any] | None
    """The JSON of `marks`, where marks were held against a job."""
    steps: tuple[Told, ...]
    """What the plan would do next; empty in a closed case."""
    cost: float
    tried: tuple[tuple[str, str], ...]
    cautions: tuple[str, ...]
    """Of what cured it."""
    similar: tuple[Similar, ...]
    notes: tuple[str, ...]
    pictures: tuple[str, ...]

    def as_json(self) -> dict[str, Any]:
        """Return the report as plain data; keys may be added, never changed."""
        data = asdict(self)
        data["similar"] = [
            {"id": s.case.id, "title": s.case.title, "cause": s.cause, "distance": s.distance} for s in self.similar
        ]
        return data


def report(triage: Triage) -> Report:
    """Return the report of a case as it stands."""
    case, k = triage.case, triage.knowledge
    ranking = triage.ranking()
    cause = cause_of(case) if cause_of(case) in k.causes else ranking[0].id
    planner = None if case.closed else Planner(triage)
    plan = planner.plan() if planner else None
    cured = k.remedies.get(case.cured.remedy) if case.cured else None
    told = triage.weighed.told if triage.weighed else None
    given = triage.given()
    asked = {one.id: one.ask for one in given}
    lines = triage.ledger(cause)
    said = [line for line in lines if line.source == "rate" or abs(line.decibans) >= LEAST_DB]
    return Report(
        id=case.id,
        title=visible(case.title) or case.id,
        facts=tuple((name, visible(value)) for name, value in _facts(triage) if value),
        outcome=_outcome(triage),
        alarms=tuple(triage.alarms()),
        suspects=tuple(Share(s.id, s.name, s.probability) for s in ranking[:MOST_SUSPECTS] if s.probability >= LEAST_SHARE),
        unexplained=triage.unexplained,
        doubts=tuple(triage.doubts()),
        cause=k.causes[cause].name,
        ledger=tuple((_sentence(asked.get(line.id, ""), line.say), line) for line in said),
        rest=(len(lines) - len(said), sum(line.decibans for line in lines) - sum(line.decibans for line in said)),
        given=tuple(given),
        marks=told,
        steps=tuple(_told(step) for step in plan.along()[:STEPS]) if plan else (),
        cost=plan.cost if plan else 0.0,
        tried=tuple((k.remedies[r].name if r in k.remedies else r, say_result(came)) for r, came in case.tried.items()),
        cautions=(cured.caution,) if cured is not None and cured.caution else (),
        similar=tuple(similar(k, case, triage.other_cases(), 3)),
        notes=tuple(visible(note) for note in case.notes),
        pictures=tuple(visible(Path(p).name) for p in case.pictures),
    )


def _sentence(asked: str, say: str) -> str:
    """Return a question and its answer; what is no question has a colon behind it."""
    return say if not asked else f"{asked} {say}" if asked.endswith("?") else f"{asked.rstrip('.')}: {say}"


def _facts(triage: Triage) -> list[tuple[str, str]]:
    case = triage.case
    job = case.job or {}
    packs = ", ".join(f"{p.name} {p.version}" for p in triage.knowledge.packs)
    return [
        ("started", case.started[:16].replace("T", " ")),
        ("last changed", case.changed[:16].replace("T", " ")),
        ("printer card", case.printer or ""),
        ("job file", Path(str(job.get("path") or "")).name),
        ("its SHA-256", str(job.get("sha256") or "")),
        ("marks", str((case.marks or {}).get("source") or "")),
        ("rules", packs),
        ("written", f"{datetime.now():%Y-%m-%d %H:%M}, version {__version__}"),
    ]


def _outcome(triage: Triage) -> str:
    case, k = triage.case, triage.knowledge
    if not case.closed:
        return ""
    cause = cause_of(case)
    name = k.causes[cause].name if cause in k.causes else cause
    remedy = k.remedies.get(case.cured.remedy) if case.cured else None
    ways = {
        "cured": "It was cured", "helped": "Somebody else cured it", "unsolved": "It stayed unsolved",
        "nothing-wrong": "Nothing was wrong",
    }  # fmt: skip
    said = ways.get(case.outcome, "It was cured")
    if remedy is not None and case.outcome in ("", "cured"):
        said += f" by: {remedy.name}"
    return f"{said}. {f'It was: {name}.' if name else ''}".strip()


def _told(step: Step) -> Told:
    what = step.what
    return Told(
        step.kind, step.name, what.do, getattr(what, "reads", ""), step.probability,
        (what.minutes, what.machine_minutes, what.grams, what.money), what.gives_up or "", what.caution or "",
    )  # fmt: skip
