"""How long work tells how far it is, and is asked to stop."""

from __future__ import annotations

from collections.abc import Callable

from diagnose.errors import Cancelled

Progress = Callable[[float, str], None]
"""Called with (done from 0 to 1, what is being done)."""
Cancel = Callable[[], bool]
"""Asked between steps; answers True to stop."""


def ask(cancel: Cancel | None) -> None:
    """Raise Cancelled when the user asked to stop."""
    if cancel is not None and cancel():
        raise Cancelled


def say(progress: Progress | None, done: float, what: str) -> None:
    """Report progress where somebody watches it."""
    if progress is not None:
        progress(done, what)


def asking(progress: Progress | None, cancel: Cancel | None) -> Progress:
    """Return a progress that also asks whether to stop, for steps that only report."""

    def report(done: float, what: str) -> None:
        ask(cancel)
        say(progress, done, what)

    return report


def share(progress: Progress | None, low: float, high: float) -> Progress | None:
    """Return a progress that fills the part from low to high of a longer one."""
    if progress is None:
        return None
    return lambda done, what: progress(low + (high - low) * done, what)
