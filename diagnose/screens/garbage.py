"""Looking for garbage while nobody types: a look through everything takes a tenth of a second, which a key must not wait for."""

from __future__ import annotations

import gc
import sys
import time

from textual import events
from textual.app import App

EVERY_S, QUIET_S = 5.0, 2.0
"""How often to look, and how long after the last key at the earliest."""
NEVER = 1_000_000
SWITCH_S = 0.001
"""How long a thread that computes may hold up the one that draws; five times as long is usual."""


class TidiesWhenIdle(App[int]):
    """An app whose collector looks through old objects only in pauses; young ones are looked through as ever."""

    def __init__(self) -> None:
        super().__init__()
        self._last_key = time.monotonic()
        self._thresholds = gc.get_threshold()
        self._switch_s = sys.getswitchinterval()

    def on_mount(self) -> None:
        """Begin to look for pauses."""
        young, middle, _ = self._thresholds
        gc.set_threshold(young, middle, NEVER)
        sys.setswitchinterval(SWITCH_S)
        self.set_interval(EVERY_S, self._tidy)

    def on_unmount(self) -> None:
        """Leave the collector as it was."""
        gc.set_threshold(*self._thresholds)
        sys.setswitchinterval(self._switch_s)

    async def on_event(self, event: events.Event) -> None:
        """Note when a key was pressed last."""
        if isinstance(event, events.Key):
            self._last_key = time.monotonic()
        await super().on_event(event)

    def _tidy(self) -> None:
        if time.monotonic() - self._last_key >= QUIET_S:
            gc.collect()
