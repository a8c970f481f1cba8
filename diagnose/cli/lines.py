"""Lines of a dialogue: what is said, and what is typed."""

from __future__ import annotations

import sys

import click

from diagnose.cli import words


def say(text: str, by: int = 0, hang: int = 0) -> None:
    """Print a text wrapped to the terminal and indented."""
    for line in words.indented(text, by, hang):
        click.echo(line)


def typed(prompt: str) -> str | None:
    """Return a typed line without its end, None at the end of the input."""
    click.echo(prompt, nl=False)
    line = sys.stdin.readline() if sys.stdin else ""
    if not line:
        click.echo()
        return None
    said = line.strip()
    if not sys.stdin.isatty():
        click.echo(said)  # what came through a pipe is shown as if it had been typed
    return said
