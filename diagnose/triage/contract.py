"""A case, the rules and their score as JSON: keys may be added, never changed.

`rank`: ``causes`` likeliest first, each with its ``ledger`` (``source`` is rate, question, finding, test, remedy or
marks; marks come last, and the decibans add up to the log-odds), ``next`` (``id`` of a question, or ``job``, or
``marks``), ``marks``, ``answers`` (remedies tried among them) with whether each counts and why not, ``cured`` (the remedy
that closed the case and its causes, or null), ``unexplained``, ``conflict``, ``surprise``, ``alarms``, ``warnings``.
"""

from __future__ import annotations

from dataclasses import asdict
from typing import Any

from diagnose.knowledge.pack import Knowledge
from diagnose.triage.case import Triage
from diagnose.triage.plan import cured_json
from diagnose.triage.score import PLACES, Score

SCORE_KEYS = {1: "first", 3: "within3", 5: "within5"}


def rank_json(triage: Triage) -> dict[str, Any]:
    """Return the JSON of `rank`."""
    conflict = triage.conflict()
    return {
        "causes": [
            {
                "id": s.id,
                "name": s.name,
                "family": s.family,
                "probability": s.probability,
                "ledger": [
                    {
                        "source": line.source,
                        "id": line.id,
                        "answer": line.answer,
                        "decibans": line.decibans,
                        "strength": line.strength,
                        "because": line.because,
                        "rule": line.rule,
                    }
                    for line in triage.ledger(s.id)
                ],
                "confirm": [view.test.id for view in triage.confirming(s.id)],
                "remedies": [r.id for r in triage.remedies(s.id)],
            }
            for s in triage.ranking()
        ],
        "next": [
            {
                "id": step.id,
                "bits": step.bits,
                "effort": step.effort,
                "minutes": step.minutes,
                "tells_apart": list(step.tells_apart_ids),
            }
            for step in triage.next_steps()
        ],
        "enough": triage.enough,
        "conflict": {"score": conflict.bits, "answers": list(conflict.answers)},
        "surprise": triage.surprise(),
        "unexplained": triage.unexplained,
        "answers": [
            {"id": g.id, "source": g.source, "answer": list(g.answers), "counts": g.counts, "why": g.why}
            for g in triage.given()
        ],
        "marks": _marks(triage),
        "cured": cured_json(triage),
        "alarms": triage.alarms(),
        "warnings": triage.doubts(),
    }


def _marks(triage: Triage) -> dict[str, Any] | None:
    """Return the marks on a case: how many, how many on the part, whether they count, and what they say.

    ``placed`` and ``verdict`` are null while there is no job file to hold them against; ``weighed`` is the JSON of
    `marks` (`marks_contract`) or null.
    """
    marks, weighed = triage.marks, triage.weighed
    if marks is None:
        return None
    return {
        "marks": len(marks),
        "placed": weighed.placed if weighed else None,
        "counts": weighed is not None and weighed.enough,
        "verdict": str(weighed.told["verdict"]) if weighed else None,
        "weighed": dict(weighed.told) if weighed else None,
    }


def rules_json(knowledge: Knowledge) -> dict[str, Any]:
    """Return the JSON of `rules list`."""
    results = knowledge.result_questions()
    return {
        "causes": [
            {"id": c.id, "name": c.name, "family": c.family, "defects": list(c.defects), "rate": c.rate}
            for c in knowledge.causes.values()
        ],
        "questions": [
            {
                "id": q.id,
                "ask": q.ask,
                "kind": q.kind,
                "effort": q.effort,
                "role": q.role,
                "on_purpose": q.id in results,
                "answers": [{"id": a.id, "say": a.say} for a in q.answers],
                "measured_by": q.measured_by,
                "ask_if": {about: list(answers) for about, answers in q.ask_if.items()},
            }
            for q in knowledge.questions.values()
        ],
        "findings": [
            {"id": f.id, "name": f.name, "answers": [{"id": a.id, "say": a.say} for a in f.answers], "fills": f.fills}
            for f in knowledge.findings.values()
        ],
        "tests": [{"id": t.id, "name": t.name, "question": t.question, "coupon": t.coupon} for t in knowledge.tests.values()],
        "remedies": [{"id": r.id, "name": r.name} for r in knowledge.remedies.values()],
        "printers": [{"id": p.id, "name": p.name} for p in knowledge.printers.values()],
        "materials": [{"id": m.id, "name": m.name} for m in knowledge.materials.values()],
        "coupons": [{"id": c.id, "name": c.name} for c in knowledge.coupons.values()],
        "sources": [{"id": s.id, "cite": s.cite} for s in knowledge.sources.values()],
        "packs": [{"name": p.name, "version": p.version} for p in knowledge.packs],
    }


def score_json(found: Score, folds: int | None = None) -> dict[str, Any]:
    """Return the JSON of `cases score`, shares from 0 to 1; with ``folds``, of so many parts too."""
    data: dict[str, Any] = {"cases": len(found.cases)}
    data |= {SCORE_KEYS[n]: found.within(n).share for n in PLACES}
    data |= {"brier": found.brier, "bits_per_case": found.bits}
    data["intervals"] = {SCORE_KEYS[n]: [found.within(n).low, found.within(n).high] for n in PLACES}
    data["counts"] = {SCORE_KEYS[n]: found.within(n).count for n in PLACES}
    if folds is None:
        data |= {
            "brier_of_rates": found.brier_of_rates,
            "bits_of_rates": found.bits_of_rates,
            "leader_share": found.leader_share,
            "calibration": [
                {"from": b.least, "to": b.most, "shares": b.came.of, "said": b.said, "came": b.came.share,
                 "low": b.came.low, "high": b.came.high}
                for b in found.calibration()
            ],
            "brier_parts": asdict(found.parts()),
            "confused": [{"cause": cause, "first": winner, "cases": n} for cause, winner, n in found.confused()],
            "missed": [
                {"id": c.id, "source": c.source, "cause": c.cause, "place": c.place, "probability": c.share,
                 "winner": c.winner, "winner_probability": c.leader_share}
                for c in found.missed()
            ],
        }  # fmt: skip
        return data
    whole = score_json(found)
    return whole | {"folds": [score_json(part) for part in found.folds(folds)]}
