"""``diagnose rules try``: which rankings a change of the rules would move, from what to what."""

from __future__ import annotations

import sys
from collections.abc import Iterator, Sequence
from pathlib import Path

import click

from diagnose.cases.book import Casebook
from diagnose.cases.solved import read_solved
from diagnose.cli.common import casebook_option, json_option, print_json, quiet_option, rules_option
from diagnose.cli.words import indented
from diagnose.folders import own_casebook
from diagnose.knowledge.pack import Knowledge
from diagnose.triage import knowledge_from
from diagnose.triage.effect import FIRST, Moved, Rules, compare, effect_json, open_cases, solved_cases, worked_examples
from diagnose.triage.wording import percent, times

SHOWN = 12
KIND_WORDS = {"example": "worked example", "solved": "solved case", "open": "open case"}


@click.command("try")
@click.argument("change", type=click.Path(path_type=Path), metavar="DIR|FILE")
@click.option("--solved", metavar="FOLDER", type=click.Path(path_type=Path), help="Rank these solved cases too.")
@click.option("--all", "everything", is_flag=True, help="Show every ranking that moves, not the most moved alone.")
@rules_option
@casebook_option
@json_option
@quiet_option
def try_(
    change: Path, solved: Path | None, everything: bool, packs: tuple[Path, ...], casebook: Path | None, as_json: bool, quiet: bool
) -> None:  # fmt: skip
    """Show what rules would change before they are kept.

    The rules of DIR or FILE are laid over those in force, for this once. Every worked example, your open cases, and the
    solved cases you name are ranked with and without them. Rules that are in force already are left out for the
    comparison. Exits with 1 where an example comes out otherwise than it says.
    """
    without = [p for p in packs if p.absolute() != change.absolute()]
    before, after = Rules.of(knowledge_from(without)), Rules.of(knowledge_from([*without, change]))
    situations = [
        *worked_examples(before, after), *open_cases(Casebook(casebook or own_casebook())),
        *solved_cases(read_solved(solved) if solved else ()),
    ]  # fmt: skip
    moved = compare(before, after, situations)
    if as_json:
        print_json(effect_json(moved))
    else:
        for line in told(moved, after.knowledge, SHOWN if not everything else None, quiet):
            click.echo(line)
    sys.exit(1 if any(m.breaks for m in moved) else 0)


def told(moved: Sequence[Moved], knowledge: Knowledge, most: int | None, quiet: bool = False) -> Iterator[str]:
    """Yield what a change does as lines: those that break first, then the most moved."""
    noticed = [m for m in moved if m.noticed]
    if not quiet:
        counts = {kind: sum(m.kind == kind for m in moved) for kind in KIND_WORDS}
        ranked = ", ".join(times(n, KIND_WORDS[kind]) for kind, n in counts.items() if n)
        yield f"Ranked with and without: {ranked or 'nothing'}. {times(len(noticed), 'ranking moves', 'rankings move')}."
    for one in noticed[:most]:
        yield ""
        mark = "BREAKS  " if one.breaks else "mended  " if one.failed_before and not one.failed_after else ""
        yield from indented(f"{mark}{one.name}  ({KIND_WORDS[one.kind]})", 0, 2)
        yield from _shares(one, knowledge)
        for failure in one.failed_after:
            yield from indented(failure, 4, 2)
    if most is not None and len(noticed) > most:
        yield ""
        yield f"and {len(noticed) - most} more; --all shows them"


def _shares(moved: Moved, knowledge: Knowledge) -> Iterator[str]:
    before, after = moved.before, moved.after
    if after is None:
        yield "    cannot be ranked any more: the rules do not know what its answers speak of"
        return
    names = list(dict.fromkeys([*list(after)[:FIRST], *list(before or {})[:1]]))
    for id in names:
        name = knowledge.causes[id].name if id in knowledge.causes else id or "something not in the rules"
        was = percent(before[id]) if before is not None and id in before else "not there"
        now = percent(after[id]) if id in after else "not there"
        yield from indented(f"{was:>9} -> {now:<9}  {name}" + (f"  [{id}]" if id else ""), 4, 24)
