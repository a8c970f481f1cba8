"""Drafts of new rules: checked against those in force, written whole, and shown in what they do."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import click

from diagnose.cli.lines import say
from diagnose.cli.rules.effect import told
from diagnose.errors import BadInput
from diagnose.knowledge.builtin import rules_folder
from diagnose.knowledge.pack import Knowledge
from diagnose.knowledge.reader import Problem
from diagnose.knowledge.scaffold import SCHEMA_FILE, Draft
from diagnose.knowledge.scaffold import check as check_drafts
from diagnose.knowledge.schema import rules_schema
from diagnose.knowledge.settings import own_pack
from diagnose.triage.effect import Rules, compare, worked_examples
from diagnose.triage.reach import reach_of
from diagnose.triage.wording import percent, times
from diagnose.whole import write_whole

SHOWN = 5


@dataclass(frozen=True, slots=True)
class Place:
    """The pack that new rules go into, and the packs in force."""

    pack: Path
    packs: tuple[Path, ...]
    """Over the built-in one, lowest first, without ``pack``."""

    @classmethod
    def of(cls, into: Path | None, packs: Sequence[Path]) -> Place:
        """Return the place for new rules: the folder named, or the user's own rules."""
        pack = into or own_pack()
        return cls(pack, tuple(p for p in packs if p.absolute() != pack.absolute()))

    @property
    def in_force(self) -> list[Path]:
        """All packs with those that the place holds already, lowest first."""
        there = self.pack.is_file() or (self.pack.is_dir() and any(self.pack.rglob("*.y*ml")))
        return [rules_folder(), *self.packs, *([self.pack] if there else [])]


def keep(place: Place, before: Knowledge, drafts: Sequence[Draft], *, quiet: bool = False, dry: bool = False) -> None:
    """Check drafts, write their files, and show what they change; with ``dry`` show it and write nothing.

    Raises BadInput, with nothing written, where the rules would have a fault.
    """
    after, problems = check_drafts(drafts, place.pack, place.in_force)
    hard = [p for p in problems if p.hard]
    if hard:
        first = hard[0]
        more = f" (and {len(hard) - 1} more)" if len(hard) > 1 else ""
        raise BadInput(f"nothing was written: {first.what}{more}", first.instead, f"{first.file}:{first.line}:{first.column}")
    if dry:
        for draft in drafts:
            click.echo(_added(draft))
    else:
        for draft in drafts:
            draft.path.parent.mkdir(parents=True, exist_ok=True)
            write_whole(draft.path, draft.after, str(draft.path), new=draft.before is None)
        if place.pack.is_dir():
            schema = json.dumps(rules_schema(after), indent=1, ensure_ascii=False) + "\n"
            write_whole(place.pack / SCHEMA_FILE, schema, str(place.pack / SCHEMA_FILE))
        if not quiet:
            for draft in drafts:
                say(f"Written: {_where(after, draft)}", 0, 2)
    if not quiet:
        _advise(problems, drafts)
        _effect(before, after, [d.id for d in drafts if d.kind == "causes" and d.id not in before.causes])


def _where(after: Knowledge, draft: Draft) -> str:
    origin = after.origins.get((draft.kind, draft.id))
    line = f":{origin.line}" if origin is not None and Path(origin.file).name == draft.path.name else ""
    return f"{draft.path}{line}"


def _added(draft: Draft) -> str:
    """Return what a draft adds to its file."""
    from difflib import ndiff

    lines = ndiff((draft.before or "").splitlines(), draft.after.splitlines())
    return "\n".join([f"{draft.path} would get:", *(f"  {line[2:]}" for line in lines if line.startswith("+ "))])


def _advise(problems: Sequence[Problem], drafts: Sequence[Draft]) -> None:
    files, ids = {str(d.path) for d in drafts}, {d.id for d in drafts}
    advice = [p for p in problems if p.file in files and p.id in ids]
    if advice:
        click.echo()
        click.echo("It works; better still would be:")
        for problem in advice:
            say(f"{problem.what}: {problem.instead}", 2, 2)


def _effect(before: Knowledge, after: Knowledge, added: Sequence[str]) -> None:
    old, new = Rules.of(before), Rules.of(after)
    for cause in added:
        found = reach_of(after, new.network, cause)
        rival = after.causes[found.rival].name if found.rival else "something not in the rules"
        click.echo()
        say(f"In a print that shows all its signs, “{after.causes[cause].name}” has {percent(found.share)}; next is “{rival}” with {percent(found.rival_share)}.")
    moved = compare(old, new, worked_examples(old, new))
    click.echo()
    for line in told(moved, after, SHOWN):
        click.echo(line)
    broken = sum(m.breaks for m in moved)
    if broken:
        click.echo()
        come = "does not come out as it says" if broken == 1 else "do not come out as they say"
        say(f"{times(broken, 'worked example')} {come}: think the numbers over, or the example.")
