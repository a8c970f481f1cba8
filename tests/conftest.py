"""No test reads the rules and settings of whoever runs it."""

from __future__ import annotations

from pathlib import Path

import pytest


@pytest.fixture(autouse=True)
def own_settings(tmp_path_factory: pytest.TempPathFactory, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Give the program an empty settings folder; returns it."""
    folder = tmp_path_factory.getbasetemp() / "no-settings"
    folder.mkdir(exist_ok=True)
    monkeypatch.setenv("XDG_CONFIG_HOME", str(folder))
    return folder / "diagnose"
