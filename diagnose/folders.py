"""Where the program keeps things on each system: settings, cases, and what it can make anew."""

from __future__ import annotations

from pathlib import Path

NAME = "diagnose"


def own_settings() -> Path:
    """Return the folder of the user's own rules and settings."""
    from platformdirs import user_config_path

    return user_config_path(NAME, appauthor=False)


def own_casebook() -> Path:
    """Return the user's own casebook."""
    from platformdirs import user_data_path

    return user_data_path(NAME, appauthor=False) / "casebook"


def cache(of: str) -> Path:
    """Return the folder of things of one sort that may be deleted at any time and are then made anew."""
    from platformdirs import user_cache_path

    return user_cache_path(NAME, appauthor=False) / of
