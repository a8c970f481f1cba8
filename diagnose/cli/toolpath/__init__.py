"""``diagnose toolpath``: what job files ask of the machine, and where the queue runs short."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

import click

from diagnose.cli.common import json_option, print_json, quiet_option, rules_option
from diagnose.errors import BadInput


@click.command()
@click.argument("jobs", metavar="JOB...", nargs=-1, type=click.Path(path_type=Path))
@click.option("--printer", "printers", metavar="ID|FILE", multiple=True,
              help="A printer card: its id, or a YAML file of your own. Several are compared.")
@click.option("--compare", "others", metavar="JOB|CARD", multiple=True,
              help="Set another job, or another printer card, beside the first.")
@click.option("--explain", "finding", metavar="FINDING", help="Explain one finding: lines, confidence, what it speaks for.")
@click.option("--all", "all_findings", is_flag=True, help="Show all findings, not only what stands out.")
@click.option("--advise", "advised", is_flag=True, help="Find what would keep the queue from running dry (slower).")
@click.option("--csv", "csv_file", metavar="FILE", type=click.Path(path_type=Path),
              help="Write all stops to this CSV file; - prints them.")
@click.option("--ascii", "ascii_only", is_flag=True, help="Draw with plain characters.")
@click.option("--schema", is_flag=True, help="Print the JSON Schema of --json, and nothing else.")
@rules_option
@json_option
@quiet_option
@click.pass_context
def toolpath(
    context: click.Context,
    jobs: tuple[Path, ...],
    printers: tuple[str, ...],
    others: tuple[str, ...],
    finding: str | None,
    all_findings: bool,
    advised: bool,
    csv_file: Path | None,
    ascii_only: bool,
    schema: bool,
    packs: tuple[Path, ...],
    as_json: bool,
    quiet: bool,
) -> None:
    """Read job files and show where the motion queue runs short.

    One job gives a page; several give a line each, the riskiest first; --compare, or several --printer, sets them side
    by side. Stops, dips and reserve need a printer card; without one only what the file says by itself is shown.
    """  # fmt: skip
    if schema:
        from diagnose.toolpath.contract import schema_text

        click.echo(schema_text(), nl=False)
        return
    from diagnose.cli.toolpath import compare, explain, several, stopsfile
    from diagnose.cli.toolpath.draw import pen as fitting_pen
    from diagnose.cli.toolpath.draw import terminal_lines
    from diagnose.cli.toolpath.reading import Card, progress_bar, read_all
    from diagnose.triage import card, knowledge_from
    from diagnose.triage.explained import explanation
    from diagnose.triage.sources import cards_from

    # JSON says nothing of what the rules make of it: then only cards are read, in a tenth of the time.
    knowledge = cards_from(packs) if as_json and not finding else knowledge_from(packs)
    names, more = _sorted_out(others, knowledge.printers)
    named: list[str] = list(dict.fromkeys([*printers, *names]))
    paths = [*jobs, *(path for path in more if path not in jobs)]
    beside = len(paths) * max(len(named), 1) > 1 and (bool(others) or len(named) > 1)
    _check_use(jobs, paths, named, others, finding, advised, csv_file, beside)
    if csv_file:
        stopsfile.check_place(csv_file, paths)
    cards: Sequence[Card] = [(name, card(knowledge, name)) for name in named] or [(None, None)]
    pen, lines_shown = fitting_pen(ascii_only), terminal_lines()
    told = read_all(
        paths, cards, advised=advised, all_stops=csv_file is not None, show=progress_bar(quiet or as_json, len(paths), pen)
    )
    if len(told) == 1 and told[0].error is not None:
        raise told[0].error
    if csv_file and str(csv_file) == "-":
        click.echo(stopsfile.text_of(told), nl=False)
    elif csv_file:
        stopsfile.write(csv_file, told)
    first = told[0]
    if finding:
        x = explanation(first.summary, finding, knowledge, cards[0][1])
        _print(as_json, x, explain.page(x, pen))
    elif csv_file and str(csv_file) == "-":
        pass
    elif beside:
        _print(as_json, {"jobs": [t.as_json() for t in told]}, compare.screen(told, pen, low=lines_shown is not None and lines_shown < 34))
    elif len(told) > 1:
        _print(as_json, {"jobs": [t.as_json() for t in told]}, several.lines(told, pen))
    else:
        from diagnose.cli.toolpath import page

        lines = page.page(
            first.summary, knowledge, pen, rows=24 if (lines_shown or 0) > 60 else 12, all_findings=all_findings, brief=quiet,
            low=lines_shown is not None and lines_shown < 44,
        )  # fmt: skip
        _print(as_json, first.summary, lines)
    _report(context, [t.error for t in told if t.error is not None], beside)


def _sorted_out(others: Sequence[str], known: Any) -> tuple[list[str], list[Path]]:
    """Return which of the others to compare with are printer cards, and which are jobs."""
    is_card = [name in known or Path(name).suffix in (".yaml", ".yml") for name in others]
    return (
        [name for name, yes in zip(others, is_card, strict=True) if yes],
        [Path(name) for name, yes in zip(others, is_card, strict=True) if not yes],
    )


def _check_use(
    jobs: Sequence[Path],
    paths: Sequence[Path],
    named: Sequence[str],
    others: Sequence[str],
    finding: str | None,
    advised: bool,
    csv_file: Path | None,
    beside: bool,
) -> None:
    """Raise BadInput for options that do not go together, before any work is done."""
    need_card = "name one with --printer; `printers list` shows them"
    if not jobs:
        raise BadInput("no job was named", "give one or more G-code files: diagnose toolpath JOB...")
    if advised and not named:
        raise BadInput("advice needs a printer card", need_card, "--advise")
    if csv_file and not named:
        raise BadInput("stops need a printer card", need_card, "--csv")
    if finding and (len(paths) > 1 or len(named) > 1):
        raise BadInput("one finding is explained of one job on one printer", "name one job and one card", "--explain")
    if others and not beside:
        raise BadInput(
            "there is nothing to compare: both sides are the same", "name another job, or the card of another printer", "--compare"
        )


def _print(as_json: bool, data: Any, lines: Any) -> None:
    if as_json:
        print_json(data)
        return
    for line in lines:
        click.echo(line)


def _report(context: click.Context, errors: Sequence[BadInput], beside: bool) -> None:
    """Say on standard error what could not be read, each with its hint, and end with 2 where something was."""
    seen = dict.fromkeys((str(e), e.hint) for e in errors)
    for what, hint in seen:
        click.echo(f"diagnose: {what}", err=True)
        if hint:
            click.echo(f"  hint: {hint}", err=True)
    if seen:
        context.exit(2)
