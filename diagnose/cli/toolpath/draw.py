"""Drawing with characters: block characters where the terminal has them, plain ones where not."""

from __future__ import annotations

import os
import shutil
import sys
import textwrap
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from diagnose.letters import has_unicode

NARROW, WIDE = 80, 120
"""Columns a page is laid out for where nobody says how wide the terminal is, and at most."""


@dataclass(frozen=True, slots=True)
class Pen:
    """How wide a page is and which characters it is drawn with."""

    width: int
    unicode: bool

    @property
    def rule(self) -> str:
        """A line across the page."""
        return ("─" if self.unicode else "-") * self.width

    @property
    def dot(self) -> str:
        """What stands between facts on one line."""
        return " · " if self.unicode else " - "

    @property
    def stop(self) -> str:
        """The mark of a stop, as on the unrolled map of the app."""
        return "▲" if self.unicode else "^"

    @property
    def dip(self) -> str:
        """The mark of a dip."""
        return "v" if not self.unicode else "▽"

    @property
    def edge(self) -> str:
        """The left end of a bar."""
        return "▕" if self.unicode else "|"

    def bar(self, share: float, cells: int, mark: float | None = None) -> str:
        """Return a share of 0 to 1 as a bar of exactly so many cells; something is never nothing.

        A bar that goes on beyond its cells ends in an arrow. ``mark`` is a share at which a line stands in the bar.
        """
        beyond, share = share > 1, min(max(share, 0.0), 1.0)
        if self.unicode:
            eighths = max(round(share * cells * 8), 1 if share > 0 else 0)
            drawn = "█" * (eighths // 8) + ("", "▏", "▎", "▍", "▌", "▋", "▊", "▉")[eighths % 8]
        else:
            drawn = "#" * max(round(share * cells), 1 if share > 0 else 0)
        drawn = drawn[:cells].ljust(cells)
        if mark is not None and 0 < mark < 1:
            at = max(int(mark * cells), len(drawn.rstrip())) if share < mark else cells
            if at < cells:
                drawn = drawn[:at] + ("┊" if self.unicode else ":") + drawn[at + 1 :]
        return drawn[:-1] + ("▶" if self.unicode else ">") if beyond else drawn

    def folded(self, head: str, text: str, width: int | None = None) -> Iterator[str]:
        """Yield a text beside its head: later lines start where the first one does."""
        folded = textwrap.wrap(self.plain(text), max((width or self.width) - len(head), 16)) or [""]
        yield (head + folded[0]).rstrip()
        for line in folded[1:]:
            yield " " * len(head) + line

    def spread(self, left: str, right: str) -> str:
        """Return one line with one text at each end; the left one gives way."""
        room = max(self.width - len(right) - 2, 8)
        left = self.shortened(left, room)
        return left + " " * max(self.width - len(left) - len(right), 1) + right

    def shortened(self, text: str, room: int) -> str:
        """Return a text that fits, its end kept: the end of a path says most."""
        text = self.plain(text)
        mark = "…" if self.unicode else "..."
        return text if len(text) <= room else mark + text[len(text) - room + len(mark) :]

    def cut(self, text: str) -> str:
        """Return a text cut to one line of the page."""
        text, mark = self.plain(text), "…" if self.unicode else "..."
        return text if len(text) <= self.width else text[: self.width - len(mark)].rstrip() + mark

    def plain(self, text: str) -> str:
        """Return a text without anything a terminal could act on, in characters it can show."""
        text = "".join(c if c.isprintable() else "?" for c in text.replace("\t", " "))
        return text if self.unicode else text.replace("·", "-").encode("ascii", "replace").decode()


def pen(ascii_only: bool = False) -> Pen:
    """Return the pen that fits standard output."""
    columns = shutil.get_terminal_size((NARROW, 24)).columns if _wide_told() else NARROW
    return Pen(min(max(columns, 40), WIDE), not ascii_only and has_unicode(sys.stdout.encoding))


def terminal_lines() -> int | None:
    """Return how many lines the terminal shows, or None where output goes elsewhere."""
    return shutil.get_terminal_size((NARROW, 24)).lines if sys.stdout.isatty() else None


def _wide_told() -> bool:
    return sys.stdout.isatty() or "COLUMNS" in os.environ


def table(rows: Sequence[Sequence[str]], right: Sequence[bool]) -> Iterator[str]:
    """Yield rows with their columns under each other; numbers stand to the right."""
    widths = [max(len(row[i]) for row in rows) for i in range(len(right))]
    for row in rows:
        cells = (c.rjust(w) if r else c.ljust(w) for c, w, r in zip(row, widths, right, strict=True))
        yield "  ".join(cells).rstrip()
