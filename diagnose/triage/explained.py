"""One finding explained: what was found, how sure, from which lines, and for which causes it speaks."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

from diagnose.errors import BadInput, nearest
from diagnose.knowledge.cards import Printer
from diagnose.knowledge.pack import Knowledge
from diagnose.triage.meaning import Speaks, answer_of, speaks_for, usual_of
from diagnose.triage.sources import numbers_behind

LINES_SHOWN = 6
"""Lines of the job quoted at most."""


def explanation(s: dict[str, Any], id: str, knowledge: Knowledge, printer: Printer | None) -> dict[str, Any]:
    """Return everything known of one finding of a job.

    Raises
    ------
    BadInput
        When there is no such finding, or this job does not raise its question.
    """
    from diagnose.toolpath.findings import REGISTRY
    from diagnose.toolpath.settings import lines_of

    if id not in REGISTRY:
        hint = nearest(id, REGISTRY)
        raise BadInput(f"there is no finding {id!r}", hint or f"the findings are: {', '.join(sorted(REGISTRY))}", "--explain")
    entry = REGISTRY[id]
    found = next((f for f in s["findings"] if f["id"] == id), None)
    if found is None and entry.rests_on and printer is None:
        raise BadInput(
            f"the finding {id!r} needs a printer card", "name one with --printer; `printers list` shows them", "--explain"
        )
    if found is None:
        raise BadInput(f"this job gives no answer to {id!r}", "`--all` shows those it gives", "--explain")
    declared = answer_of(knowledge, id, found["answer"])
    rule = knowledge.findings.get(id)
    rests = numbers_behind(printer, entry.rests_on) if printer else []
    return {
        "job": s["job"],
        "printer": s["printer"],
        **found,
        "asks": rule.name if rule else None,
        "explain": rule.explain if rule else None,
        "say": declared.say if declared else None,
        "usual": usual_of(knowledge, id, found["answer"]),
        "fills": rule.fills if rule else None,
        "derived_from": list(rule.derived_from) if rule else [],
        "rests_on": [{"name": name, "value": value, "from": origin} for name, value, origin in rests],
        "caps": _caps(found["confidence"], rests, bool(entry.rests_on)),
        "quoted": [{"line": line, "text": text} for line, text in lines_of(Path(s["job"]), found["lines"][:LINES_SHOWN])],
        "speaks_for": [_speaks(x) for x in speaks_for(knowledge, id, found["answer"])],
    }


def _speaks(x: Speaks) -> dict[str, Any]:
    return {
        "cause": x.cause.id,
        "name": x.cause.name,
        "seen": x.seen,
        "usual": x.usual,
        "decibans": round(x.decibans, 2),
        "given": {about: list(answers) for about, answers in x.line.given.items()},
        "because": x.line.because,
        "rule": x.rule,
    }


def _caps(confidence: float, rests: Sequence[tuple[str, float, str]], needs_card: bool) -> str:
    from diagnose.toolpath.machine import CARD_FREE_CAP, CONFIDENCE_CAP

    if not needs_card:
        if confidence >= CARD_FREE_CAP:
            return f"it rests on the job file alone; nothing is believed by more than {CARD_FREE_CAP:.2f}"
        return "it rests on the job file alone, and the way it is computed leaves some doubt"
    weakest = min((CONFIDENCE_CAP[origin] for _, _, origin in rests), default=CARD_FREE_CAP)
    if confidence < weakest:
        return "the numbers of the card would allow more; the way it is computed leaves some doubt"
    blame = [name for name, _, origin in rests if CONFIDENCE_CAP[origin] == weakest]
    kind = next(origin for name, _, origin in rests if name == blame[0])
    if kind == "measured":
        return "every number of the card it rests on is measured"
    source = {"job": "come from the job's settings", "generic": "are generic"}[kind]
    cure = {"job": "a measured number is worth up to 0.95", "generic": "one the job states is worth 0.8, a measured one 0.95"}[kind]
    return f"{len(blame)} of the {len(rests)} numbers of the card it rests on {source}, so it is believed by {weakest:g} at most; {cure}"
