"""``diagnose cases export`` and ``import``: cases that go from one casebook to another."""

from __future__ import annotations

import csv
import io
import json
from pathlib import Path

import click
from pydantic import ValidationError

from diagnose.cases.book import Casebook
from diagnose.cases.record import Record, as_yaml
from diagnose.cases.turns import turns_in
from diagnose.cli.cases.book import index
from diagnose.cli.common import casebook_option, quiet_option
from diagnose.errors import BadInput, visible
from diagnose.folders import own_casebook
from diagnose.triage.wording import times
from diagnose.whole import write_whole

COLUMNS = ("id", "title", "started", "closed", "outcome", "cause", "remedy", "printer", "material")
MOST_LINE = 8_000_000
"""Bytes of a line; a longer one is no case."""
ACTS_IN_TABLES = ("=", "+", "-", "@")
"""What a spreadsheet would take the beginning of a formula for."""


@click.command()
@click.option("-o", "--output", metavar="FILE", type=click.Path(path_type=Path), help="Write here; without it, print.")
@click.option("--csv", "as_table", is_flag=True, help="As a table for spreadsheets, without the answers.")
@casebook_option
@quiet_option
def export(output: Path | None, as_table: bool, casebook: Path | None, quiet: bool) -> None:
    """Write the closed cases as lines of JSON, a case each, whole; or as a table."""
    records = [record for entry in index(casebook).find((), state="closed") if (record := entry.record) is not None]
    text = _table(records) if as_table else "".join(r.model_dump_json(exclude_none=True) + "\n" for r in records)
    if output is None:
        click.echo(text, nl=False)
        return
    write_whole(output, text, f"-o {output}", new=True)
    if not quiet:
        click.echo(f"{output}: {times(len(records), 'case')}")


def _table(records: list[Record]) -> str:
    out = io.StringIO()
    table = csv.writer(out, lineterminator="\n")
    table.writerow(COLUMNS)
    for record in records:
        cells = [str(getattr(record, column) or "") for column in COLUMNS]
        table.writerow([f"'{cell}" if cell.startswith(ACTS_IN_TABLES) else cell for cell in cells])
    return out.getvalue()


@click.command("import")
@click.argument("file", type=click.Path(path_type=Path))
@casebook_option
@quiet_option
def import_(file: Path, casebook: Path | None, quiet: bool) -> None:
    """Take cases from lines of JSON that `export` wrote.

    All of them are checked first: where one is no case, none is taken. Cases that are there already stay as they are.
    """
    book = Casebook(casebook or own_casebook())
    records = _read(file)
    book.make()
    taken = 0
    with turns_in(book.folder):
        for record in records:
            if book.has_room_for(record.id):
                write_whole(book.filed(record.id), as_yaml(record), str(book.folder), new=True)
                taken += 1
    if not quiet:
        left = len(records) - taken
        click.echo(f"{times(taken, 'case')} taken" + (f", {left} left out: they are there already" if left else ""))


def _read(file: Path) -> list[Record]:
    records = []
    try:
        with file.open("rb") as lines:
            number = 0
            while line := lines.readline(MOST_LINE + 1):
                number += 1
                if len(line) > MOST_LINE:
                    raise BadInput("the line is too long for a case", f"a case has at most {MOST_LINE:,} bytes", f"{file}:{number}")
                if line.strip():
                    records.append(_record(line, f"{file}:{number}"))
    except OSError as error:
        raise BadInput(f"cannot be read ({error.strerror or error})", "check the path", str(file)) from error
    if not records:
        raise BadInput("holds no case", "give a file that `diagnose cases export` wrote", str(file))
    return records


def _record(line: bytes, where: str) -> Record:
    try:
        return Record.model_validate(json.loads(line))
    except ValidationError as error:
        first = error.errors()[0]
        name = ".".join(str(step) for step in first["loc"])
        raise BadInput(f"is no case: {visible(name)}: {visible(first['msg'])}", "restore the file, or take the line out", where) from None
    except (ValueError, RecursionError):
        raise BadInput("is no line of JSON", "give a file that `diagnose cases export` wrote", where) from None
