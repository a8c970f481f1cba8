"""What a shop's own cases taught: counts, beside the rules and never in their place.

The rules say how often an answer is seen; the counts say how often it was. How the two are put together is
`diagnose.reasoning.learning`. A pack with `learnt:` is made by `diagnose cases learn` and can be read, compared and deleted.
"""

from __future__ import annotations

from pydantic import Field

from diagnose.knowledge.models import Condition, Id, Part, Text

Counts = dict[Id, int]


class Cell(Part):
    """How often the answers of one question were reported in cases of one cause, in one context."""

    cause: Id
    about: Id
    """Question or finding."""
    given: Condition = Field(default_factory=dict)
    counts: Counts
    """Answer to cases; of a question of kind several, option to cases in which it was ticked."""
    of: int = Field(ge=1)
    """Cases in which the question was answered."""


class Learnt(Part):
    """Everything learnt from a casebook."""

    cases: int = Field(ge=0)
    """Closed cases with a cause that the rules know."""
    until: Text | None = None
    """When the last of them was closed."""
    temper: float = Field(1.0, gt=0, le=2)
    """Exponent on the evidence of answers and findings, fitted on these cases."""
    rates: Counts = Field(default_factory=dict)
    """Cause to cases."""
    printers: dict[Text, Counts] = Field(default_factory=dict)
    materials: dict[Id, Counts] = Field(default_factory=dict)
    cells: tuple[Cell, ...] = ()
