"""A report as Markdown: readable as it stands, in any editor and on paper."""

from __future__ import annotations

import re
from collections.abc import Iterator
from html import escape

from diagnose.reports.surface import as_text
from diagnose.triage.report import Report
from diagnose.triage.wording import cost, decibans, often_of, percent

_SPECIAL = re.compile(r"([\\`*_{}\[\]#|!~])")


def plain(text: str) -> str:
    """Return a text in which nothing means anything to a reader of Markdown, or of the HTML it may hold."""
    return escape(_SPECIAL.sub(r"\\\1", " ".join(text.split())), quote=False)


def markdown(report: Report) -> str:
    """Return a report as Markdown."""
    return "\n".join(_lines(report)) + "\n"


def _signed(value: float) -> str:
    return decibans(value).replace(" ", "")


def _lines(r: Report) -> Iterator[str]:
    yield f"# {plain(r.title)}"
    yield ""
    yield from (f"- {name}: {plain(value)}" for name, value in r.facts)
    for alarm in r.alarms:
        yield from ("", f"**DANGER: {plain(alarm)}**")
    if r.outcome:
        yield from ("", f"**{plain(r.outcome)}**")
    yield from (f"\n**CAUTION: {plain(caution)}**" for caution in r.cautions)
    yield from ("", "## Suspects", "", "| share | cause |", "|---:|---|")
    yield from (f"| {percent(s.share)} | {plain(s.name)} |" for s in r.suspects)
    yield f"| {percent(r.unexplained)} | something not in the rules |"
    yield from (f"\n{plain(doubt)}" for doubt in r.doubts)
    yield from ("", f"## Why: {plain(r.cause)}", "", "Weights in decibans; +10 makes it ten times as likely against all others.", "")
    yield from ("| dB | what | why |", "|---:|---|---|")
    for what, line in r.ledger:
        because = f"{line.because} [{line.rule}]" if line.rule else line.because
        yield f"| {_signed(line.decibans)} | {plain(what)} | {plain(because)} |"
    count, more = r.rest
    if count:
        yield f"| {_signed(more)} | {count} more that hardly matter | |"
    yield f"| {_signed(more + sum(line.decibans for _, line in r.ledger))} | together | |"
    yield from ("", "## What was seen", "")
    for given in r.given:
        aside = "" if given.counts else f" (does not count: {plain(given.why)})"
        yield f"- {plain(given.ask)} {plain(given.say)}{aside}"
    if r.marks is not None:
        yield from ("", "## Where the marks are", "", plain(str(r.marks.get("verdict", ""))), "")
        yield from (f"    {line}" for line in as_text(r.marks))
    if r.steps:
        yield from ("", "## What to do next", "", f"Expected to cost {r.cost:.0f} until it is cured.", "")
        for number, step in enumerate(r.steps, 1):
            chance = "" if step.kind == "test" else f" ({often_of(step.chance)} this ends it)"
            yield f"{number}. {'Test' if step.kind == 'test' else 'Try'}: **{plain(step.name)}**{chance}"
            yield from (f"   **CAUTION: {plain(step.caution)}**" for _ in [0] if step.caution)
            yield f"   {plain(step.do)}"
            yield from (f"   How to read it: {plain(step.reads)}" for _ in [0] if step.reads)
            yield f"   Costs {cost(*step.costs)}." + (f" Gives up: {plain(step.gives_up)}" if step.gives_up else "")
    if r.tried:
        yield from ("", "## What was tried", "")
        yield from (f"- {plain(name)}: {came}" for name, came in r.tried)
    if r.similar:
        yield from ("", "## Cases like it", "")
        yield from (f"- {plain(s.case.title or s.case.id)} ({s.distance:.2f}): {plain(s.cause)}" for s in r.similar)
    if r.notes or r.pictures:
        yield from ("", "## Notes", "")
        yield from (f"- {plain(note)}" for note in r.notes)
        yield from (f"- picture: {plain(name)}" for name in r.pictures)
