"""The one kind of error a user may see: what is wrong, where, and what to try instead."""

from __future__ import annotations


class BadInput(Exception):
    """Something the user gave cannot be used.

    Faces print it as ``where: what`` with the hint on a line of its own, and exit with 2.

    Parameters
    ----------
    what
        One sentence without a full stop that names the fault.
    hint
        What to write or do instead; empty when there is nothing useful to add.
    where
        File, ``file:line`` or option the fault was found in; empty when there is no place.
    """

    def __init__(self, what: str, hint: str = "", where: str = "") -> None:
        super().__init__(what)
        self.what = what
        self.hint = hint
        self.where = where

    def __str__(self) -> str:
        place = f"{self.where}: " if self.where else ""
        return visible(f"{place}{self.what}")


def visible(text: str) -> str:
    """Return a text with what a terminal would act on, or would hide, written out: names of files may hold anything."""
    return "".join(c if c.isprintable() or c == "\n" else c.encode("unicode_escape").decode() for c in text)


class Cancelled(Exception):
    """The user asked a long piece of work to stop."""


def nearest(word: str, known: object) -> str:
    """Return ``did you mean X?`` for the known word closest in spelling, or an empty string."""
    from difflib import get_close_matches

    close = get_close_matches(word, [str(k) for k in known], n=1, cutoff=0.6)  # type: ignore[attr-defined]
    return f"did you mean {close[0]!r}?" if close else ""
