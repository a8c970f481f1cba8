"""``diagnose ease``: a job written anew with needless moves joined."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path
from typing import TYPE_CHECKING

import click

from diagnose.cli.common import json_option, print_json, printer_option, progress, quiet_option, rules_option
from diagnose.errors import BadInput

if TYPE_CHECKING:
    from diagnose.cli.toolpath.draw import Pen
    from diagnose.toolpath.ease_contract import OnPrinter, Ran, Report

CAUTION = (
    "The new file drives a hot, moving machine and was made by a program: look at it in your preview, watch its first "
    "print from the first line on, and keep the old one."
)


@click.command()
@click.argument("job", metavar="JOB", required=False, type=click.Path(path_type=Path))
@click.option("-o", "--output", metavar="OUT", type=click.Path(path_type=Path), help="Write here.")
@click.option(
    "--tolerance",
    metavar="MM",
    type=float,
    default=0.02,
    show_default=True,
    help="Most that the new path may stray from the old one, and the old from the new.",
)
@printer_option
@click.option("--force", is_flag=True, help="Replace a file that is there; never JOB itself.")
@click.option("--ascii", "ascii_only", is_flag=True, help="Draw with plain characters.")
@click.option("--schema", is_flag=True, help="Print the JSON Schema of --json, and nothing else.")
@rules_option
@json_option
@quiet_option
def ease(
    job: Path | None,
    output: Path | None,
    tolerance: float,
    printer: str | None,
    force: bool,
    ascii_only: bool,
    schema: bool,
    packs: tuple[Path, ...],
    as_json: bool,
    quiet: bool,
) -> None:
    """Write a job with needless moves joined.

    Finely faceted curves ask for more moves a second than many boards can read. Neighbouring moves of one speed and one
    line width become one where the path strays no more than --tolerance; speeds, filament and every other line stay.
    With a printer card (--printer) both jobs are run on it, and the stops before and after are told.

    \b
    diagnose ease shade.gcode -o eased.gcode --tolerance 0.02 --printer board-memory-card

    A job is refused, and nothing written, where it does not say beyond doubt what its words mean, or its lines are
    numbered. Comments, arcs, retractions, and what stands under a condition are left as they are.
    """  # fmt: skip
    if schema:
        from diagnose.toolpath.ease_contract import schema_text

        click.echo(schema_text(), nl=False)
        return
    if job is None or output is None:
        raise BadInput("a job file and a place for the new one are needed", "diagnose ease JOB -o OUT")
    from diagnose.toolpath.source import find_source

    source = find_source(job)
    _check_place(output, source.path, force)
    from diagnose.cli.toolpath.draw import pen
    from diagnose.toolpath import ease as easing
    from diagnose.toolpath.ease_contract import ran, report
    from diagnose.toolpath.job import read_job
    from diagnose.toolpath.progress import share
    from diagnose.triage import card, machine_of
    from diagnose.triage.sources import cards_from
    from diagnose.whole import write_whole

    machine = machine_of(card(cards_from(packs), printer)) if printer else None
    show = progress(quiet or as_json)
    eased = easing.ease(source, tolerance, share(show, 0.0, 0.5))
    # Each run is forgotten before the next begins: a job under way holds some times its size in memory.
    before = ran(read_job(job, machine, progress=share(show, 0.5, 0.75))) if machine else None
    after: list[Ran | None] = []

    def read_back(path: Path) -> None:
        if machine:
            after.append(ran(read_job(path, machine, progress=share(show, 0.75, 1.0))))

    write_whole(output, eased.data.data, f"-o {output}", new=not force, check=read_back)
    if show:
        show(1.0, "done")
    told = report(job, output, printer, tolerance, source.size, eased, before, after[0] if after else None)
    if as_json:
        print_json(told.model_dump())
        return
    for line in _page(told, pen(ascii_only), quiet):
        click.echo(line)


def _check_place(output: Path, job: Path, force: bool) -> None:
    """Raise BadInput before any work where the new job cannot go."""
    where = f"-o {output}"
    if output.exists() and output.samefile(job):
        raise BadInput("that is the job itself", "name another file: the job you have stays as it is", where)
    if output.is_dir():
        raise BadInput("that is a folder", "name a file in it", where)
    if output.exists() and not force:
        raise BadInput("there is a file of this name already", "choose another name, or replace it with --force", where)
    if not output.parent.is_dir():
        raise BadInput(f"there is no folder {output.parent}", "make it first, or choose another place", where)


def _page(told: Report, pen: Pen, brief: bool) -> Iterator[str]:
    from diagnose.cli.toolpath.verdict import percent, size

    changed = told.deviation_line is not None
    fewer = percent(1 - told.moves.after / told.moves.before)
    if brief:
        yield pen.plain(f"{told.output}: {f'{fewer} fewer moves' if changed else 'the same job'}")
        return
    yield pen.spread(f" {told.job}", f"eased within {told.tolerance_mm:g} mm ")
    yield pen.rule
    if changed:
        yield f" moves     {told.moves.before:,} before, {told.moves.after:,} after: {fewer} fewer"
        yield from pen.folded(
            " strays    ", f"by {told.deviation_mm:.4f} mm at most, at line {told.deviation_line:,} of the job given"
        )
    else:
        yield from pen.folded(
            " moves     ", f"{told.moves.before:,}, none of which can be left out; what was written is the same job"
        )
    yield from pen.folded(" filament  ", f"{told.filament_mm.after:,.3f} mm, as before")
    yield from pen.folded(" size      ", f"{size(told.bytes.before)} before, {size(told.bytes.after)} after")
    if told.runs:
        yield f" on {pen.plain(told.printer or '')}"
        for label, tell in _runs(told.runs):
            yield from pen.folded(f"  {label:<9}", tell)
    if told.unclear_moves:
        yield from pen.folded(
            " note      ",
            f"{told.unclear_moves:,} moves stand before the job says how its words are meant (G90 or G91, M82 or M83); they stay",
        )
    yield pen.cut(f" written   {told.output}")
    yield ""
    yield from pen.folded("", f"CAUTION: {CAUTION}")


def _runs(runs: OnPrinter) -> Iterator[tuple[str, str]]:
    """Yield label and text of what changes on the printer."""
    from diagnose.cli.toolpath.verdict import clock, percent, seconds, times

    def both(tell: Callable[[Ran], str]) -> str:
        return f"{tell(runs.before)} before, {tell(runs.after)} after"

    yield "stops", both(lambda r: f"{times(r.stops)} ({seconds(r.stood_s)} in all)" if r.stops else "none")
    yield "brakes", both(lambda r: times(r.dips) if r.dips else "never")
    if runs.before.saves_that_stop is not None:
        yield "saves", both(lambda r: f"{percent(r.saves_that_stop or 0)} of them stop the head")
    yield "reserve", both(_least)
    yield "takes", both(lambda r: clock(r.time_s))


def _least(run: Ran) -> str:
    from diagnose.cli.toolpath.verdict import milliseconds

    return "not known" if run.least_reserve_ms is None else f"{milliseconds(run.least_reserve_ms)} at least"
