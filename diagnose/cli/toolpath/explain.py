"""One finding explained: what was found, how sure, from which lines, and for which causes it speaks."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

from diagnose.cli.toolpath.draw import Pen
from diagnose.cli.toolpath.verdict import percent
from diagnose.errors import BadInput, nearest
from diagnose.knowledge.cards import Printer
from diagnose.knowledge.pack import Knowledge
from diagnose.triage.meaning import Speaks, answer_of, speaks_for, usual_of
from diagnose.triage.sources import numbers_behind

AXES = ("x", "y", "z", "e")
LINES_SHOWN = 6
NOTEWORTHY = 0.5
"""Decibans under which an answer hardly speaks for or against a cause."""


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


def page(x: dict[str, Any], pen: Pen) -> Iterator[str]:
    """Yield the explanation as a page."""
    yield pen.spread(f" {x['id']} in {x['job']}", f"on {x['printer']} " if x["printer"] else "no printer card ")
    yield pen.rule
    if x["asks"]:
        yield from pen.folded(" ", x["asks"])
        yield from pen.folded("   ", x["say"] or x["answer"])
        yield ""
    yield from pen.folded(" found    ", x["because"])
    if x["value"] is not None:
        yield from pen.folded(" value    ", f"{x['value']:g} {x['unit']}")
    usual = "" if x["usual"] is None else f"{percent(x['usual'])} of bad prints show this whatever ails them"
    yield from pen.folded(" usual    ", usual or "the rules do not say how often this comes")
    yield from pen.folded(" sure     ", f"{x['confidence']:.2f}: {x['caps']}")
    if x["explain"]:
        yield from pen.folded(" meaning  ", x["explain"])
    if x["derived_from"]:
        yield from pen.folded(" follows  ", f"computed from {', '.join(x['derived_from'])}, so the two count as one fact")
    if x["rests_on"]:
        told = "; ".join(_joined(x["rests_on"]))
        yield from pen.folded(" rests on ", told)
    if x["quoted"]:
        yield ""
        yield f" Lines of the job that show it ({len(x['quoted'])})"
        for q in x["quoted"]:
            yield pen.plain(f" {q['line']:>9,}  {q['text']}")[: pen.width]
    yield ""
    yield from _speaks_lines(x, pen)


def _joined(numbers: Sequence[dict[str, Any]]) -> Iterator[str]:
    """Yield the numbers of a card in words, the axes of one together."""
    groups: dict[tuple[str, str], list[str]] = {}
    for n in numbers:
        name, axis = n["name"], ""
        if name.rpartition(".")[2] in AXES:
            name, _, axis = name.rpartition(".")
        groups.setdefault((name, n["from"]), []).append(f"{axis} {n['value']:g}".strip())
    for (name, origin), values in groups.items():
        yield f"{name} {', '.join(values)} ({origin})"


def _speaks_lines(x: dict[str, Any], pen: Pen) -> Iterator[str]:
    told = [s for s in x["speaks_for"] if abs(s["decibans"]) >= NOTEWORTHY]
    if not x["speaks_for"]:
        yield from pen.folded(" ", "No cause has evidence on this answer; it gives context to other findings, or is for you to know.")
        return
    if x["fills"]:
        yield from pen.folded(" ", f"It answers the question {x['fills']!r} of the interview where it is surer than you are.")
    for side, title in ((1, "Speaks for"), (-1, "Speaks against")):
        mine = [s for s in told if s["decibans"] * side > 0]
        if not mine:
            continue
        yield from pen.folded(" ", f"{title} (seen when this cause is at work; decibans: 10 make ten to one)")
        for s in mine:
            given = " and ".join(f"{about} is {' or '.join(answers)}" for about, answers in s["given"].items())
            when = f", when {given}" if given else ""
            yield from pen.folded(f"  {s['decibans']:+6.1f}  ", f"{s['name']} ({percent(s['seen'])}{when}): {s['because']}")
    if len(told) < len(x["speaks_for"]):
        yield from pen.folded(" ", f"{len(x['speaks_for']) - len(told)} more causes for which it hardly matters")
