"""``diagnose ask``: the interview line by line, for pipes, screen readers and plain terminals."""

from __future__ import annotations

from pathlib import Path

import click

from diagnose.cases.book import Casebook
from diagnose.cli import words
from diagnose.cli.ask.interview import Interview, take
from diagnose.cli.common import casebook_option, printer_option, progress, rules_option
from diagnose.folders import own_casebook
from diagnose.triage import Triage, card, knowledge_from


@click.command()
@casebook_option
@click.option("--case", "case_id", metavar="ID", help="Go on with this case.")
@click.option("--title", default="", help="What the part is.")
@click.option("--job", metavar="FILE", help="The job file (G-code) of the print.")
@printer_option
@click.option("--spoken", is_flag=True, help="Whole sentences, a thing a line, no pictures or columns: for a screen reader.")
@rules_option
def ask(
    casebook: Path | None, case_id: str | None, title: str, job: str | None, printer: str | None, spoken: bool, packs: tuple[Path, ...]
) -> None:
    """The interview line by line: pipes, screen readers, plain terminals.

    Answers are read from standard input; the case is saved after each.
    """
    knowledge = knowledge_from(packs)
    book = Casebook(casebook or own_casebook())
    triage = Triage.resume(knowledge, book, case_id) if case_id else Triage(knowledge)
    # Card and job are tried before a case is started or changed: a mistyped path leaves nothing behind.
    if printer:
        card(knowledge, printer)
    read = triage.read_job(job, progress(False), printer=printer) if job else None
    if not case_id:
        triage = Triage.start(knowledge, book, title, triage.compiled)
    if printer:
        triage.choose_printer(printer)
    if read:
        take(triage, read)
    click.echo(f"case {triage.case.id}; {'help' if spoken else '?'} lists what you can type")
    interview = Interview(triage, book, spoken=spoken)
    try:
        interview.run()
    except KeyboardInterrupt:
        click.echo(f"\nStopped. The case is kept; go on with: diagnose ask --case {interview.triage.case.id}")
        raise
    click.echo()
    if spoken:
        interview.teller.ranking(interview.triage)
        return
    for line in words.verdict(interview.triage):
        click.echo(line)
