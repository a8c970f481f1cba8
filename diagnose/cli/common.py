"""Options and printing that several commands share."""

from __future__ import annotations

import json
import sys
from collections.abc import Callable, Mapping
from importlib import import_module
from pathlib import Path
from typing import Any, TypeVar

import click

from diagnose.errors import BadInput, nearest

F = TypeVar("F", bound=Callable[..., Any])


class LazyGroup(click.Group):
    """A group whose commands are imported when they are called.

    ``modules``: command to the module of ``package`` that it stands in and its one line of help.
    """

    def __init__(self, *args: Any, package: str, modules: Mapping[str, tuple[str, str]], **more: Any) -> None:
        super().__init__(*args, **more)
        self.package, self.modules = package, modules

    def list_commands(self, context: click.Context) -> list[str]:
        return list(self.modules)

    def get_command(self, context: click.Context, name: str) -> click.Command | None:
        if name not in self.modules:
            return None
        module = import_module(f"{self.package}.{self.modules[name][0]}")
        # A name that means something to Python has a line behind it there.
        return getattr(module, name, None) or getattr(module, f"{name}_")  # type: ignore[no-any-return]

    def resolve_command(self, context: click.Context, args: list[str]) -> Any:
        if args and not args[0].startswith("-") and args[0] not in self.modules:
            hint = nearest(args[0], self.modules) or f"the commands are: {', '.join(self.modules)}"
            raise BadInput(f"there is no command {f'{context.info_name} {args[0]}'!r}", hint)
        return super().resolve_command(context, args)

    def format_commands(self, context: click.Context, formatter: click.HelpFormatter) -> None:
        with formatter.section("Commands"):
            formatter.write_dl([(name, told) for name, (_, told) in self.modules.items()])


OWN_HELP = "Leave out your own rules and those of settings files."


def rules_option(command: F) -> F:
    """Add ``--rules DIR``, repeatable, and ``--without-own``; the command gets all packs over the built-in one.

    Those given before the command's name come first.
    """

    def all_of_them(context: click.Context, _: click.Parameter, packs: tuple[Path, ...]) -> tuple[Path, ...]:
        from diagnose.knowledge.settings import packs_in_force

        before = context.find_root().params
        own = not (context.meta.get("without own") or before.get("without_own"))
        return packs_in_force((*map(Path, before.get("packs", ())), *packs), own=own)

    def leave_out(context: click.Context, _: click.Parameter, said: bool) -> None:
        context.meta["without own"] = said

    command = click.option(
        "--rules", "packs", multiple=True, type=click.Path(path_type=Path), metavar="DIR",
        callback=all_of_them, help="Lay this folder of rules over the built-in ones and your own.",
    )(command)  # fmt: skip
    return click.option(  # eager: it must be known when the packs are looked for
        "--without-own", is_flag=True, is_eager=True, expose_value=False, callback=leave_out, help=OWN_HELP
    )(command)


def casebook_option(command: F) -> F:
    """Add ``--casebook DIR``; one given before the command's name holds too."""

    def or_earlier(context: click.Context, _: click.Parameter, folder: Path | None) -> Path | None:
        earlier = context.find_root().params.get("casebook")
        return folder or (Path(earlier) if earlier else None)

    return click.option(
        "--casebook", type=click.Path(path_type=Path), metavar="DIR", callback=or_earlier,
        help="Keep cases in this folder.",
    )(command)  # fmt: skip


def json_option(command: F) -> F:
    """Add ``--json``."""
    return click.option("--json", "as_json", is_flag=True, help="Print JSON with stable keys.")(command)


def quiet_option(command: F) -> F:
    """Add ``--quiet``."""
    return click.option("--quiet", "-q", is_flag=True, help="Print results only.")(command)


def printer_option(command: F) -> F:
    """Add ``--printer ID|FILE``."""
    return click.option("--printer", metavar="ID|FILE", help="A printer card: its id, or a YAML file of your own.")(
        command
    )


ZEROS, TURNS = ("right", "front", "left", "back", "unknown"), ("ccw", "cw")


def held_options(command: F) -> F:
    """Add ``--zero`` and ``--turn``: how the part was held when angles were measured."""
    command = click.option(
        "--turn", type=click.Choice(TURNS), help="Way the angles of the marks count, seen from above. [default: ccw]"
    )(command)
    return click.option(
        "--zero", type=click.Choice(ZEROS),
        help="Side of the part, as it lay on the bed, where angle 0 is; unknown tries them all. [default: right]",
    )(command)  # fmt: skip


def print_json(data: Any) -> None:
    """Print data as JSON, the same bytes for the same data, in ASCII: whole on every terminal and for every file name."""
    click.echo(json.dumps(data, indent=2, allow_nan=False))


def progress(quiet: bool) -> Callable[[float, str], None] | None:
    """Return a progress line on standard error, or None where nobody watches it."""
    if quiet or not sys.stderr.isatty():
        return None

    def show(done: float, what: str) -> None:
        end = "\n" if done >= 1 else ""
        sys.stderr.write(f"\r\x1b[K  {done:4.0%}  {what}{end}")
        sys.stderr.flush()

    return show
