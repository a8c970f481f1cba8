"""A case as lines of text, for commands that print."""

from __future__ import annotations

import shutil
import textwrap
from collections.abc import Iterator

from diagnose.knowledge.materials import Material, Sourced
from diagnose.knowledge.models import Costed, Remedy
from diagnose.reasoning.inquiry import ENOUGH
from diagnose.triage import TestView, Triage
from diagnose.triage.wording import cost, decibans, percent

WIDTH = 92
WORTH_A_LINE = 0.5
"""Decibans under which an answer shares a line with others; about the least a person notices (Good 1950)."""


def ranking(triage: Triage, most: int = 6) -> Iterator[str]:
    """Yield the suspects, likeliest first, with a bar each."""
    rows = [(s.probability, f"{s.name}  [{s.id}]") for s in triage.ranking()[:most]]
    rows.append((triage.unexplained, "something not in the rules"))
    for share, name in sorted(rows, key=lambda row: -row[0]):
        yield f"  {percent(share):>7}  {'#' * round(20 * share):<20}  {name}"


def ledger(triage: Triage, cause_id: str) -> Iterator[str]:
    """Yield the evidence for and against one cause, in decibans; the weights add up to its log-odds."""
    lines = triage.ledger(cause_id)
    said = [line for line in lines if line.source == "rate" or abs(line.decibans) >= WORTH_A_LINE]
    rest = [line for line in lines if line not in said]
    yield f'Why "{triage.cause(cause_id).name}" (decibans: 10 make ten to one)'
    for line in said:
        kind = "" if line.source in ("rate", "marks") else f"{line.id}: "
        yield from indented(f"{decibans(line.decibans)}  {kind}{line.say} ({line.strength})", 2, 8)
        where = f" [{line.rule}]" if line.rule else ""
        yield from indented(f"{line.because}{where}", 9)
    if rest:
        yield f"  {decibans(sum(line.decibans for line in rest))}  {len(rest)} more that hardly matter"
    yield f"  {decibans(sum(line.decibans for line in lines))}  together"


def test(view: TestView) -> Iterator[str]:
    """Yield a confirming test: what to do, how to read it, what it costs and gives up, what to mind."""
    t = view.test
    yield f"  {t.name} [{t.id}]"
    yield from indented(t.do, 4)
    yield from indented(f"How to read it: {t.how_to_read}", 4)
    yield from costs(t, 4)


def remedy(r: Remedy, came: str = "") -> Iterator[str]:
    """Yield a remedy: what to do, what it costs and gives up, what to mind; and what came of it, where it was tried."""
    yield from indented(f"{r.name} [{r.id}]" + (f"  tried: {came}" if came else ""), 2, 2)
    yield from indented(r.do, 4)
    yield from costs(r, 4)


def costs(entry: Costed, by: int) -> Iterator[str]:
    """Yield what a test or remedy costs, wears and gives up, and its caution."""
    yield from indented(f"Costs {cost(entry.minutes, entry.machine_minutes, entry.grams, entry.money)}", by)
    if entry.wear:
        yield from indented(f"Wears: {entry.wear}", by)
    if entry.gives_up:
        yield from indented(f"Gives up: {entry.gives_up}", by)
    if entry.caution:
        yield from indented(f"CAUTION: {entry.caution}", by)


USUAL_FILAMENT_MM = 1.75
SHOWN_WATER_PERCENT = 0.1
SOFTENING = {"glass-transition": "glass transition", "vicat": "Vicat temperature"}


def material(m: Material) -> Iterator[str]:
    """Yield a plastic as a page: each number with its source, then what follows from them."""
    yield f"  {m.name}"
    yield from indented(m.about, 2)

    def row(what: str, said: str, figure: Sourced) -> Iterator[str]:
        yield from indented(f"{what:<22} {said} [{figure.source}]", 4, 23)
        if figure.note:
            yield from indented(figure.note, 27)

    soft, water = m.softens_c, m.water
    yield from row("solid density", f"{m.density_g_cm3.value:g} g/cm3", m.density_g_cm3)
    yield from row("softens from", f"{soft.least:g} to {soft.most:g} °C, {SOFTENING[soft.measure]}", soft)
    yield from row("dry it", f"at {m.drying.at_c:g} °C for {m.drying.hours:g} h", m.drying)
    yield from row("minds water", water.sensitivity.replace("-", " "), water)
    if water.uptake_percent:
        taken = water.uptake_percent
        yield from row("takes up", f"{taken.least:g} to {taken.most:g} % at half humidity", taken)
    if water.limit_percent:
        yield from row("prints well below", f"{water.limit_percent.value:g} % of water", water.limit_percent)
    yield from row("nozzle", f"{m.nozzle_c.least:g} to {m.nozzle_c.most:g} °C", m.nozzle_c)
    yield from row("bed", f"{m.bed_c.least:g} to {m.bed_c.most:g} °C", m.bed_c)
    low, high = (m.steam_volume(SHOWN_WATER_PERCENT, at) for at in m.nozzle_c.bounds)
    yield from indented(
        f"{SHOWN_WATER_PERCENT:g} % of water becomes {low:.1f} to {high:.1f} times the plastic's volume as steam in the nozzle.", 2
    )
    yield f"  1 kg of {USUAL_FILAMENT_MM:g} mm filament is {m.metres_per_kg(USUAL_FILAMENT_MM):.0f} m long."


def indented(text: str, by: int, hang: int = 0) -> Iterator[str]:
    """Yield a text wrapped to the terminal and indented, all lines but the first by ``hang`` more."""
    width = min(WIDTH, shutil.get_terminal_size((WIDTH, 24)).columns)
    yield from textwrap.wrap(
        text, width, initial_indent=" " * by, subsequent_indent=" " * (by + hang), break_on_hyphens=False
    )  # ids stay whole


def closing(triage: Triage) -> Iterator[str]:
    """Yield what closed a case: the remedy, the causes it was against, and what it gives up; nothing while it is open."""
    cured = triage.case.cured
    if cured is None:
        return
    knowledge = triage.knowledge
    causes = [knowledge.causes[c].name if c in knowledge.causes else c for c in cured.causes]
    remedy = knowledge.remedies.get(cured.remedy)
    yield from indented(f"Cured by: {remedy.name if remedy else cured.remedy} [{cured.remedy}]", 0, 2)
    if causes:
        yield from indented(f"So the cause was: {'; or '.join(causes)}", 2, 2)
    if remedy is not None and remedy.gives_up:
        yield from indented(f"It gives up: {remedy.gives_up}", 2, 2)


def verdict(triage: Triage, why: str | None = None) -> Iterator[str]:
    """Yield the whole state of a case: alarms, suspects, ledger of the first, doubts, how to confirm, what next."""
    for alarm in triage.alarms():
        yield from indented(f"! {alarm}", 0, 2)
        yield ""
    if triage.case.cured:
        yield from closing(triage)
        yield ""
    yield "Suspects"
    yield from ranking(triage)
    leader = why or triage.ranking()[0].id
    yield ""
    yield from ledger(triage, leader)
    for doubt in triage.doubts():
        yield ""
        yield from indented(doubt, 0)
    if triage.case.cured:
        return
    views = [view for view in triage.confirming(leader) if not view.done]
    if views:
        yield ""
        yield "To confirm it"
        yield from test(views[0])
    elif triage.alarms():
        yield ""
        yield "Tests that run the machine are left out while there is danger."
    left = [r for r in triage.remedies(leader) if r.id not in triage.case.tried]
    if triage.ranking()[0].probability >= ENOUGH and left:
        yield ""
        yield "To cure it, once it is confirmed"
        yield from remedy(left[0])
    steps = triage.next_steps(3)
    if steps:
        yield ""
        yield "Worth looking at next"
        for step in steps:
            apart = f", tells apart: {' / '.join(step.tells_apart)}" if step.tells_apart else ""
            yield from indented(f"{step.ask} [{step.id}] ({step.bits:.2f} bits, {step.minutes:g} min{apart})", 2, 2)
