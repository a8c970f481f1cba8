"""One finding explained: what was found, how sure, from which lines, and for which causes it speaks."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any

from diagnose.cli.toolpath.draw import Pen
from diagnose.cli.toolpath.verdict import percent

AXES = ("x", "y", "z", "e")
NOTEWORTHY = 0.5
"""Decibans under which an answer hardly speaks for or against a cause."""


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
