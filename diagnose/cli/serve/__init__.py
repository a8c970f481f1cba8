"""``diagnose serve``: the app in a browser, for a tablet beside the printer."""

from __future__ import annotations

import shlex
import sys
from collections.abc import Sequence
from pathlib import Path

import click

from diagnose.errors import BadInput

LOOPBACK = ("127.0.0.1", "localhost", "::1")
PORT = 8737
LEAST_TOKEN = 16
"""Characters; a shorter one could be guessed."""


@click.command()
@click.option("--host", default="127.0.0.1", show_default=True, metavar="ADDRESS", help="Address to listen on; 0.0.0.0 for every one of this machine.")
@click.option("--port", type=click.IntRange(1, 65535), default=PORT, show_default=True, help="Port to listen on.")
@click.option("--token", metavar="TEXT", help="Ask for this token in place of one made anew; on loopback, ask for one at all.")
@click.option("--rules", "packs", multiple=True, metavar="DIR", help="Lay this folder of rules over the built-in ones and your own.")
@click.option("--without-own", is_flag=True, help="Leave out your own rules and those of settings files.")
@click.option("--casebook", metavar="DIR", help="Keep cases in this folder.")
def serve(host: str, port: int, token: str | None, packs: tuple[str, ...], without_own: bool, casebook: str | None) -> None:
    """Show the app in a browser, for a tablet beside the printer.

    Whoever opens the page works with your rights: reads job files and cases, and writes into the casebook. It listens on
    this machine alone unless --host says otherwise; then a token is asked for. It is not encrypted: only for a network
    that you trust. Ctrl+C ends it.
    """
    try:
        from diagnose.cli.serve.server import AppServer
    except ImportError as error:
        raise BadInput(
            "the app is not ready for browsers here", "pip install 'diagnose[browser]', then try again", f"missing: {error.name}"
        ) from error
    if token is not None and (len(token) < LEAST_TOKEN or not token.isascii() or not token.isalnum()):
        raise BadInput("this token is too weak, or has other signs than letters and digits", f"give {LEAST_TOKEN} letters and digits at least", "--token")
    server = AppServer(command(packs, without_own, casebook), host, port, token or (None if host in LOOPBACK else _made()))
    try:
        server.serve()
    except OSError as error:
        raise BadInput(
            f"nothing can be served on {host} port {port} ({error.strerror or error})", "choose another one with --port or --host"
        ) from error


def command(packs: Sequence[str], without_own: bool, casebook: str | None) -> str:
    """Return the command that each browser gets an app of its own from; paths are made whole, and quoted for a shell."""
    words = [sys.executable, "-P", "-m", "diagnose"]  # a folder of that name where it is started is not the program
    for pack in packs:
        words += ["--rules", str(Path(pack).absolute())]
    words += ["--without-own"] * without_own
    words += ["--casebook", str(Path(casebook).absolute())] if casebook else []
    return f"exec {shlex.join(words)}"


def _made() -> str:
    import secrets

    return secrets.token_hex(16)
