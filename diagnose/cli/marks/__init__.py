"""``diagnose marks``: what the marks on a part keep time with, and where they lie."""

from __future__ import annotations

from pathlib import Path

import click

from diagnose.cli.common import (
    held_options,
    json_option,
    print_json,
    printer_option,
    progress,
    quiet_option,
    rules_option,
)
from diagnose.errors import BadInput


@click.command()
@click.argument("job", metavar="JOB", required=False, type=click.Path(path_type=Path))
@click.argument("marks_file", metavar="MARKS.csv", required=False, type=click.Path(path_type=Path))
@printer_option
@held_options
@click.option("--object", "part", metavar="N", type=click.IntRange(min=1), help="Which object of a plate has the marks, from 1 in the order drawn.")
@click.option("--ascii", "ascii_only", is_flag=True, help="Draw with plain characters.")
@click.option("--schema", is_flag=True, help="Print the JSON Schema of --json, and nothing else.")
@rules_option
@json_option
@quiet_option
def marks(
    job: Path | None,
    marks_file: Path | None,
    printer: str | None,
    zero: str | None,
    turn: str | None,
    part: int | None,
    ascii_only: bool,
    schema: bool,
    packs: tuple[Path, ...],
    as_json: bool,
    quiet: bool,
) -> None:
    """Show what the marks on a part keep time with.

    JOB is the job file (G-code) of the print. MARKS.csv has a line a mark: its height in mm from the bed, and how far
    round the part it is in degrees, or x and y.

    \b
    height_mm,angle_deg
    12.4,35
    13.1,190

    Round: angle 0 is on the right as the part lay on the bed, and angles count counter-clockwise seen from above; --zero
    and --turn say otherwise. Heights alone will do, but tell less. Both are sought on the outside of the part; of marks in a
    hole give x_mm, y_mm and z_mm. A printer card (--printer) adds the stops it predicts
    and what of its drive turns once in the period found.
    """
    if schema:
        from diagnose.triage.marks_contract import schema_text

        click.echo(schema_text(), nl=False)
        return
    if job is None or marks_file is None:
        raise BadInput("a job file and a file of marks are needed", "diagnose marks JOB MARKS.csv; --help shows how marks are written")
    from diagnose.cli.marks.page import page
    from diagnose.cli.toolpath.draw import pen
    from diagnose.triage import Triage, knowledge_from
    from diagnose.triage.marks import weigh

    triage = Triage(knowledge_from(packs))
    # The marks first: a slip in them is told before a large job is read.
    measured = triage.read_marks(marks_file, zero, turn)
    if printer:
        triage.choose_printer(printer)
    show = progress(quiet or as_json)
    told = weigh(triage.knowledge, measured, triage.read_job(job, show), printer, triage.asks, show, part=part)
    if as_json:
        print_json(told)
        return
    for line in page(told, pen(ascii_only), brief=quiet):
        click.echo(line)
