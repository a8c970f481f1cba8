"""``diagnose rank``: a ranked list from facts somebody already has."""

from __future__ import annotations

from collections.abc import Callable

import click

from diagnose.cli import words
from diagnose.cli.common import json_option, print_json, quiet_option
from diagnose.cli.facts import facts_options
from diagnose.triage import Triage
from diagnose.triage.contract import rank_json


@click.command()
@facts_options
@click.option("--why", metavar="CAUSE", help="Show the ledger of this cause instead of the first one's.")
@json_option
@quiet_option
def rank(load: Callable[[bool], Triage], why: str | None, as_json: bool, quiet: bool) -> None:
    """Rank the causes from facts you already have.

    \b
    diagnose rank --answer defect=blobs --answer mark-spacing=even
    diagnose rank facts.yaml --job part.gcode --printer my-printer.yaml
    diagnose rank facts.yaml --job part.gcode --marks marks.csv --zero front
    """
    triage = load(quiet or as_json)
    if why is not None:
        triage.cause(why)
    if as_json:
        print_json(rank_json(triage))
    elif quiet:
        for line in words.ranking(triage):
            click.echo(line)
    else:
        for line in words.verdict(triage, why):
            click.echo(line)
