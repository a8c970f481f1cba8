"""The unrolled surface of a part in a report: as lines of text, and as a drawing."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from html import escape
from typing import Any

from diagnose.triage.unrolled import MEANING, SIDES, SIGNS, Sign, unrolled

COLUMNS, ROWS = 72, 18
WIDTH, HEIGHT, LEFT, TOP = 720, 260, 60, 12
SHAPES: Mapping[Sign, str] = {
    "kept": '<circle cx="{x:.1f}" cy="{y:.1f}" r="5" fill="#0072b2"/>',
    "stray": '<circle cx="{x:.1f}" cy="{y:.1f}" r="5" fill="none" stroke="#0072b2" stroke-width="2"/>',
    "met": '<path d="M{x:.1f} {y0:.1f}l7 7l-7 7l-7 -7z" fill="#d55e00"/>',
    "stop": '<path d="M{x:.1f} {y1:.1f}l5 9h-10z" fill="none" stroke="#555" stroke-width="1.5"/>',
    "seam": '<path d="M{x:.1f} {y1:.1f}v10" stroke="#555" stroke-width="1.5"/>',
    "dip": '<path d="M{x:.1f} {y:.1f}l5 -9h-10z" fill="none" stroke="#555"/>',
    "short": '<rect x="{x:.1f}" y="{y1:.1f}" width="9" height="10" fill="#ddd"/>',
    "kept-seam": '<circle cx="{x:.1f}" cy="{y:.1f}" r="5" fill="#d55e00" stroke="#000" stroke-width="2"/>',
}
"""Sign to its drawing; each has a shape of its own, colour only helps."""


def as_text(told: Mapping[str, Any]) -> Iterator[str]:
    """Yield the map in plain characters, with its legend."""
    drawn = unrolled(told, COLUMNS, ROWS)
    for row, margin, height in zip(drawn.rows, drawn.margin, drawn.heights, strict=True):
        yield f"{height:7.1f} mm {SIGNS[margin][1]}|{''.join(SIGNS[sign][1] for sign in row)}|"
    yield " " * 12 + "".join(f"{side:<{COLUMNS // 4}}" for side in SIDES)
    yield " " * 12 + "   ".join(f"{SIGNS[sign][1]} {MEANING[sign]}" for sign in drawn.signs())


def as_svg(told: Mapping[str, Any]) -> str:
    """Return the map as a drawing inside a page, with a legend; it fetches nothing."""
    drawn = unrolled(told, COLUMNS, ROWS)
    across, down = WIDTH / COLUMNS, HEIGHT / ROWS
    parts = [
        f'<svg viewBox="0 0 {LEFT + WIDTH + 10} {TOP + HEIGHT + 60}" role="img" aria-label="The marked part of the surface, unrolled">',
        f'<rect x="{LEFT}" y="{TOP}" width="{WIDTH}" height="{HEIGHT}" fill="none" stroke="#888"/>',
    ]
    for n, height in enumerate(drawn.heights):
        if n % 3 == ROWS % 3 or n == 0:
            parts.append(f'<text x="{LEFT - 6}" y="{TOP + (n + 1) * down:.1f}" text-anchor="end">{height:.1f} mm</text>')
    for n, side in enumerate(SIDES):
        parts.append(f'<text x="{LEFT + n * WIDTH / 4:.0f}" y="{TOP + HEIGHT + 18}">{escape(side)}</text>')
    for n, (row, margin) in enumerate(zip(drawn.rows, drawn.margin, strict=True)):
        for column, sign in enumerate([margin, *row]):
            if sign:
                x = LEFT + (column - 0.5) * across if column else LEFT - 52
                parts.append(_shape(sign, x, TOP + (n + 0.5) * down))
    x = LEFT + 6.0
    for sign in drawn.signs():
        parts.append(_shape(sign, x, TOP + HEIGHT + 42))
        parts.append(f'<text x="{x + 12:.0f}" y="{TOP + HEIGHT + 47}">{escape(MEANING[sign])}</text>')
        x += 40 + 7.5 * len(MEANING[sign])
    return "\n".join([*parts, "</svg>"])


def _shape(sign: Sign, x: float, y: float) -> str:
    return SHAPES[sign].format(x=x, y=y, y0=y - 7, y1=y - 5)
