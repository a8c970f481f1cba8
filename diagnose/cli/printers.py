"""``diagnose printers``: the printer cards that the rules hold, what their numbers mean, and cards of one's own."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import click

from diagnose.cli.common import json_option, print_json, progress, quiet_option, rules_option
from diagnose.cli.toolpath.draw import Pen
from diagnose.cli.toolpath.draw import pen as fitting_pen
from diagnose.knowledge.cards import Printer
from diagnose.triage import card, knowledge_from, newcard
from diagnose.triage.printers import in_short, shown_fields


@click.group()
def printers() -> None:
    """List, explain and make printer cards."""


@printers.command("list")
@rules_option
@json_option
def list_(packs: tuple[Path, ...], as_json: bool) -> None:
    """List the printer cards, each with what matters most for the queue of moves."""
    knowledge = knowledge_from(packs)
    cards = list(knowledge.printers.values())
    if as_json:
        print_json({"printers": [{"id": p.id, "name": p.name, "about": p.about, "in_short": in_short(p)} for p in cards]})
        return
    pen = fitting_pen()
    for printer in cards:
        for line in pen.folded(f"{printer.id:<20}  ", printer.name):
            click.echo(line)
        for line in pen.folded(" " * 22, in_short(printer)):
            click.echo(line)
        click.echo()
    for line in pen.folded("", "`diagnose printers show ID` explains every number; `diagnose printers add --from JOB` makes a card of your own."):
        click.echo(line)


@printers.command()
@click.argument("printer", metavar="ID|FILE")
@rules_option
@json_option
@quiet_option
def show(printer: str, packs: tuple[Path, ...], as_json: bool, quiet: bool) -> None:
    """Show every number of a printer card: what it is, what it changes, where it came from."""
    found = card(knowledge_from(packs), printer)
    if as_json:
        rows = [{"name": name, "value": value, "from": origin} for name, value, origin in found.numbers()]
        choices = {name: value for name, value, origin in shown_fields(found) if origin is None}
        print_json(
            {"id": found.id, "name": found.name, "about": found.about, "numbers": rows, "choices": choices,
             "explain": Printer.explain()}
        )  # fmt: skip
        return
    for line in _page(found, fitting_pen(), quiet):
        click.echo(line)


def _page(printer: Printer, pen: Pen, quiet: bool) -> Iterator[str]:
    yield f"{printer.id}  {printer.name}"
    yield from pen.folded("  ", printer.about)
    explain = Printer.explain()
    group, axes = "", ""
    for name, value, origin in shown_fields(printer):
        part, _, short = name.rpartition(".")
        head = name.partition(".")[0]
        if head != group:
            group = head
            yield ""
            doc = (Printer.model_fields[head].annotation.__doc__ or "").strip()
            yield from pen.folded("", f"{head}: {doc}".replace("``", "`"))
        told = f"{value:g}" if origin else ("yes" if value is True else "no" if value is False else str(value))
        yield f"  {name.removeprefix(head + '.'):<36} {told:>10}  {origin or ''}".rstrip()
        if quiet:
            continue
        if short in ("x", "y", "z", "e"):
            # One explanation for the four of them, after the last.
            axes = part if short == "e" else ""
            if axes:
                yield from pen.folded("      ", explain[part])
            continue
        if name in explain:
            yield from pen.folded("      ", explain[name])


@printers.command()
@click.argument("id", metavar="[ID]", default="my-printer")
@click.option("--from", "job", metavar="JOB", type=click.Path(path_type=Path),
              help="Take what this job's own settings say: limits, retraction, saving, filament.")
@click.option("--like", metavar="ID|FILE", default=None, help="The card to start from.")
@click.option("--name", metavar="TEXT", help="What to call the printer.")
@click.option("-o", "--output", metavar="FILE", type=click.Path(path_type=Path), help="Write here; without it, print.")
@click.option("--force", is_flag=True, help="Replace a file that is there.")
@rules_option
@json_option
@quiet_option
def add(
    id: str,
    job: Path | None,
    like: str | None,
    name: str | None,
    output: Path | None,
    force: bool,
    packs: tuple[Path, ...],
    as_json: bool,
    quiet: bool,
) -> None:
    """Make a printer card of your own, to be completed with what you measure.

    It starts as the card named by --like (the first one of the list without), takes what the job says of the printer
    it was written for, and explains every number in comments. Give its path to --printer.
    """  # fmt: skip
    from diagnose.cli.newcard import report

    knowledge = knowledge_from(packs)
    start = card(knowledge, like) if like else next(iter(knowledge.printers.values()))
    newcard.check_place(output, force)
    made = newcard.make(id, name, start, job, list(knowledge.printers.values()), progress(quiet or as_json))
    newcard.check(made, knowledge)
    if output is not None:
        newcard.write(made, output, force)
    if as_json:
        print_json(made.as_json(output))
    elif output is None:
        click.echo(made.text, nl=False)
    elif not quiet:
        for line in report(made, output, fitting_pen()):
            click.echo(line)
    if id in knowledge.printers and not quiet:
        click.echo(f"note: the rules have a card {id!r} already; --printer {id} means that one, a path means yours", err=True)


