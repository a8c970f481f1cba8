"""Pictures made of characters: bars of braille dots, and rows of signs with as few changes of style as there are.

Plotting libraries for terminals draw whole axes with colours of their own; what is needed here is cells that stand beside a map,
line by line with it, in the colours of `look`, and that read the same without colour.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from itertools import groupby

import numpy as np
from numpy.typing import NDArray
from textual.content import Content

DOTS_DOWN, DOTS_ACROSS = 4, 2
"""Dots of a braille character."""
_BITS = np.array([[0x01, 0x08], [0x02, 0x10], [0x04, 0x20], [0x40, 0x80]])
"""(down, across) bit of each dot in the block of braille patterns from U+2800 on (Unicode Standard, chapter 21)."""
_EMPTY = 0x2800

Cell = tuple[str, str]
"""A character and its style."""


def braille_bars(shares: NDArray[np.float64], cells: int) -> list[str]:
    """Return bars of dots that grow from the left, four to a line of text; something is never nothing.

    ``shares``: (4 * lines,) from 0 to 1, from the top down; NaN for no bar. A bar never has more than ``cells`` characters.
    """
    known = np.nan_to_num(np.clip(shares, 0.0, 1.0), nan=0.0)
    dots = np.rint(known * cells * DOTS_ACROSS).astype(np.int64)
    dots[known > 0] = np.maximum(dots[known > 0], 1)
    across = np.arange(cells * DOTS_ACROSS)
    lit = (across < dots[:, None]).reshape(-1, DOTS_DOWN, cells, DOTS_ACROSS)
    codes = np.einsum("ldca,da->lc", lit, _BITS)
    return ["".join(chr(_EMPTY + int(code)) if code else " " for code in line) for line in codes]


def row_of(cells: Iterable[Cell]) -> Content:
    """Return cells as one line, those of one style side by side as one piece."""
    pieces = [("".join(c for c, _ in run), style) for style, run in groupby(cells, key=lambda cell: cell[1])]
    return Content.assemble(*(piece if piece[1] else piece[0] for piece in pieces))


def thinned(names: Sequence[str], every: int) -> list[str]:
    """Return names of which only every so-many-th is written, the last one always."""
    last = len(names) - 1
    return [name if k % every == every - 1 or k == last else "" for k, name in enumerate(names)]
