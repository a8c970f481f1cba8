"""Whether a terminal shows more than the letters of ASCII, and what stands for a character where it does not."""

from __future__ import annotations

import os
import unicodedata
from functools import lru_cache

USED = "█▏▕┊▲▽▶─·…●○◆◉░┃›⣿"
"""Characters that the faces draw with."""
CONSOLE_TERMS = ("linux", "vt100", "vt220", "ansi")
"""Terminals whose fonts have no dots and hardly a block (common practice, no source)."""

_DRAWN = {
    "─": "-", "━": "-", "│": "|", "┃": "|", "▏": "|", "▕": "|", "┊": ":", "┴": "+", "┬": "+", "├": "+", "┤": "+", "┼": "+", "┌": "+", "┐": "+",
    "└": "+", "┘": "+", "╭": "+", "╮": "+", "╰": "+", "╯": "+", "█": "#", "▉": "#", "▊": "#", "▋": "#", "▌": "#", "▍": "#", "▎": "|",
    "▐": "#", "▒": "-", "▓": "=", "░": ",", "●": "o", "○": "x", "◆": "@", "◉": "%", "▲": "^", "▽": "v", "▼": "v", "▶": ">", "›": ">", "…": ".", "·": ".",
    "•": "*", "’": "'", "‘": "'", "“": '"', "”": '"', "–": "-", "—": "-", "°": " ", "±": "~", "×": "x", "²": "2", "³": "3", "µ": "u", "μ": "u", "→": ">",
    "≥": ">", "≤": "<", "▁": "_", "▂": "_", "▃": "_", "▄": "=", "▅": "=", "▆": "#", "▇": "#", "▀": "#", "▔": "-", "╸": "-", "╺": "-", "┏": "+", "┓": "+",
    "┗": "+", "┛": "+", "║": "|", "═": "=",
}  # fmt: skip
_DOTS = 0x2800
"""The block of braille patterns begins here (Unicode Standard, chapter 21); 256 of them."""


def has_unicode(encoding: str | None) -> bool:
    """Return whether a terminal that writes in this encoding shows what the faces draw with."""
    if os.environ.get("TERM", "") in (*CONSOLE_TERMS, "dumb"):
        return False
    told = next((os.environ[name] for name in ("LC_ALL", "LC_CTYPE", "LANG") if os.environ.get(name)), "")
    if told in ("C", "POSIX"):
        return False
    try:
        USED.encode(encoding or "ascii")
    except (UnicodeEncodeError, LookupError):
        return False
    return True


@lru_cache(maxsize=4096)
def in_ascii(text: str) -> str:
    """Return a text in ASCII letters that takes as many cells: shapes become the sign that looks most like them."""
    return text if text.isascii() else "".join(map(_letter, text))


def _letter(c: str) -> str:
    if c.isascii():
        return c
    if c in _DRAWN:
        return _DRAWN[c]
    if _DOTS <= ord(c) < _DOTS + 256:
        return "#" if (ord(c) - _DOTS).bit_count() > 4 else ":" if ord(c) > _DOTS else " "
    if unicodedata.combining(c):
        return ""
    plain = unicodedata.normalize("NFKD", c)[0]
    if plain.isascii():
        return plain
    return "??" if unicodedata.east_asian_width(c) in "WF" else "?"


def folded(text: str) -> str:
    """Return a text for comparing: small letters without accents."""
    return "".join(c for c in unicodedata.normalize("NFKD", text.casefold()) if not unicodedata.combining(c))
