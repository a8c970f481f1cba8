"""The app in a browser: who gets in, what the page may load, and one real round over a socket."""

from __future__ import annotations

import asyncio
import socket
import subprocess
import sys
import time
from pathlib import Path

import aiohttp
import pytest
from aiohttp import web
from aiohttp.test_utils import TestClient, TestServer

from diagnose.cli.serve import PORT, command
from diagnose.cli.serve.server import COOKIE, PAGE, AppServer, guard, policy
from tests.cli.run import run

TOKEN = "k7" * 10


async def _door(token: str | None, names: frozenset[str] | None) -> TestClient:
    """A server with the guard before one page."""

    async def page(request: web.Request) -> web.Response:
        return web.Response(text="inside")

    app = web.Application(middlewares=[guard(token, names)])
    app.add_routes([web.get("/", page), web.get("/ws", page), web.get("/static/x", page)])
    client = TestClient(TestServer(app), cookie_jar=aiohttp.DummyCookieJar())  # cookies are given by hand
    await client.start_server()
    return client


def test_without_the_token_no_door_opens_and_with_it_the_cookie_does() -> None:
    async def story() -> None:
        client = await _door(TOKEN, None)
        try:
            for path in ("/", "/ws", "/static/x", f"/?token={TOKEN}x", "/static/x?token=" + TOKEN, "/?token="):
                answer = await client.get(path, allow_redirects=False)
                assert answer.status == 403 and "inside" not in await answer.text(), path
            entered = await client.get(f"/?token={TOKEN}", allow_redirects=False)
            assert entered.status == 303 and entered.headers["Location"] == "/"
            said = entered.headers["Set-Cookie"]
            assert COOKIE in said and "HttpOnly" in said and "SameSite=Strict" in said
            for path in ("/", "/static/x"):
                answer = await client.get(path, headers={"Cookie": f"{COOKIE}={TOKEN}"})
                assert await answer.text() == "inside"
                assert "default-src 'none'" in answer.headers["Content-Security-Policy"]
            assert (await client.get("/", headers={"Cookie": f"{COOKIE}=guess"})).status == 403
        finally:
            await client.close()

    asyncio.run(story())


def test_on_loopback_other_names_and_other_pages_are_refused() -> None:
    async def story() -> None:
        client = await _door(None, None)
        here = f"127.0.0.1:{client.port}"
        await client.close()
        client = await _door(None, frozenset({"bench:1"}))
        try:
            assert (await client.get("/", headers={"Host": "elsewhere.invalid"})).status == 403, here
            assert (await client.get("/", headers={"Host": "bench:1"})).status == 200
            socketed = {"Host": "bench:1", "Upgrade": "websocket", "Connection": "Upgrade"}
            for origin in ({}, {"Origin": "http://elsewhere.invalid"}, {"Origin": "null"}):
                assert (await client.get("/ws", headers=socketed | origin)).status == 403, origin
            assert (await client.get("/ws", headers=socketed | {"Origin": "http://bench:1"})).status == 200
        finally:
            await client.close()

    asyncio.run(story())


def test_a_token_is_asked_for_wherever_others_could_come_and_the_danger_is_said() -> None:
    alone, shared = AppServer("x", "127.0.0.1", PORT, None), AppServer("x", "0.0.0.0", PORT, TOKEN)
    assert alone.names == {f"{name}:{PORT}" for name in ("127.0.0.1", "localhost", "[::1]")} and shared.names is None
    told = " ".join(shared.told())
    assert f"?token={TOKEN}" in told and "not encrypted" in told and "with your rights" in told and "name or address of this machine" in told
    assert "Only this machine can" in " ".join(alone.told()) and "token" not in " ".join(alone.told())


def test_the_page_fetches_nothing_from_elsewhere() -> None:
    page = PAGE.read_text()
    assert "https://" not in page and "http://" not in page and "//" not in page.replace("// Keys", "")
    assert "default-src 'none'" in policy("h") and "unsafe-eval" not in policy("h") and "https:" not in policy("h")


def test_paths_with_blanks_and_quotes_stay_one_word() -> None:
    rules, book = Path("my rules; rm -rf x"), Path("it's here")
    said = command((str(rules),), True, str(book))
    shell = said.replace("exec ", "set -- ", 1) + '; printf "%s|" "$@"'
    words = subprocess.run(["sh", "-c", shell], capture_output=True, text=True, check=True).stdout.split("|")[:-1]
    assert words == [sys.executable, "-P", "-m", "diagnose", "--rules", str(rules.absolute()), "--without-own", "--casebook", str(book.absolute())]


@pytest.mark.parametrize("token", ["short", "has a blank in the middle", "ümlaut-ümlaut-ümlaut"])
def test_a_weak_token_is_refused(token: str, capsys: pytest.CaptureFixture[str]) -> None:
    seen = run(capsys, "serve", "--token", token)
    assert seen.code == 2 and "token" in seen.err and "16 letters and digits" in seen.err


def test_a_port_in_use_is_said_with_a_hint(capsys: pytest.CaptureFixture[str]) -> None:
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        seen = run(capsys, "serve", "--port", str(taken.getsockname()[1]))
    assert seen.code == 2 and "nothing can be served" in seen.err and "--port" in seen.err


def test_without_the_extra_it_says_what_to_install(capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "diagnose.cli.serve.server", None)
    seen = run(capsys, "serve")
    assert seen.code == 2 and "diagnose[browser]" in seen.err


def test_a_browser_gets_an_app_of_its_own_and_nothing_stays_behind(tmp_path: Path) -> None:
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    server = subprocess.Popen(
        [sys.executable, "-m", "diagnose", "serve", "--port", str(port), "--casebook", str(tmp_path / "book")],
        stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True,
    )  # fmt: skip

    async def story() -> str:
        seen = b""
        async with aiohttp.ClientSession() as session:
            for _ in range(100):
                try:
                    answer = await session.get(f"http://127.0.0.1:{port}/")
                    break
                except aiohttp.ClientError:
                    await asyncio.sleep(0.1)
            assert f"ws://127.0.0.1:{port}/ws" in await answer.text()
            socketed = f"http://127.0.0.1:{port}/ws?width=100&height=30"
            async with session.ws_connect(socketed, origin=f"http://127.0.0.1:{port}") as ws:
                end = time.monotonic() + 60
                while time.monotonic() < end and b"questions" not in seen:
                    message = await ws.receive(timeout=60)
                    seen += message.data if isinstance(message.data, bytes) else b""
                await ws.send_json(["stdin", "n"])
                while time.monotonic() < end and b"which copy" not in seen:
                    message = await ws.receive(timeout=60)
                    seen += message.data if isinstance(message.data, bytes) else b""
        return seen.decode(errors="replace")

    try:
        seen = asyncio.run(story())
        assert "New case" in seen and "which copy" in seen
    finally:
        server.terminate()
        said, _ = server.communicate(timeout=20)
    assert "Open in a browser" in said and "Traceback" not in said
    time.sleep(1.0)
    left = subprocess.run(["pgrep", "-f", str(tmp_path / "book")], capture_output=True, text=True).stdout
    assert left == "", "no app lives on without its browser"
