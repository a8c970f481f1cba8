"""Every test of the screens runs on the small pack, unless it asks for the built-in one."""

from __future__ import annotations

import pytest

from tests.screens.stage import danger_pack as pack_with_danger
from tests.screens.stage import small_pack


@pytest.fixture
def builtin_pack() -> None:
    """Ask for the built-in rules."""


@pytest.fixture
def danger_pack(monkeypatch: pytest.MonkeyPatch) -> None:
    """Ask for the small pack with a question about danger."""
    monkeypatch.setattr("diagnose.triage.knowledge_from", lambda extra=(): pack_with_danger())


@pytest.fixture(autouse=True)
def _small_pack(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv("NO_COLOR", raising=False)
    # The pilot waits after every key until the process idles; a shorter look at the clock tells that as well.
    monkeypatch.setattr("textual._wait.SLEEP_GRANULARITY", 1 / 200, raising=False)
    monkeypatch.setattr("textual._wait.SLEEP_IDLE", 1 / 400, raising=False)
    if not {"builtin_pack", "danger_pack"} & set(request.fixturenames):
        monkeypatch.setattr("diagnose.triage.knowledge_from", lambda extra=(): small_pack())
