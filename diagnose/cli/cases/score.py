"""``diagnose cases score``: how well the rules find what solved cases were."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from pathlib import Path
from statistics import fmean, median

import click

from diagnose.cases.book import Casebook
from diagnose.cases.journal import Case
from diagnose.cases.solved import read_solved
from diagnose.cli.common import casebook_option, json_option, print_json, quiet_option, rules_option
from diagnose.cli.words import indented
from diagnose.errors import BadInput
from diagnose.folders import own_casebook
from diagnose.knowledge.builtin import casebook_folder
from diagnose.knowledge.pack import Knowledge
from diagnose.reasoning.intervals import Hits
from diagnose.triage import knowledge_from
from diagnose.triage.contract import score_json
from diagnose.triage.score import PLACES, Bin, Score, Scored, score_learnt
from diagnose.triage.score import score as score_cases
from diagnose.triage.similar import cause_of
from diagnose.triage.wording import percent, times

NAMES = {1: "first", 3: "within three", 5: "within five"}
MOST_MISSED = 60
AXIS = 41
"""Columns of the drawn curve: one for each 2.5 %."""


@click.command()
@click.argument("folder", required=False, type=click.Path(path_type=Path))
@click.option("--folds", type=click.IntRange(2, 100), help="Score so many parts too, chosen by the hash of the id.")
@rules_option
@casebook_option
@json_option
@quiet_option
def score(
    folder: Path | None, folds: int | None, packs: tuple[Path, ...], casebook: Path | None, as_json: bool, quiet: bool
) -> None:  # fmt: skip
    """Rank every solved case of a FOLDER or file from its answers, and tell how often its cause was found.

    Without one, the closed cases of the casebook, each beside what all the others taught; and where that has none yet, the
    project's own invented cases.

    \b
    diagnose cases score tests/solved --folds 5
    """
    knowledge = knowledge_from(packs)
    closed = [] if folder else [c for c in Casebook(casebook or own_casebook()).cases() if c.closed and cause_of(c) in knowledge.causes]
    if casebook and not folder and not closed:
        raise BadInput("the casebook holds no closed case with a cause", "close one first, or name a folder of solved cases", str(casebook))
    if closed:
        _of_casebook(knowledge, closed, folds, as_json, quiet)
        return
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


def _of_casebook(knowledge: Knowledge, closed: Sequence[Case], folds: int | None, as_json: bool, quiet: bool) -> None:
    alone, learnt = score_learnt(knowledge, closed)
    if as_json:
        print_json(score_json(alone, folds) | {"learnt": score_json(learnt), "work": _work(knowledge, closed)})
        return
    for line in _table(alone, len(knowledge.causes)) if quiet else _page(alone, len(knowledge.causes)):
        click.echo(line)
    click.echo()
    click.echo("With what all the other cases taught, each case left out in its turn")
    for places in PLACES:
        click.echo(f"  {NAMES[places]:<13} {learnt.within(places).count:>4}  {_share(learnt.within(places))}")
    click.echo(f"  Brier score   {learnt.brier:6.3f}  (the rules alone {alone.brier:.3f})")
    click.echo(f"  bits a case   {learnt.bits:6.2f}  (the rules alone {alone.bits:.2f})")
    work = _work(knowledge, closed)
    click.echo()
    click.echo(f"Answers a case: {work['answers']:.0f} in the middle; remedies tried: {work['remedies']:.1f} on average, costing {work['cost']:.0f}")


def _work(k: Knowledge, closed: Sequence[Case]) -> dict[str, float]:
    """Return what it took: answers in the middle, remedies tried and what they cost on average."""
    tried = [[k.remedies[r] for r in case.tried if r in k.remedies] for case in closed]
    cost = [sum(k.rates.cost(remedy) + k.rates.verifying_print for remedy in remedies) for remedies in tried]
    return {
        "answers": float(median(sum(a is not None for a in case.answers.values()) for case in closed)),
        "remedies": fmean(map(len, tried)),
        "cost": fmean(cost),
    }


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
    parts = found.parts()
    yield ""
    yield from indented(
        f"The Brier score is {parts.uncertainty:.3f} for causes being many, less {parts.resolution:.3f} for telling them apart, plus "
        f"{parts.reliability:.3f} for shares that did not come as said"
        f"{f', and {parts.within:+.3f} that the bins leave' if abs(parts.within) >= 0.0005 else ''}.", 0,
    )  # fmt: skip
    confused = [pair for pair in found.confused() if pair[2] > 1]
    if confused:
        yield ""
        yield "Taken for another most often"
        for cause, winner, count in confused:
            yield from indented(f"{times(count, 'case')}: {cause} taken for {winner}", 2, 4)
    missed = found.missed()
    yield ""
    yield f"Not first ({len(missed)})" if missed else "None is missed."
    for case in missed[:MOST_MISSED]:
        yield from indented(_miss(case), 2, 8)
    if len(missed) > MOST_MISSED:
        yield f"  and {len(missed) - MOST_MISSED} more; --json has them all"


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
