"""The command line: commands are found by name and imported only when called, so that help is instant."""

from __future__ import annotations

import io
import os
import sys
from importlib import import_module
from typing import Any

import click

from diagnose import __version__
from diagnose.errors import BadInput, Cancelled, nearest, visible

COMMANDS = {
    "ask": "The interview line by line: pipes, screen readers, plain terminals.",
    "rank": "Rank the causes from facts you already have.",
    "toolpath": "Read job files and show where the motion queue runs short.",
    "ease": "Write a job with needless moves joined, within a tolerance.",
    "marks": "Show what the marks on a part keep time with.",
    "coupon": "Write a test print for your printer, and read what it measured.",
    "plan": "What to try next, at what cost, until the print is cured.",
    "rules": "Check, test, list and show the rules.",
    "printers": "List, explain and make printer cards.",
    "cases": "Keep, find and learn from cases.",
    "report": "A case as one page to print, mail or keep.",
    "serve": "The app in a browser, for a tablet beside the printer.",
    "demo": "The whole job on an invented case, unattended.",
}
"""Command to its one line of help; each lives in the module of its name."""


class Lazy(click.Group):
    """A group whose commands are imported when they are called."""

    def list_commands(self, context: click.Context) -> list[str]:
        return list(COMMANDS)

    def get_command(self, context: click.Context, name: str) -> click.Command | None:
        if name not in COMMANDS:
            return None
        return getattr(import_module(f"diagnose.cli.{name}"), name)  # type: ignore[no-any-return]

    def format_commands(self, context: click.Context, formatter: click.HelpFormatter) -> None:
        with formatter.section("Commands"):
            formatter.write_dl(list(COMMANDS.items()))

    def resolve_command(self, context: click.Context, args: list[str]) -> Any:
        if args and not args[0].startswith("-") and args[0] not in COMMANDS:
            hint = nearest(args[0], COMMANDS) or f"the commands are: {', '.join(COMMANDS)}"
            raise BadInput(f"there is no command {args[0]!r}", hint)
        return super().resolve_command(context, args)

    def invoke(self, context: click.Context) -> Any:
        """Run the command; a reader of our pipe that has gone is no fault."""
        try:
            code = super().invoke(context)
            if sys.stdout:
                sys.stdout.flush()
        except BrokenPipeError:  # caught here, because the library would exit with 1
            _drop_output()
            code = 0
        return code


@click.group(cls=Lazy, invoke_without_command=True, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(__version__, message="%(version)s")
@click.option("--rules", "packs", multiple=True, metavar="DIR", help="Lay this folder of rules over the built-in ones and your own.")
@click.option("--without-own", is_flag=True, help="Leave out your own rules and those of settings files.")
@click.option("--casebook", metavar="DIR", help="Keep cases in this folder.")
@click.option("--ascii", "ascii_only", is_flag=True, help="Draw the app with plain characters.")
@click.pass_context
def diagnose(context: click.Context, packs: tuple[str, ...], without_own: bool, casebook: str | None, ascii_only: bool) -> None:
    """Find the true cause of a bad fused-filament print.

    Without a command the app opens.
    """
    if context.invoked_subcommand is not None:
        return
    from pathlib import Path

    from diagnose.knowledge.settings import packs_in_force
    from diagnose.screens.app import run_app

    context.exit(run_app(packs_in_force(map(Path, packs), own=not without_own), Path(casebook) if casebook else None, ascii_only))


def main(arguments: list[str] | None = None) -> None:
    """Run the command line; exits 0 when all is good, 1 when a check failed, 2 for bad use or bad input."""
    _survive_any_text()
    try:
        code = diagnose.main(arguments, prog_name="diagnose", standalone_mode=False)
    except BadInput as error:
        click.echo(f"diagnose: {error}", err=True)
        if error.hint:
            click.echo(f"  hint: {visible(error.hint)}", err=True)
        code = 2
    except click.ClickException as error:
        error.show()
        code = 2
    except (click.Abort, KeyboardInterrupt, Cancelled):
        click.echo("stopped", err=True)
        code = 130
    except OSError as error:
        reason = error.strerror or str(error)
        what = f"{error.filename}: {reason}" if error.filename else f"the output cannot be written ({reason})"
        click.echo(f"diagnose: {what}", err=True)
        _drop_output()
        code = 2
    sys.exit(code if isinstance(code, int) else 0)


def _survive_any_text() -> None:
    """Let a file name that is no text, or a terminal without some letter, spoil that letter and nothing else."""
    for stream, errors in ((sys.stdin, "surrogateescape"), (sys.stdout, "backslashreplace")):
        if isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors=errors)


def _drop_output() -> None:
    """Send what is still to be written nowhere: a second error while closing would only confuse."""
    os.dup2(os.open(os.devnull, os.O_WRONLY), 1)
