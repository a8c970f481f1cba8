"""What the faces show, as plain values: no reasoning is left to do on any of them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from diagnose.knowledge.models import ConfirmingTest, Question

LEAST_SHARE = 1e-9
"""Shares nearer to 0 or 1 have odds that no bar shows."""
Source = Literal["rate", "question", "finding", "marks", "test", "remedy"]


def share_before(share: float, change: float) -> float:
    """Return a share as it was before its log-odds changed by so many decibans."""
    now = min(max(share, LEAST_SHARE), 1.0 - LEAST_SHARE)
    odds: float = now / (1.0 - now) / 10.0 ** (change / 10.0)
    return odds / (1.0 + odds)


@dataclass(frozen=True, slots=True)
class Suspect:
    """A cause with its share."""

    id: str
    name: str
    family: str
    probability: float
    change: float
    """What the last answer did to its log-odds, in decibans."""

    @property
    def before(self) -> float:
        """Its share before the last answer."""
        return share_before(self.probability, self.change)


@dataclass(frozen=True, slots=True)
class LedgerLine:
    """One piece of evidence for or against one cause."""

    source: Source
    id: str
    """Question or finding; ``marks``; empty for the rate."""
    answer: str
    """Answer ids joined by a comma."""
    say: str
    """The answer in words."""
    decibans: float
    strength: str
    because: str
    rule: str
    """``file:line`` of the rule it came from; empty where the cause says nothing of it."""


@dataclass(frozen=True, slots=True)
class NextStep:
    """What to look at next."""

    id: str
    """A question; ``job``: attach the job file; ``marks``: measure where the marks are."""
    kind: Literal["question", "job", "marks"]
    ask: str
    bits: float
    effort: str
    minutes: float
    tells_apart: tuple[str, ...]
    """Names of the causes it separates best."""
    tells_apart_ids: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Given:
    """An answer or finding on the case, and whether it counts."""

    id: str
    source: Source
    ask: str
    answers: tuple[str, ...]
    """Empty for unknown."""
    say: str
    counts: bool
    why: str
    """Why it does not count, or what a finding rests on."""


@dataclass(frozen=True, slots=True)
class TestView:
    """A confirming test with the question its result answers and what it would tell now."""

    test: ConfirmingTest
    question: Question
    bits: float
    done: bool
