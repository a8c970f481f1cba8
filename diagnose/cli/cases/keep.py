"""``diagnose cases close`` and ``note``: what became of a case, in the words of whoever solved it."""

from __future__ import annotations

from pathlib import Path
from typing import get_args

import click

from diagnose.cases.book import Casebook
from diagnose.cases.record import Outcome
from diagnose.cli.cases.book import entry_of
from diagnose.cli.common import casebook_option, quiet_option, rules_option
from diagnose.errors import BadInput
from diagnose.folders import own_casebook
from diagnose.triage import Triage, filing, knowledge_from


def _opened(casebook: Path | None, packs: tuple[Path, ...], id: str) -> Triage:
    entry = entry_of(casebook, id)
    return Triage.resume(knowledge_from(packs), Casebook(casebook or own_casebook()), entry.id)


@click.command()
@click.argument("id")
@click.option("--outcome", type=click.Choice(get_args(Outcome)), default="cured", show_default=True, help="What came of it.")
@click.option("--cause", metavar="ID", help="What it was.")
@rules_option
@casebook_option
@quiet_option
def close(id: str, outcome: Outcome, cause: str | None, packs: tuple[Path, ...], casebook: Path | None, quiet: bool) -> None:
    """Close a case by hand, where no recorded remedy did: it was cured in another way, somebody helped, it stayed
    unsolved, or nothing was wrong. The next answer in it opens it again.
    """
    triage = _opened(casebook, packs, id)
    filing.close(triage, outcome, cause)
    if not quiet and triage.journal is not None:
        click.echo(f"closed: {triage.journal.filed}")


@click.command()
@click.argument("id")
@click.argument("text", required=False)
@click.option("--picture", metavar="FILE", type=click.Path(path_type=Path), help="Point to a picture; it stays where it is.")
@rules_option
@casebook_option
def note(id: str, text: str | None, picture: Path | None, packs: tuple[Path, ...], casebook: Path | None) -> None:
    """Write a remark into a case, or point to a picture."""
    if text is None and picture is None:
        raise BadInput("there is nothing to write", "give a TEXT, or --picture FILE")
    triage = _opened(casebook, packs, id)
    if picture is not None:
        filing.picture(triage, picture)
    if text is not None:
        filing.note(triage, text)
