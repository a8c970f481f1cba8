"""``diagnose rules``: what the program knows, checked, tested, shown, added to, carried from shop to shop."""

from __future__ import annotations

from importlib import import_module

import click

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


class _Lazy(click.Group):
    """Commands are imported when they are called."""

    def list_commands(self, context: click.Context) -> list[str]:
        return list(COMMANDS)

    def get_command(self, context: click.Context, name: str) -> click.Command | None:
        if name not in COMMANDS:
            return None
        module = import_module(f"{__name__}.{COMMANDS[name][0]}")
        return getattr(module, f"{name}_" if name in ("list", "try") else name)  # type: ignore[no-any-return]

    def format_commands(self, context: click.Context, formatter: click.HelpFormatter) -> None:
        with formatter.section("Commands"):
            formatter.write_dl([(name, told) for name, (_, told) in COMMANDS.items()])


@click.group(cls=_Lazy)
def rules() -> None:
    """Check, test, show and add to what the program knows."""
