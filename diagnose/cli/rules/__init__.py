"""``diagnose rules``: what the program knows, checked, tested, shown, added to, carried from shop to shop."""

from __future__ import annotations

import click

from diagnose.cli.common import LazyGroup

COMMANDS = {
    "check": ("check", "Check every rule file and print all faults at once."),
    "test": ("examples", "Run the worked examples of the rules."),
    "list": ("pages", "List what the rules hold, and where each entry is from."),
    "show": ("pages", "Show one entry of the rules as a page of a manual."),
    "add": ("add", "Write a cause, question, line of evidence, example or printer into your own rules."),
    "try": ("effect", "Show which rankings a change of the rules would move."),
    "schema": ("schema", "Print the JSON Schema of rule files, for editors."),
    "pack": ("travel", "Put a folder of rules into one file, to give away."),
    "install": ("travel", "Add a packed folder of rules to your own, after checking it."),
}
"""Command to the module it stands in and its one line of help."""


@click.group(cls=LazyGroup, package=__name__, modules=COMMANDS)
def rules() -> None:
    """Check, test, show and add to what the program knows."""
