"""``diagnose printers``: the printer cards that the rules hold."""

from __future__ import annotations

from pathlib import Path

import click

from diagnose.cli.common import json_option, print_json, rules_option
from diagnose.cli.words import indented
from diagnose.triage import card, knowledge_from


@click.group()
def printers() -> None:
    """List and show printer cards."""


@printers.command("list")
@rules_option
@json_option
def list_(packs: tuple[Path, ...], as_json: bool) -> None:
    """List the printer cards."""
    knowledge = knowledge_from(packs)
    if as_json:
        print_json({"printers": [{"id": p.id, "name": p.name, "about": p.about} for p in knowledge.printers.values()]})
        return
    for printer in knowledge.printers.values():
        click.echo(f"{printer.id:<24} {printer.name}")


@printers.command()
@click.argument("printer", metavar="ID|FILE")
@rules_option
@json_option
def show(printer: str, packs: tuple[Path, ...], as_json: bool) -> None:
    """Show every number of a printer card and where it came from."""
    found = card(knowledge_from(packs), printer)
    numbers = list(found.numbers())
    if as_json:
        rows = [{"name": name, "value": value, "from": origin} for name, value, origin in numbers]
        print_json({"id": found.id, "name": found.name, "about": found.about, "numbers": rows})
        return
    click.echo(f"{found.id}  {found.name}")
    for line in indented(found.about, 2):
        click.echo(line)
    click.echo(f"  planned on the {found.motion.planning}, fed from a {found.supply.feed}")
    for name, value, origin in numbers:
        click.echo(f"  {name:<38} {value:>10g}  {origin}")
