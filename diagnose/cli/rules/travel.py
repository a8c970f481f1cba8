"""``diagnose rules pack`` and ``install``: rules that go from one shop to another."""

from __future__ import annotations

from pathlib import Path

import click

from diagnose.cli.common import json_option, print_json, quiet_option, rules_option
from diagnose.errors import BadInput
from diagnose.knowledge.builtin import rules_folder
from diagnose.knowledge.check import check
from diagnose.knowledge.pack import ENTRY_KINDS, Knowledge, load
from diagnose.knowledge.settings import packs_folder
from diagnose.knowledge.travel import clear_leftovers, packed, remove
from diagnose.knowledge.travel import install as install_pack
from diagnose.triage.wording import times
from diagnose.whole import write_whole


@click.command()
@click.argument("folder", type=click.Path(path_type=Path), metavar="DIR")
@click.option("-o", "--output", metavar="FILE.zip", required=True, type=click.Path(path_type=Path), help="Write here.")
@click.option("--force", is_flag=True, help="Replace a file that is there.")
@rules_option
@quiet_option
def pack(folder: Path, output: Path, force: bool, packs: tuple[Path, ...], quiet: bool) -> None:
    """Put a folder of rules into one file, to give away.

    The rules are checked first, laid over those in force. Rule files go in, and notes that end in .md or .txt; nothing
    else. Give the pack a name, a version and perhaps a contact: pack: {name: night-shift, version: 2}
    """
    below = [p for p in packs if p.absolute() != folder.absolute()]
    knowledge, problems = load([rules_folder(), *below, folder])
    hard = sorted(p for p in problems + check(knowledge) if p.hard)
    if hard:
        first = hard[0]
        raise BadInput(f"the rules have {times(len(hard), 'fault')}, the first: {first.what}",
                       f"{first.instead}; `diagnose rules check --rules {folder}` lists every fault",
                       f"{first.file}:{first.line}:{first.column}")  # fmt: skip
    write_whole(output, packed(folder), f"-o {output}", new=not force)
    if not quiet:
        header = knowledge.packs[-1]
        click.echo(f"{output}: pack {header.name}, version {header.version}, with {_counted(knowledge, header.name)}")
        click.echo(f"Elsewhere: diagnose rules install {output.name}")


@click.command()
@click.argument("archive", type=click.Path(path_type=Path), metavar="FILE.zip|NAME")
@click.option("--force", is_flag=True, help="Replace an installed pack of the same name.")
@click.option("--remove", "removing", is_flag=True, help="Take the installed pack NAME away again.")
@rules_option
@json_option
@quiet_option
def install(archive: Path, force: bool, removing: bool, packs: tuple[Path, ...], as_json: bool, quiet: bool) -> None:
    """Add a packed folder of rules to your own, after checking it.

    It lies over the built-in rules and below those you wrote yourself. Nothing in it is ever run, no name in it leads out
    of its folder, and a pack with a fault is not installed.
    """
    folder = packs_folder()
    if removing:
        gone = remove(str(archive), folder)
        if not quiet:
            click.echo(f"{gone.name} is taken away")
        return
    clear_leftovers(folder)
    place, knowledge, problems = install_pack(archive, [rules_folder(), *packs], folder, replace=force)
    header = knowledge.packs[-1]
    if as_json:
        print_json({"pack": header.name, "version": header.version, "folder": str(place), "advice": [str(p) for p in problems]})
    elif not quiet:
        click.echo(f"Pack {header.name}, version {header.version}, is installed with {_counted(knowledge, header.name)}.")
        click.echo(f"It is in {place}; `diagnose rules install --remove {place.name}` takes it away again.")
        for problem in problems:
            click.echo(f"{problem} (advice)")


def _counted(k: Knowledge, pack: str) -> str:
    counts = {kind: sum(o.pack == pack and key[0] == kind for key, o in k.origins.items()) for kind in ENTRY_KINDS}
    lines = sum(o.pack == pack and k.origins["causes", cause].pack != pack for (cause, _), o in k.lines.items())
    told = [f"{count} {kind[:-1] if count == 1 and kind != 'remedies' else kind}" for kind, count in counts.items() if count]
    if lines:
        told.append(times(lines, "adjusted line"))
    examples = sum(o.pack == pack and key[0] == "examples" for key, o in k.origins.items())
    if examples:
        told.append(times(examples, "example"))
    return ", ".join(told) or "nothing"
