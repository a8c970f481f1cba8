"""``diagnose cases score``: how well the rules find what solved cases were."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import click

from diagnose.cases.solved import read_solved
from diagnose.cli.common import json_option, print_json, quiet_option, rules_option
from diagnose.cli.words import indented
from diagnose.knowledge.builtin import casebook_folder
from diagnose.reasoning.intervals import Hits
from diagnose.triage import knowledge_from
from diagnose.triage.contract import score_json
from diagnose.triage.score import PLACES, Bin, Score, Scored
from diagnose.triage.score import score as score_cases
from diagnose.triage.wording import percent, times

NAMES = {1: "first", 3: "within three", 5: "within five"}
AXIS = 41
"""Columns of the drawn curve: one for each 2.5 %."""


@click.command()
@click.argument("folder", required=False, type=click.Path(path_type=Path))
@click.option("--folds", type=click.IntRange(2, 100), help="Score so many parts too, chosen by the hash of the id.")
@rules_option
@json_option
@quiet_option
def score(folder: Path | None, folds: int | None, packs: tuple[Path, ...], as_json: bool, quiet: bool) -> None:
    """Rank every solved case of a FOLDER or file from its answers, and tell how often its cause was found.

    Without one, the project's own casebook of invented cases.

    \b
    diagnose cases score tests/solved --folds 5
    """
    knowledge = knowledge_from(packs)
    found = score_cases(knowledge, read_solved(folder or casebook_folder()))
    if as_json:
        print_json(score_json(found, folds))
        return
    lines = _table(found, len(knowledge.causes)) if quiet else _page(found, len(knowledge.causes))
    for line in lines:
        click.echo(line)
    if folds:
        click.echo()
        for line in _parts(found, folds):
            click.echo(line)


def _table(found: Score, causes: int) -> Iterator[str]:
    yield f"{times(len(found.cases), 'solved case')}, {times(causes, 'cause')}"
    for places in PLACES:
        hits = found.within(places)
        yield f"  {NAMES[places]:<13} {hits.count:>4}  {_share(hits)}"
    yield f"  Brier score   {found.brier:6.3f}  (0 perfect, 2 worst; the rates alone {found.brier_of_rates:.3f})"
    yield f"  bits a case   {found.bits:6.2f}  (still to be told; the rates alone {found.bits_of_rates:.2f})"


def _share(hits: Hits) -> str:
    return f"{100 * hits.share:3.0f} %  ({100 * hits.low:.0f} to {100 * hits.high:.0f} %)"


def _page(found: Score, causes: int) -> Iterator[str]:
    yield from _table(found, causes)
    yield ""
    yield (
        f"The first suspect is given {percent(found.leader_share)} on average, "
        f"and is right in {100 * found.within(1).share:.0f} %."
    )
    yield from _curve(found.calibration())
    missed = found.missed()
    yield ""
    yield f"Not first ({len(missed)})" if missed else "None is missed."
    for case in missed:
        yield from indented(_miss(case), 2, 8)


def _miss(case: Scored) -> str:
    if case.place is None:
        placed = f"{case.cause} is not in the rules (they leave {percent(case.share)} to such)"
    else:
        placed = f"{case.cause} is number {case.place} with {percent(case.share)}"
    return f"{case.id}: {placed}; first is {case.winner} with {percent(case.leader_share)} [{case.source}]"


def _curve(bins: list[Bin]) -> Iterator[str]:
    """Draw shares said against shares that came: `|` said, `o` came, `*` both, `-` the interval of what came."""
    yield "  share given     suspects   said    came   0        25        50        75      100 %"
    for b in bins:
        row = ["."] * AXIS
        low, high, came, said = (round((AXIS - 1) * x) for x in (b.came.low, b.came.high, b.came.share, b.said))
        row[low : high + 1] = "-" * (high + 1 - low)
        row[said] = "|"
        row[came] = "*" if came == said else "o"
        span = f"{100 * b.least:.0f} to {100 * b.most:.0f} %"
        yield f"  {span:<14} {b.came.of:>9}  {percent(b.said):>7} {_came(b):>7}  {''.join(row)}"
    yield "  | said, o came, * both, - where what came may lie (95 %)"


def _came(b: Bin) -> str:
    return percent(b.came.share) if 0 < b.came.count < b.came.of else f"{100 * b.came.share:.0f} %"


def _parts(found: Score, folds: int) -> Iterator[str]:
    yield f"  part  cases  {'first':<22} {'within three':<22} {'within five':<22} Brier   bits"
    for number, part in enumerate(found.folds(folds), 1):
        if not part.cases:
            yield f"  {number:>4}      0"
            continue
        shares = " ".join(f"{_share(part.within(n)):<22}" for n in PLACES)
        yield f"  {number:>4}  {len(part.cases):>5}  {shares} {part.brier:5.3f}  {part.bits:5.2f}"
