"""``diagnose cases``: solved cases and what they say of the rules."""

from __future__ import annotations

import click

from diagnose.cli.cases.score import score


@click.group()
def cases() -> None:
    """Score the rules on solved cases."""


cases.add_command(score)
