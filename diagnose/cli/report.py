"""``diagnose report``: a case as one page to print, mail or keep."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path

import click

from diagnose.cases.book import Casebook
from diagnose.cli.cases.book import entry_of
from diagnose.cli.common import casebook_option, quiet_option, rules_option
from diagnose.errors import BadInput
from diagnose.folders import own_casebook
from diagnose.reports.html import html
from diagnose.reports.markdown import markdown
from diagnose.triage import Triage, knowledge_from
from diagnose.triage.report import Report
from diagnose.triage.report import report as report_of
from diagnose.whole import write_whole

FORMATS: dict[str, Callable[[Report], str]] = {
    ".html": html, ".md": markdown, ".json": lambda r: json.dumps(r.as_json(), indent=2, ensure_ascii=True) + "\n",
}  # fmt: skip
"""End of a file's name to what writes it."""


@click.command()
@click.argument("case", metavar="CASE")
@click.option("-o", "--output", metavar="FILE", required=True, type=click.Path(path_type=Path), help="Write here: a .html, .md or .json file.")
@click.option("--force", is_flag=True, help="Replace a file that is there.")
@rules_option
@casebook_option
@quiet_option
def report(case: str, output: Path, force: bool, packs: tuple[Path, ...], casebook: Path | None, quiet: bool) -> None:
    """Write a report of a CASE: what was seen, the ranking and why, the marks, the plan or what cured it.

    A page of HTML stands alone: it holds no script and fetches nothing. CASE is an id that `diagnose cases list` shows, or
    a beginning of it.
    """
    if output.suffix not in FORMATS:
        raise BadInput(f"reports end in {', '.join(FORMATS)}", f"call it {output.stem or 'report'}.html", f"-o {output}")
    entry = entry_of(casebook, case)
    triage = Triage.resume(knowledge_from(packs), Casebook(casebook or own_casebook()), entry.id)
    write_whole(output, FORMATS[output.suffix](report_of(triage)), f"-o {output}", new=not force)
    if not quiet:
        click.echo(f"{output}")
