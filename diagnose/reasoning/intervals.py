"""Intervals for shares that a few counts tell."""

from __future__ import annotations

from dataclasses import dataclass
from math import sqrt

Z95 = 1.959963984540054
"""Standard deviations on either side of the middle that hold 95 % of a normal distribution."""


@dataclass(frozen=True, slots=True)
class Hits:
    """So many of so many, with the interval in which the true share lies (95 %)."""

    count: float
    of: float
    low: float
    high: float

    @property
    def share(self) -> float:
        return self.count / self.of if self.of else 0.0


def wilson(count: float, of: float, z: float = Z95) -> Hits:
    """Return a share with its interval (Wilson 1927); from 0 to 1 where nothing was counted."""
    if of == 0:
        return Hits(0, 0, 0.0, 1.0)
    share, extra = count / of, z * z / of
    middle = (share + extra / 2) / (1 + extra)
    half = z / (1 + extra) * sqrt(share * (1 - share) / of + extra / of / 4)
    return Hits(count, of, max(0.0, middle - half), min(1.0, middle + half))
