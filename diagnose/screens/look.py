"""The look of the app: two greys, one accent, blue for, orange against; and text laid out for a given width.

Nothing is told by colour alone: every colour stands beside a sign, a word or a shape. Text from rules and users is
always `Content` built from plain strings, so that nothing in it is taken for markup.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterable

from rich.segment import Segment
from textual.color import Color
from textual.content import Content
from textual.filter import LineFilter
from textual.theme import Theme

from diagnose.letters import in_ascii

PRO = "#0072B2"
CONTRA = "#E69F00"
ALARM = "#D55E00"
"""Blue, orange and vermilion of a palette that colour-blind eyes can tell apart (Okabe and Ito 2008)."""

DARK = Theme(
    name="bench-dark",
    dark=True,
    primary="#5FB89F",
    secondary="#5FB89F",
    accent="#5FB89F",
    foreground="#DCDFE0",
    background="#17191B",
    surface="#17191B",
    panel="#24282B",
    warning=CONTRA,
    error="#EB7A33",
    success="#5FB89F",
    variables={"quiet": "#9BA1A5", "line": "#454B50", "pro": "#2F8FCB", "contra": CONTRA, "alarm": "#EB7A33"},
)
"""On a dark ground blue and vermilion are one step lighter, so that they stand out by 3 to 1 at least."""

LIGHT = Theme(
    name="bench-light",
    dark=False,
    primary="#00694F",
    secondary="#00694F",
    accent="#00694F",
    foreground="#1C1F21",
    background="#F4F4F1",
    surface="#F4F4F1",
    panel="#E2E3DF",
    warning="#A86F00",
    error="#B54E00",
    success="#00694F",
    variables={"quiet": "#565C60", "line": "#A9ADAB", "pro": PRO, "contra": "#A86F00", "alarm": "#B54E00"},
)
"""For a bright workshop."""



class PlainLetters(LineFilter):
    """Writes what is drawn in ASCII letters, cell for cell, for terminals that have no others."""

    def apply(self, segments: list[Segment], background: Color) -> list[Segment]:
        """Return the pieces of a line in ASCII letters."""
        return [Segment(in_ascii(text), style, control) for text, style, control in segments]


QUIET, BOLD, ACCENT, STRONG = "$quiet", "bold", "$accent", "bold $accent"

_EIGHTHS = " ▏▎▍▌▋▊▉"
LEAST = 0.05
"""dB; a smaller weight prints as nothing."""

FULL_BAR_DECIBANS = 20.0
"""A weight that fills its half of a signed bar: 20 dB is where *decisive* begins."""


def plain(text: str) -> str:
    """Return a text without anything a terminal could act on: control, format and unpaired characters."""
    kept = (" " if c in "\t\n\r" else c for c in text if c in "\t\n\r" or unicodedata.category(c) not in _UNSEEN)
    return " ".join("".join(kept).split())


_UNSEEN = {"Cc", "Cf", "Cs", "Co", "Cn"}


def bar(share: float, width: int) -> str:
    """Return a share of 0 to 1 as a bar of at most `width` cells, in eighths of a cell; something is never nothing."""
    eighths = round(min(max(share, 0.0), 1.0) * width * 8)
    if share > 0:
        eighths = max(eighths, 1)
    return ("█" * (eighths // 8) + _EIGHTHS[eighths % 8].strip()).ljust(width)


def moved_bar(now: float, before: float, width: int) -> Content:
    """Return a share as a bar that shows what moved it: gained cells stand out, lost ones stay as a shade; `width` cells."""
    cells, was = round(now * width), round(before * width)
    if cells == was:
        return Content.styled(bar(now, width), ACCENT)
    kept = min(cells, was)
    drawn = "█" * kept + "▓" * (cells - kept) or bar(now, width).rstrip()
    lost = "░" * max(was - len(drawn), 0)
    return Content.assemble((drawn, ACCENT), (lost, QUIET), " " * (width - len(drawn) - len(lost)))


def signed_bar(decibans: float, half: int) -> Content:
    """Return a weight as a bar from a middle line: to the right for, to the left against; 2 * half + 1 cells."""
    halves = min(2 * half, round(abs(decibans) / FULL_BAR_DECIBANS * 2 * half))
    if abs(decibans) >= LEAST:
        halves = max(halves, 1)
    cells, left_over = divmod(halves, 2)
    if decibans >= 0:
        drawn = ("█" * cells + "▌" * left_over).ljust(half)
        return Content.assemble(" " * half, ("│", "$line"), (drawn, "$pro"))
    drawn = ("▐" * left_over + "█" * cells).rjust(half)
    return Content.assemble((drawn, "$contra"), ("│", "$line"), " " * half)


def for_or_against(strength: str, decibans: float) -> str:
    """Return the strength of a weight in words that also say its direction."""
    if abs(decibans) < LEAST:
        return "says nothing either way"
    if strength.endswith("against"):
        return strength
    return f"{strength}, {'for' if decibans > 0 else 'against'}" if " " in strength else f"{strength} for"


def whole(text: str, room: int) -> str:
    """Return the longest beginning of a text that says something whole in `room` cells; empty where none does."""
    text = plain(text)
    if Content(text).cell_length <= room:
        return text
    ends = [m.start() for m in _WHOLE_AT.finditer(text) if Content(text[: m.start()]).cell_length <= room]
    return text[: ends[-1]] if ends else ""


_WHOLE_AT = re.compile(r"[:;](?= )|\.(?= [A-Z])")
"""Where a sentence or one of its main parts ends."""


def fold(text: str | Content, width: int) -> list[Content]:
    """Return a text as lines of at most `width` cells."""
    content = text if isinstance(text, Content) else Content(plain(text))
    return [line.rstrip() for line in content.wrap(max(width, 8))] or [Content("")]


def fitted(text: Content, width: int) -> Content:
    """Return a text of several lines of which those that are too long for the width are folded."""
    each = text.split("\n", allow_blank=True) or [text]
    if all(line.cell_length <= width for line in each):
        return text
    return lines(part for line in each for part in (fold(line, width) if line.cell_length > width else [line]))


def hang(head: Content, text: str | Content, width: int, style: str = "") -> Content:
    """Return a text folded beside its head: later lines start where the first one does."""
    body = fold(text, width - head.cell_length)
    if style:
        body = [line.stylize(style) for line in body]
    indent = " " * head.cell_length
    return Content("\n").join([head + body[0], *(Content(indent) + line for line in body[1:])])


def lines(parts: Iterable[Content]) -> Content:
    """Return parts below each other."""
    return Content("\n").join(list(parts))


def styled(text: str, style: str) -> Content:
    """Return one text in one style, without anything a terminal could act on."""
    return Content.styled(plain(text), style)


def spread(left: Content, right: Content, width: int) -> Content:
    """Return one line with one text at each end; the left one gives way with an ellipsis."""
    room = max(width - right.cell_length - 2, 4)
    left = left.truncate(room, ellipsis=True)
    return left + " " * max(width - left.cell_length - right.cell_length, 1) + right


def sentence(text: str) -> str:
    """Return a text as a sentence: a capital first, a full stop last unless it has an end of its own."""
    text = text.strip()
    return text and text[0].upper() + text[1:] + ("" if text[-1] in ".?!…" else ".")


def pair(one: str, other: str, room: int) -> str:
    """Return two names with ` / ` between them in `room` cells; the longer one gives way first."""
    first, second = Content(plain(one)), Content(plain(other))
    half = (room - 3) // 2
    spare = max(half - first.cell_length, half - second.cell_length, 0)
    return " / ".join(name.truncate(half + spare, ellipsis=True).plain for name in (first, second))


def minutes(value: float) -> str:
    """Return a time a person spends."""
    if value < 1:
        return "half a minute" if value >= 0.4 else "a moment"
    return f"{value:g} min"
