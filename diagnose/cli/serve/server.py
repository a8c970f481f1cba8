"""The server behind `diagnose serve`: one app a browser, a page of our own, and a guard at every door."""

from __future__ import annotations

import asyncio
import hmac
import logging
import signal
from pathlib import Path
from urllib.parse import urlsplit

import click
from aiohttp import web
from aiohttp.typedefs import Handler, Middleware
from aiohttp.web_runner import GracefulExit
from textual_serve.server import Server

PAGE = Path(__file__).parent / "page.html"
COOKIE = "diagnose-token"
SHUTDOWN_S = 2.0
"""What a browser that is still connected may take to let go."""
REFUSED = "Refused: open the address that `diagnose serve` printed, with its token."
ELSEWHERE = "Refused: this page was asked for under another name, or by another page."


def policy(host: str) -> str:
    """Return what the page may load: itself, and nothing from anywhere else."""
    return (
        "default-src 'none'; script-src 'self' 'unsafe-inline'; style-src 'self' 'unsafe-inline'; font-src 'self'; "
        f"img-src 'self' data:; connect-src 'self' ws://{host}; frame-ancestors 'none'; base-uri 'none'; form-action 'none'"
    )


def guard(token: str | None, names: frozenset[str] | None) -> Middleware:
    """Return what every request must pass.

    Parameters
    ----------
    token
        Asked for once in the address, then kept in a cookie; None where none is asked for.
    names
        Under which names the server may be asked for, port and all: a page of somebody else's whose name suddenly leads here
        is none of them. None for any, where a token is asked for: that other name has no cookie.
    """

    @web.middleware
    async def check(request: web.Request, handler: Handler) -> web.StreamResponse:
        if names is not None and request.host not in names:
            return web.Response(status=403, text=ELSEWHERE)
        if token is not None:
            shown = request.query.get("token", "")
            if request.path == "/" and hmac.compare_digest(shown.encode(), token.encode()):
                inside = web.Response(status=303, headers={"Location": "/"})
                inside.set_cookie(COOKIE, token, httponly=True, samesite="Strict", path="/")
                return inside
            if not hmac.compare_digest(request.cookies.get(COOKIE, "").encode(), token.encode()):
                return web.Response(status=403, text=REFUSED)
        # Any page that somebody looks at could open a socket to this machine: browsers say which page it was.
        if request.headers.get("Upgrade", "").lower() == "websocket" and urlsplit(request.headers.get("Origin", "")).netloc != request.host:
            return web.Response(status=403, text=ELSEWHERE)
        answer = await handler(request)
        if not answer.prepared:
            answer.headers["Content-Security-Policy"] = policy(request.host)
            answer.headers["Referrer-Policy"] = "no-referrer"
            answer.headers["X-Content-Type-Options"] = "nosniff"
        return answer

    return check


class AppServer(Server):
    """Serves the app at one address."""

    def __init__(self, command: str, host: str, port: int, token: str | None) -> None:
        super().__init__(command, host=host, port=port, title="diagnose")
        self.token = token

    @property
    def names(self) -> frozenset[str] | None:
        """The names under which it may be asked for where no token is."""
        if self.token is not None:
            return None
        hosts = {"127.0.0.1", "localhost", "[::1]"}
        return frozenset({f"{host}:{self.port}" for host in hosts} | (hosts if self.port == 80 else set()))

    def told(self) -> list[str]:
        """Return what is said at the start: the address, what it exposes, how to end it."""
        shown = f"[{self.host}]" if ":" in self.host else self.host
        address = f"http://{shown}:{self.port}/" + (f"?token={self.token}" if self.token else "")
        said = [f"Open in a browser: {address}"]
        if self.host in ("0.0.0.0", "::"):
            said.append("From another device, put the name or address of this machine in place of that of the host.")
        said.append(
            "Whoever opens it works with your rights: reads job files and cases, and writes into the casebook."
            + (" Without the token nobody gets in." if self.token else " Only this machine can.")
        )
        if self.token:
            said.append("It is not encrypted: use it only in a network that you trust.")
        return [*said, "Ctrl+C ends it; every case is saved."]

    async def _make_app(self) -> web.Application:
        app = await super()._make_app()
        app.middlewares.append(guard(self.token, self.names))
        return app

    async def on_startup(self, app: web.Application) -> None:
        """Say where it is and what it exposes."""
        for line in self.told():
            click.echo(line)

    async def handle_index(self, request: web.Request) -> web.Response:
        """Return the page: the app, and what stands there once it has ended."""
        page = PAGE.read_text(encoding="utf-8").replace("{{socket}}", f"ws://{request.host}/ws")
        return web.Response(text=page, content_type="text/html", headers={"Cache-Control": "no-store"})

    def serve(self, debug: bool = False) -> None:
        """Serve until Ctrl+C; raises OSError where the address is taken."""
        logging.basicConfig(level=logging.CRITICAL)  # requests are not logged: their address may hold the token
        loop = asyncio.new_event_loop()
        asyncio.set_event_loop(loop)

        def leave() -> None:
            raise GracefulExit

        for sign in (signal.SIGINT, signal.SIGTERM):
            try:
                loop.add_signal_handler(sign, leave)
            except NotImplementedError:  # not on this system: Ctrl+C interrupts
                break
        web.run_app(
            self._make_app(), host=self.host, port=self.port, handle_signals=False, loop=loop, print=None, access_log=None,
            shutdown_timeout=SHUTDOWN_S,
        )  # fmt: skip
