"""``diagnose rules list`` and ``show``: what the rules hold, and where each thing is from."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from pathlib import Path

import click

from diagnose.cases.book import Casebook
from diagnose.cli.common import casebook_option, json_option, print_json, rules_option
from diagnose.cli.words import costs, indented, material, remedy
from diagnose.errors import BadInput, nearest
from diagnose.folders import own_casebook
from diagnose.knowledge.materials import Material
from diagnose.knowledge.models import Cause, ConfirmingTest, Coupon, Finding, Question, Remedy
from diagnose.knowledge.pack import ENTRY_KINDS, Knowledge, Origin
from diagnose.reasoning.network import compile_network
from diagnose.triage import knowledge_from
from diagnose.triage.contract import rules_json
from diagnose.triage.manual import Section, cause_page


@click.command("list")
@rules_option
@json_option
@click.argument("kind", required=False, type=click.Choice(ENTRY_KINDS))
def list_(packs: tuple[Path, ...], as_json: bool, kind: str | None) -> None:
    """List causes, questions, findings, tests, remedies, printers, materials, coupons and sources.

    What is not from the built-in pack says where it is from.
    """
    knowledge = knowledge_from(packs)
    if as_json:
        print_json(rules_json(knowledge))
        return
    for name in [kind] if kind else ENTRY_KINDS:
        click.echo(name)
        for entry in getattr(knowledge, name).values():
            text = getattr(entry, "name", None) or getattr(entry, "ask", None) or getattr(entry, "cite", "")
            click.echo(f"  {entry.id:<28} {text}{_not_built_in(knowledge, name, entry.id)}")
            if isinstance(entry, Question):
                for line in indented(", ".join(a.id for a in entry.answers), 31):
                    click.echo(line)


def _not_built_in(k: Knowledge, kind: str, id: str) -> str:
    """Return where an entry, or a line laid over it, is from, unless that is the built-in pack."""
    built_in = k.packs[0].name
    origin = k.origins[kind, id]
    if origin.pack != built_in:
        return f"  [{origin}, pack {origin.pack}{_over(origin)}]"
    lines = [o for (cause, _), o in k.lines.items() if kind == "causes" and cause == id and o.pack != built_in]
    return f"  [adjusted at {lines[0]}, pack {lines[0].pack}]" if lines else ""


def _over(origin: Origin) -> str:
    return f", over {origin.over}" if origin.over else ""


@click.command()
@click.argument("id")
@rules_option
@casebook_option
@json_option
def show(id: str, packs: tuple[Path, ...], casebook: Path | None, as_json: bool) -> None:
    """Show one entry of the rules as a page: a cause, question, finding, test, remedy or material.

    A cause has all that is known of it, your own closed cases among it. Where entries of several kinds have the id, all
    are shown; as JSON, each under its kind.
    """
    knowledge = knowledge_from(packs)
    found = [(kind, getattr(knowledge, kind)[id]) for kind in ENTRY_KINDS if id in getattr(knowledge, kind)]
    if not found:
        known = [i for kind in ENTRY_KINDS for i in getattr(knowledge, kind)]
        raise BadInput(f"the rules have no {id!r}", nearest(id, known) or "`diagnose rules list` shows every id")
    if as_json:
        dumped = [entry.model_dump(mode="json", by_alias=True, exclude_none=True) for _, entry in found]
        print_json(dumped[0] if len(dumped) == 1 else {kind: entry for (kind, _), entry in zip(found, dumped, strict=True)})
        return
    for number, (kind, entry) in enumerate(found):
        if number:
            click.echo()
        origin = knowledge.origins[kind, id]
        click.echo(f"{id}  ({kind}, {origin}, pack {origin.pack}{_over(origin)})")
        for line in _page(knowledge, entry, casebook):
            click.echo(line)


def _page(k: Knowledge, entry: object, casebook: Path | None) -> Iterator[str]:
    if isinstance(entry, Cause):
        cases = Casebook(casebook or own_casebook()).cases()
        yield f"  {entry.name}"
        yield from manual(cause_page(k, compile_network(k), entry, cases))
    elif isinstance(entry, Question | Finding):
        yield from indented(entry.ask if isinstance(entry, Question) else f"{entry.name}: {entry.explain}", 2)
        if isinstance(entry, Question):
            if entry.look:
                yield from indented(entry.look, 2)
            for about, answers in entry.ask_if.items():
                yield f"  asked if {about} is {' or '.join(answers)}"
        for answer in entry.answers:
            picture = f"  {answer.picture}" if answer.picture else ""
            yield f"    {answer.id:<20} {answer.say}{picture}"
        speaking = [c.id for c in k.causes.values() if any(e.about == entry.id for e in c.evidence)]
        yield from indented(f"speaks for or against: {', '.join(speaking) or 'nothing yet'}", 2)
    elif isinstance(entry, ConfirmingTest):
        yield from indented(entry.do, 2)
        yield from indented(f"How to read it: {entry.how_to_read}", 2)
        yield from costs(entry, 2)
    elif isinstance(entry, Remedy):
        yield from remedy(entry)
    elif isinstance(entry, Coupon):
        yield from _coupon_page(k, entry)
    elif isinstance(entry, Material):
        yield from material(entry)
    else:
        yield from indented(str(getattr(entry, "cite", getattr(entry, "about", ""))), 2)


def manual(sections: Sequence[Section]) -> Iterator[str]:
    """Yield a page of the manual as lines."""
    for section in sections:
        yield ""
        yield f"  {section.title}"
        for line in section.lines:
            text = f"CAUTION: {line.text}" if line.tone == "caution" else line.text
            yield from indented(text, 4 + 2 * line.inside)


def _coupon_page(k: Knowledge, entry: Coupon) -> Iterator[str]:
    yield from indented(f"{entry.name} {entry.about}", 2)
    yield from indented(f"How to read it: {entry.reads}", 2)
    tests = {t.id for t in k.tests.values() if t.coupon == entry.id}
    confirms = [c.id for c in k.causes.values() if tests & set(c.confirm)]
    yield from indented(f"helps to confirm: {', '.join(confirms) or 'nothing yet'}", 2)
    for caution in entry.cautions:
        yield from indented(f"CAUTION: {caution}", 2)
