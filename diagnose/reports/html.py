"""A report as one page of HTML: no script, nothing fetched, readable on paper and without colour."""

from __future__ import annotations

from collections.abc import Iterator
from html import escape

from diagnose.reports.surface import as_svg
from diagnose.triage.report import Report, Told
from diagnose.triage.views import LedgerLine
from diagnose.triage.wording import cost, decibans, often_of, percent

FULL_DB = 20.0
"""Decibans that fill half of a bar of the ledger."""
STYLE = """
:root { color-scheme: light; }
body { font: 15px/1.45 system-ui, sans-serif; color: #1a1a1a; background: #fff; max-width: 860px; margin: 2em auto; padding: 0 1em; }
h1 { font-size: 1.5em; margin: 0 0 .2em; } h2 { font-size: 1.1em; margin: 1.6em 0 .4em; border-bottom: 1px solid #bbb; }
table { border-collapse: collapse; width: 100%; } td, th { text-align: left; vertical-align: top; padding: .2em .6em .2em 0; }
td.n { text-align: right; white-space: nowrap; font-variant-numeric: tabular-nums; width: 5em; } td.b { width: 190px; }
dl { display: grid; grid-template-columns: max-content 1fr; gap: .1em 1em; } dd { margin: 0; overflow-wrap: anywhere; }
.quiet { color: #555; } .loud { border: 2px solid #000; padding: .5em .8em; margin: .6em 0; }
ol > li { margin: .7em 0; } svg { max-width: 100%; height: auto; } svg text { font: 12px system-ui, sans-serif; fill: #333; }
@media print { body { margin: 0; max-width: none; font-size: 11pt; } h2, tr, li { break-inside: avoid; } h2 { break-after: avoid; } }
"""


def html(report: Report) -> str:
    """Return a report as a page."""
    body = "\n".join(_body(report))
    return (
        '<!DOCTYPE html>\n<html lang="en"><head><meta charset="utf-8">\n'
        '<meta http-equiv="Content-Security-Policy" content="default-src \'none\'; style-src \'unsafe-inline\'; img-src data:">\n'
        '<link rel="icon" href="data:,">\n<meta name="viewport" content="width=device-width, initial-scale=1">\n'
        f"<title>{escape(report.title)}</title>\n<style>{STYLE}</style></head>\n<body>\n{body}\n</body></html>\n"
    )


def _body(r: Report) -> Iterator[str]:
    yield f"<h1>{escape(r.title)}</h1>"
    yield "<dl>" + "".join(f"<dt class=quiet>{escape(name)}</dt><dd>{escape(value)}</dd>" for name, value in r.facts) + "</dl>"
    for alarm in r.alarms:
        yield f"<p class=loud><strong>▲ Danger:</strong> {escape(alarm)}</p>"
    if r.outcome:
        yield f"<p><strong>{escape(r.outcome)}</strong></p>"
    for caution in r.cautions:
        yield _caution(caution)
    yield "<h2>Suspects</h2><table>"
    for name, share in [*((s.name, s.share) for s in r.suspects), ("something not in the rules", r.unexplained)]:
        yield f"<tr><td class=n>{escape(percent(share))}</td><td class=b>{_bar(share)}</td><td>{escape(name)}</td></tr>"
    yield "</table>"
    for doubt in r.doubts:
        yield f"<p>{escape(doubt)}</p>"
    yield f"<h2>Why: {escape(r.cause)}</h2>"
    yield "<p class=quiet>Weights in decibans: +10 makes it ten times as likely against all others, −10 ten times less. Together they make the share.</p><table>"
    for what, line in r.ledger:
        yield _ledger(what, line)
    count, more = r.rest
    if count:
        yield f"<tr><td class=n>{_signed(more)}</td><td class=b></td><td class=quiet>{count} more that hardly matter</td></tr>"
    total = more + sum(line.decibans for _, line in r.ledger)
    yield f"<tr><td class=n><strong>{_signed(total)}</strong></td><td class=b></td><td><strong>together</strong></td></tr></table>"
    yield "<h2>What was seen</h2><table>"
    for given in r.given:
        aside = "" if given.counts else f"<br><span class=quiet>does not count: {escape(given.why)}</span>"
        yield f"<tr><td>{escape(given.ask)}</td><td>{escape(given.say)}{aside}</td></tr>"
    yield "</table>"
    if r.marks is not None:
        yield f"<h2>Where the marks are</h2><p>{escape(str(r.marks.get('verdict', '')))}</p>"
        yield as_svg(r.marks)
    if r.steps:
        yield f"<h2>What to do next</h2><p>Expected to cost {r.cost:.0f} until it is cured.</p><ol>"
        yield from map(_step, r.steps)
        yield "</ol>"
    if r.tried:
        yield "<h2>What was tried</h2><ul>" + "".join(f"<li>{escape(name)}: {escape(came)}</li>" for name, came in r.tried) + "</ul>"
    if r.similar:
        yield "<h2>Cases like it</h2><ul>"
        yield from (f"<li>{escape(s.case.title or s.case.id)} <span class=quiet>(distance {s.distance:.2f})</span>: {escape(s.cause)}</li>" for s in r.similar)
        yield "</ul>"
    if r.notes or r.pictures:
        yield "<h2>Notes</h2><ul>" + "".join(f"<li>{escape(text)}</li>" for text in [*r.notes, *(f"picture: {p}" for p in r.pictures)]) + "</ul>"


def _caution(text: str) -> str:
    return f"<p class=loud><strong>▲ Caution:</strong> {escape(text)}</p>"


def _signed(value: float) -> str:
    return decibans(value).replace(" ", "").replace("-", "−")


def _bar(share: float) -> str:
    return f'<svg width="180" height="12" aria-hidden="true"><rect width="180" height="12" fill="none" stroke="#bbb"/><rect width="{180 * share:.1f}" height="12" fill="#555"/></svg>'


def _ledger(what: str, line: LedgerLine) -> str:
    size = min(abs(line.decibans) / FULL_DB, 1.0) * 90
    at = 90.0 if line.decibans >= 0 else 90.0 - size
    fill = "#0072b2" if line.decibans >= 0 else "none"
    bar = (
        f'<svg width="180" height="12" aria-hidden="true"><path d="M90 0v12" stroke="#888"/>'
        f'<rect x="{at:.1f}" y="1.5" width="{size:.1f}" height="9" fill="{fill}" stroke="#0072b2"/></svg>'
    )
    rule = f" [{line.rule}]" if line.rule else ""
    return (
        f"<tr><td class=n>{_signed(line.decibans)}</td><td class=b>{bar}</td>"
        f"<td>{escape(what)} <span class=quiet>({escape(line.strength)})<br>{escape(line.because + rule)}</span></td></tr>"
    )


def _step(step: Told) -> str:
    chance = "" if step.kind == "test" else f" <span class=quiet>({escape(often_of(step.chance))} this ends it)</span>"
    parts = [f"<li>{'Test' if step.kind == 'test' else 'Try'}: <strong>{escape(step.name)}</strong>{chance}"]
    if step.caution:
        parts.append(_caution(step.caution))
    parts.append(f"<div>{escape(step.do)}</div>")
    if step.reads:
        parts.append(f"<div>How to read it: {escape(step.reads)}</div>")
    gives_up = f" Gives up: {step.gives_up}" if step.gives_up else ""
    parts.append(f"<div class=quiet>Costs {escape(cost(*step.costs))}.{escape(gives_up)}</div></li>")
    return "\n".join(parts)
