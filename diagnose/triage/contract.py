"""A case and the rules as JSON: keys may be added, never changed."""

from __future__ import annotations

from typing import Any

from diagnose.knowledge.pack import Knowledge
from diagnose.triage.case import Triage


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
        "alarms": triage.alarms(),
        "warnings": triage.doubts(),
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
                "ask_if": {about: list(answers) for about, answers in q.ask_if.items()},
            }
            for q in knowledge.questions.values()
        ],
        "findings": [
            {"id": f.id, "name": f.name, "answers": [{"id": a.id, "say": a.say} for a in f.answers], "fills": f.fills}
            for f in knowledge.findings.values()
        ],
        "tests": [{"id": t.id, "name": t.name, "question": t.question} for t in knowledge.tests.values()],
        "remedies": [{"id": r.id, "name": r.name} for r in knowledge.remedies.values()],
        "printers": [{"id": p.id, "name": p.name} for p in knowledge.printers.values()],
        "materials": [{"id": m.id, "name": m.name} for m in knowledge.materials.values()],
        "sources": [{"id": s.id, "cite": s.cite} for s in knowledge.sources.values()],
        "packs": [{"name": p.name, "version": p.version} for p in knowledge.packs],
    }
