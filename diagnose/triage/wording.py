"""Numbers in the words that every face uses."""

from __future__ import annotations

LEAST_SHOWN, MOST_SHOWN = 0.001, 0.995


def percent(share: float) -> str:
    """Return a share in percent; never 0 or 100, because nothing is ever certain."""
    if share < LEAST_SHOWN:
        return "< 0.1 %"
    if share >= MOST_SHOWN:
        return "> 99 %"
    return f"{100 * share:.1f} %" if share < 0.0995 else f"{100 * share:.0f} %"


def decibans(value: float) -> str:
    """Return a weight with its sign and one decimal, the sign apart from the number."""
    return f"{'+' if value >= 0 else '-'}{abs(value):5.1f}"


def times(count: int, one: str, many: str = "") -> str:
    """Return a count with its noun in the right number."""
    return f"{count:,} {one if count == 1 else many or one + 's'}"


FREQUENCY_WORDS = {
    "always": "always",
    "nearly-always": "nearly always",
    "mostly": "mostly",
    "half": "half the time",
    "sometimes": "sometimes",
    "seldom": "seldom",
    "hardly-ever": "hardly ever",
    "never": "never",
}


def often(said: str) -> str:
    """Return a frequency of a rule file as part of a sentence: ``in 8 of 10 prints``, ``half the time``."""
    if " in " in said:
        return f"in {said.replace(' in ', ' of ')} prints"
    return FREQUENCY_WORDS.get(said, f"in {said} of all prints")
