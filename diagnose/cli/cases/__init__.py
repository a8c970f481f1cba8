"""``diagnose cases``: the casebook, and what it says of the rules."""

from __future__ import annotations

from importlib import import_module

import click

COMMANDS = {
    "list": ("book", "List the cases of the casebook, open and closed."),
    "find": ("book", "Find cases by words, cause, printer or plastic."),
    "show": ("book", "Show one case: what was seen, tried and found."),
    "close": ("keep", "Close a case by hand, with what it was."),
    "note": ("keep", "Write a remark into a case, or point to a picture."),
    "similar": ("book", "Solved cases like one at hand, and what cured them."),
    "export": ("carry", "Write cases as lines of JSON, or as a table."),
    "import": ("carry", "Take cases from lines of JSON, never over those there are."),
    "learn": ("learn", "Learn from closed cases: frequencies, rates, and how far to believe."),
    "score": ("score", "Score the rules on solved cases."),
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
        return getattr(module, f"{name}_" if name in ("list", "import") else name)  # type: ignore[no-any-return]

    def format_commands(self, context: click.Context, formatter: click.HelpFormatter) -> None:
        with formatter.section("Commands"):
            formatter.write_dl([(name, told) for name, (_, told) in COMMANDS.items()])


@click.group(cls=_Lazy)
def cases() -> None:
    """Keep, find and learn from cases."""
