"""``diagnose cases learn``: what the closed cases of a shop teach, kept as counts beside the rules."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace
from datetime import datetime
from pathlib import Path
from typing import Any

import click
import yaml

from diagnose.cases.book import Casebook
from diagnose.cli.common import casebook_option, json_option, print_json, quiet_option, rules_option
from diagnose.cli.rules.effect import told
from diagnose.cli.words import indented
from diagnose.folders import own_casebook
from diagnose.knowledge.learnt import Learnt
from diagnose.knowledge.pack import Knowledge
from diagnose.knowledge.settings import learnt_file
from diagnose.triage import knowledge_from
from diagnose.triage.effect import Rules, compare, effect_json, worked_examples
from diagnose.triage.learn import Change, changes, plain
from diagnose.triage.learn import learn as learn_from
from diagnose.triage.wording import percent, times
from diagnose.whole import write_whole

SHOWN = 10
EXAMPLES_SHOWN = 3
HEAD = """\
# What the closed cases of a casebook taught, as counts; made by `diagnose cases learn`, which makes it anew from them.
# The rules count as well: see `diagnose cases learn --dry-run`. Delete this file, or say --forget, to unlearn it all.
"""


@click.command()
@click.option("--dry-run", "dry", is_flag=True, help="Show what would be learnt and what it moves; keep nothing.")
@click.option("--forget", is_flag=True, help="Unlearn everything that was learnt.")
@click.option("--all", "everything", is_flag=True, help="Show every number that changes.")
@rules_option
@casebook_option
@json_option
@quiet_option
def learn(
    dry: bool, forget: bool, everything: bool, packs: tuple[Path, ...], casebook: Path | None, as_json: bool, quiet: bool
) -> None:  # fmt: skip
    """Learn from the closed cases of the casebook: how often each cause comes, how often it shows each answer.

    What is learnt lies in a file of its own over the rules, which are not touched: few cases change almost nothing, many
    change much. Rates are learnt for each printer card and plastic too. It counts from then on; --without-own leaves it out
    for once, --forget for good.
    """
    file = learnt_file()
    if forget:
        file.unlink(missing_ok=True)
        if not quiet:
            click.echo("Nothing learnt is in force any more; the cases are still there to learn from.")
        return
    rules = plain(knowledge_from([p for p in packs if p.absolute() != file.absolute()]))
    closed = Casebook(casebook or own_casebook()).cases()
    learnt = learn_from(rules, closed)
    moved = changes(rules, learnt)
    if not dry:
        file.parent.mkdir(parents=True, exist_ok=True)
        write_whole(file, _text(learnt), str(file))
    if as_json:
        print_json(_json(rules, learnt, moved, None if dry else file))
    elif not quiet:
        for line in _page(rules, learnt, moved, None if dry else file, everything):
            click.echo(line)


def _text(learnt: Learnt) -> str:
    data = learnt.model_dump(mode="json", exclude_none=True)
    cells = data.pop("cells")
    top = {"pack": {"name": "learnt", "version": f"{datetime.now():%Y-%m-%d}"}, "learnt": data}
    lines = "".join(
        "    - " + yaml.safe_dump(_short(cell), default_flow_style=True, width=100_000, sort_keys=False).strip() + "\n" for cell in cells
    )
    return HEAD + yaml.safe_dump(top, sort_keys=False, allow_unicode=True) + "  cells:\n" + lines


def _short(cell: dict[str, Any]) -> dict[str, Any]:
    given = {about: answers[0] for about, answers in cell["given"].items()}
    return {k: v for k, v in {**cell, "given": given}.items() if v != {}} | {"counts": cell["counts"]}


def _page(k: Knowledge, learnt: Learnt, moved: Sequence[Change], file: Path | None, everything: bool) -> Iterator[str]:
    yield f"Learnt from {times(learnt.cases, 'closed case')}" + (f", kept in {file}" if file else "; nothing was kept")
    yield from indented(
        f"Answers count {learnt.temper:g} times what they say one by one." if learnt.temper != 1 else
        "Answers count for what they say, together as one by one.", 0,
    )  # fmt: skip
    shown = moved if everything else moved[:SHOWN]
    if shown:
        yield ""
        yield "Most changed, in proportion: by the rules -> with these cases (between, 95 %), so many of so many cases"
    for change in shown:
        yield from indented(_change(k, change), 2, 4)
    if len(moved) > len(shown):
        yield f"  and {len(moved) - len(shown)} more; --all shows them"
    yield ""
    before, after = Rules.of(k), Rules.of(replace(k, learnt=learnt))
    yield from told(compare(before, after, worked_examples(before)), k, EXAMPLES_SHOWN)


def _change(k: Knowledge, c: Change) -> str:
    numbers = f"{percent(c.rules)} -> {percent(c.learnt.share)} ({percent(c.learnt.low)} to {percent(c.learnt.high)}), {c.count} of {c.of}"
    name = k.causes[c.cause].name
    if not c.about:
        return f"{name}: how common it is: {numbers}"
    given = "".join(f", when {about} is {answer}" for about, answer in c.given.items())
    return f"{name}: {c.about} is {c.answer}{given}: {numbers}"


def _json(k: Knowledge, learnt: Learnt, moved: Sequence[Change], file: Path | None) -> dict[str, Any]:
    before, after = Rules.of(k), Rules.of(replace(k, learnt=learnt))
    return {
        "cases": learnt.cases,
        "temper": learnt.temper,
        "file": None if file is None else str(file),
        "changes": [
            {"cause": c.cause, "about": c.about, "answer": c.answer, "given": dict(c.given), "rules": c.rules,
             "learnt": c.learnt.share, "low": c.learnt.low, "high": c.learnt.high, "count": c.count, "of": c.of}
            for c in moved
        ],
        "effect": effect_json(compare(before, after, worked_examples(before))),
    }  # fmt: skip
