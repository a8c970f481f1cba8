"""``diagnose rules schema``: what an editor needs to complete and check rule files while they are written."""

from __future__ import annotations

import json
from pathlib import Path

import click

from diagnose.cli.common import rules_option
from diagnose.knowledge.pack import Knowledge
from diagnose.knowledge.schema import rules_schema, settings_schema
from diagnose.triage import knowledge_from
from diagnose.triage.facts import facts_schema
from diagnose.whole import write_whole

FILES = ("rules", "answers", "settings")


@click.command()
@click.argument("file", required=False, default="rules", type=click.Choice(FILES), metavar="[rules|answers|settings]")
@rules_option
@click.option("--bare", is_flag=True, help="Without the ids and examples of the rules in force.")
@click.option("-o", "--output", metavar="FILE", type=click.Path(path_type=Path), help="Write here; without it, print.")
def schema(file: str, packs: tuple[Path, ...], bare: bool, output: Path | None) -> None:
    """Print the JSON Schema of rule files, of files of answers, or of settings files.

    An editor that knows it completes names and ids and marks mistakes while you write. Put it beside your rules and name
    it in the first line of each file: # yaml-language-server: $schema=rules.schema.json
    """
    knowledge = Knowledge() if bare or file == "settings" else knowledge_from(packs)
    made = settings_schema() if file == "settings" else {"rules": rules_schema, "answers": facts_schema}[file](knowledge)
    text = json.dumps(made, indent=1, ensure_ascii=False) + "\n"
    if output is None:
        click.echo(text, nl=False)
    else:
        write_whole(output, text, f"-o {output}")
