"""``diagnose cases list``, ``find``, ``show`` and ``similar``: what the casebook holds."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

import click

from diagnose.cases.book import Casebook
from diagnose.cases.index import Entry, Index
from diagnose.cases.journal import Case
from diagnose.cli.common import casebook_option, json_option, print_json, rules_option
from diagnose.cli.words import indented
from diagnose.errors import BadInput, nearest, visible
from diagnose.folders import own_casebook
from diagnose.knowledge.pack import Knowledge
from diagnose.triage import knowledge_from
from diagnose.triage.explain import say_result
from diagnose.triage.facts import Facts, add_options, facts_file, triage_from
from diagnose.triage.similar import Similar
from diagnose.triage.similar import similar as nearest_cases
from diagnose.triage.wording import decibans, percent, times

STATES = ("open", "closed", "damaged")
SHOWN_ANSWERS = 4


def index(casebook: Path | None) -> Index:
    """Return the index of the casebook named, or of the user's own."""
    return Index(casebook or own_casebook())


@click.command("list")
@click.option("--state", type=click.Choice(STATES), help="Only these.")
@casebook_option
@json_option
def list_(state: str | None, casebook: Path | None, as_json: bool) -> None:
    """List the cases of the casebook, last changed first."""
    _show_rows(index(casebook).find((), **({"state": state} if state else {})), as_json)


@click.command()
@click.argument("words", nargs=-1)
@click.option("--state", type=click.Choice(STATES), help="Only these.")
@click.option("--cause", metavar="ID", help="Cases that it was the cause of.")
@click.option("--remedy", metavar="ID", help="Cases that it cured.")
@click.option("--printer", metavar="ID", help="Cases of this printer card.")
@click.option("--material", metavar="ID", help="Cases of this plastic.")
@casebook_option
@json_option
def find(words: tuple[str, ...], casebook: Path | None, as_json: bool, **columns: str | None) -> None:
    """Find cases that hold all WORDS in their title, notes, answers or ids.

    Exits with 1 when there is none.
    """
    found = index(casebook).find(words, **{name: value for name, value in columns.items() if value})
    _show_rows(found, as_json)
    if not found:
        click.get_current_context().exit(1)


def _show_rows(found: Sequence[Entry], as_json: bool) -> None:
    if as_json:
        print_json({"cases": [row(entry) for entry in found]})
        return
    for entry in found:
        was = f"{entry.outcome}: {entry.cause or 'cause not found'}" if entry.state == "closed" else entry.state
        for line in indented(f"{entry.case.changed[:10]:<10}  {visible(entry.case.title) or entry.id}  ({was})  [{entry.id}]", 0, 12):
            click.echo(line)
        if entry.fault:
            for line in indented(visible(entry.fault), 12):
                click.echo(line)
    click.echo(times(len(found), "case"))


def row(entry: Entry) -> dict[str, Any]:
    """Return a case as the JSON of `cases list` and `find` has it."""
    return {
        "id": entry.id, "title": entry.case.title, "state": entry.state, "started": entry.case.started,
        "changed": entry.case.changed, "answers": len(entry.case.answers), "cause": entry.cause or None, "outcome": entry.outcome or None,
        "remedy": entry.remedy or None, "printer": entry.case.printer, "material": entry.material or None, "fault": entry.fault,
    }  # fmt: skip


def entry_of(casebook: Path | None, id: str) -> Entry:
    """Return a case by its id, or by a beginning of it that no other has; raises BadInput where there is none."""
    entries = index(casebook).entries("substr(id, 1, ?) = ?", (len(id), id))
    exact = [e for e in entries if e.id == id]
    if len(exact or entries) == 1:
        return (exact or entries)[0]
    if entries:
        raise BadInput(f"{len(entries)} cases begin with {id!r}", "write more of it", id)
    known = [case.id for case in Casebook(casebook or own_casebook()).cases()]
    raise BadInput(f"there is no case {id!r}", nearest(id, known) or "`diagnose cases list` shows every case")


@click.command()
@click.argument("id")
@rules_option
@casebook_option
@json_option
def show(id: str, packs: tuple[Path, ...], casebook: Path | None, as_json: bool) -> None:
    """Show one case: what was seen, what was tried, what it was."""
    entry = entry_of(casebook, id)
    if entry.fault:
        raise BadInput("the case cannot be read", "restore the file from a copy", visible(entry.fault))
    if as_json:
        record = entry.record.model_dump(mode="json", exclude_none=True, exclude={"journal"}) if entry.record else None
        print_json({**row(entry), "record": record, "given": {q: list(a) if a is not None else None for q, a in entry.case.answers.items()}})
        return
    for line in _page(knowledge_from(packs), entry):
        click.echo(line)


def _page(k: Knowledge, entry: Entry) -> Iterator[str]:
    case, record = entry.case, entry.record
    yield f"{visible(case.title) or entry.id}  [{entry.id}]"
    yield f"  {entry.state}; started {case.started[:16].replace('T', ' ')}, last changed {case.changed[:16].replace('T', ' ')}"
    if case.printer:
        yield from indented(f"printer: {visible(case.printer)}", 2, 2)
    if case.job and case.job.get("path"):
        yield from indented(f"job file: {visible(str(case.job['path']))}", 2, 2)
    yield "  What was seen"
    for question, given in case.answers.items():
        yield from indented(f"{_asked(k, question)} {_said(k, question, given)}", 4, 2)
    if case.tried:
        yield "  What was tried"
        for remedy, result in case.tried.items():
            name = k.remedies[remedy].name if remedy in k.remedies else remedy
            yield from indented(f"{name}: {say_result(result)}", 4, 2)
    if record:
        name = k.causes[record.cause].name if record.cause in k.causes else record.cause or ""
        yield from indented(f"What it was: {name or 'not found'} ({record.outcome.replace('-', ' ')})", 2, 2)
        if record.ranking:
            yield "  Suspects at the time"
            for share in record.ranking:
                named = k.causes[share.cause].name if share.cause in k.causes else share.cause
                yield from indented(f"{percent(share.share):>7}  {named}", 4, 9)
        if record.ledger:
            yield "  What spoke for it and against it, in decibans"
            for line in record.ledger:
                yield from indented(f"{decibans(line.decibans)}  {line.about}: {line.answer}", 4, 8)
    for note in case.notes:
        yield from indented(f"Note: {visible(note)}", 2, 2)
    for picture in case.pictures:
        yield from indented(f"Picture: {visible(picture)}", 2, 2)


def _asked(k: Knowledge, id: str) -> str:
    return k.questions[id].ask if id in k.questions else f"{id}:"


def _said(k: Knowledge, id: str, given: Sequence[str] | None) -> str:
    if given is None:
        return "could not tell"
    if not given:
        return "none of them"
    say = {a.id: a.say for a in k.questions[id].answers} if id in k.questions else {}
    return "; ".join(say.get(a, a) for a in given)


@click.command()
@click.argument("what", metavar="[ID|ANSWERS.yaml]", required=False)
@click.option("--answer", "answers", multiple=True, metavar="Q=A", help="One answer; repeat for more.")
@click.option("--most", default=5, type=click.IntRange(1, 50), show_default=True, help="How many to show.")
@rules_option
@casebook_option
@json_option
def similar(
    what: str | None, answers: tuple[str, ...], most: int, packs: tuple[Path, ...], casebook: Path | None, as_json: bool
) -> None:
    """Show the solved cases most like a case of the casebook, or like the answers given, and what cured them.

    Two cases are the nearer the more bits of agreement they share on the questions and findings that both have; two bits
    of disagreement are added to every pair. 0 is the same, 1 nothing in common.
    """
    knowledge = knowledge_from(packs)
    if what is not None and not answers and not what.endswith((".yaml", ".yml")):
        case = entry_of(casebook, what).case
    else:
        facts = facts_file(Path(what)) if what is not None else Facts()
        add_options(facts, answers)
        if not facts.answers:
            raise BadInput("nothing is said of the print", "give the id of a case, a file of answers, or --answer")
        case = triage_from(knowledge, facts).case
    found = nearest_cases(knowledge, case, Casebook(casebook or own_casebook()).cases(), most)
    if as_json:
        print_json({"cases": [
            {"id": s.case.id, "title": s.case.title, "distance": s.distance, "cause": s.cause,
             "remedy": s.case.cured.remedy if s.case.cured else None, "agree": list(s.agree), "differ": list(s.differ)}
            for s in found
        ]})  # fmt: skip
        return
    for one in found:
        for line in _near(knowledge, one):
            click.echo(line)
    if not found:
        click.echo("No solved case is like it.")


def _near(k: Knowledge, one: Similar) -> Iterator[str]:
    case: Case = one.case
    yield from indented(f"{one.distance:.2f}  {visible(case.title) or case.id}  [{case.id}]", 0, 6)
    name = k.causes[one.cause].name if one.cause in k.causes else one.cause
    cured = case.cured.remedy if case.cured else ""
    by = f"; cured by: {k.remedies[cured].name if cured in k.remedies else cured}" if cured else ""
    yield from indented(f"It was: {name} [{one.cause}]{by}", 6, 2)
    if one.agree:
        yield from indented(f"like it: {', '.join(one.agree[:SHOWN_ANSWERS])}", 6, 2)
    if one.differ:
        yield from indented(f"unlike it: {', '.join(one.differ[:SHOWN_ANSWERS])}", 6, 2)
