"""``diagnose rank``: a ranked list from facts somebody already has."""

from __future__ import annotations

from pathlib import Path

import click

from diagnose.cli import words
from diagnose.cli.common import (
    held_options,
    json_option,
    print_json,
    printer_option,
    progress,
    quiet_option,
    rules_option,
)
from diagnose.triage import knowledge_from
from diagnose.triage.contract import rank_json
from diagnose.triage.facts import Facts, add_options, facts_file, triage_from


@click.command()
@click.argument("answers_file", metavar="[ANSWERS.yaml]", required=False, type=click.Path(path_type=Path))
@click.option("--answer", "answers", multiple=True, metavar="Q=A", help="One answer; repeat for more.")
@click.option("--job", metavar="FILE", help="The job file (G-code) of the print.")
@click.option("--marks", metavar="FILE", help="Marks measured on the part (CSV); they are held against the job file.")
@held_options
@click.option("--why", metavar="CAUSE", help="Show the ledger of this cause instead of the first one's.")
@printer_option
@rules_option
@json_option
@quiet_option
def rank(
    answers_file: Path | None,
    answers: tuple[str, ...],
    job: str | None,
    marks: str | None,
    zero: str | None,
    turn: str | None,
    why: str | None,
    printer: str | None,
    packs: tuple[Path, ...],
    as_json: bool,
    quiet: bool,
) -> None:
    """Rank the causes from facts you already have.

    \b
    diagnose rank --answer defect=blobs --answer mark-spacing=even
    diagnose rank facts.yaml --job part.gcode --printer my-printer.yaml
    diagnose rank facts.yaml --job part.gcode --marks marks.csv --zero front
    """
    facts = facts_file(answers_file) if answers_file else Facts()
    add_options(facts, answers)
    facts.job = job or facts.job
    facts.printer = printer or facts.printer
    facts.marks, facts.zero, facts.turn = marks or facts.marks, zero or facts.zero, turn or facts.turn
    triage = triage_from(knowledge_from(packs), facts)
    if why is not None:
        triage.cause(why)
    if facts.marks:
        triage.put_marks(triage.read_marks(facts.marks, facts.zero, facts.turn), source=facts.marks)
    if facts.job:
        triage.attach(triage.read_job(facts.job, progress(quiet or as_json)))
    if as_json:
        print_json(rank_json(triage))
    elif quiet:
        for line in words.ranking(triage):
            click.echo(line)
    else:
        for line in words.verdict(triage, why):
            click.echo(line)
