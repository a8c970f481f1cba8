"""``diagnose cases``: the casebook, and what it says of the rules."""

from __future__ import annotations

import click

from diagnose.cli.common import LazyGroup

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


@click.group(cls=LazyGroup, package=__name__, modules=COMMANDS)
def cases() -> None:
    """Keep, find and learn from cases."""
