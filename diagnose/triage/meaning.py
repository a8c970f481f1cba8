"""What a finding's answer means by the rules: how unusual it is, and for or against which causes it speaks."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from diagnose.knowledge.frequency import LEAST, MOST
from diagnose.knowledge.models import Answer, Cause, Evidence
from diagnose.knowledge.pack import Knowledge

UNUSUAL = 0.2
"""An answer that no more than this share of bad prints gives, whatever ails them, stands out."""


@dataclass(frozen=True, slots=True)
class Speaks:
    """One line of evidence that a finding's answer touches."""

    cause: Cause
    line: Evidence
    seen: float
    """How often the answer is seen when the cause is at work."""
    usual: float | None
    rule: str
    """Where the line stands, file and line."""

    @property
    def decibans(self) -> float:
        """Weight of the answer for this cause against a print it has nothing to do with; no slips, no context."""
        return 0.0 if self.usual is None else 10 * math.log10(_clamped(self.seen) / _clamped(self.usual))


def answer_of(knowledge: Knowledge, finding: str, answer: str) -> Answer | None:
    """Return an answer as the rules declare it, or None."""
    entry = knowledge.findings.get(finding)
    return next((a for a in entry.answers if a.id == answer), None) if entry else None


def usual_of(knowledge: Knowledge, finding: str, answer: str) -> float | None:
    """Return how often an answer comes among prints whose cause has nothing to do with it; None where rules are silent."""
    declared = answer_of(knowledge, finding, answer)
    return declared.usual_for(None) if declared else None


def speaks_for(knowledge: Knowledge, finding: str, answer: str) -> list[Speaks]:
    """Return the evidence on a finding's answer, or on the question it fills, the weightiest first."""
    entry = knowledge.findings.get(finding)
    if entry is None:
        return []
    usual = usual_of(knowledge, finding, answer)
    about = {finding, entry.fills} - {None}
    found = [
        Speaks(cause, line, line.seen.value, usual, str(knowledge.lines.get((cause.id, index), "")))
        for cause in knowledge.causes.values()
        for index, line in enumerate(cause.evidence)
        if line.about in about and line.answer == answer
    ]
    return sorted(found, key=lambda s: (-abs(s.decibans), s.cause.id))


def standing_out(knowledge: Knowledge, findings: Sequence[Mapping[str, Any]]) -> list[Mapping[str, Any]]:
    """Return the findings away from their usual answer, those that speak most for some cause first.

    What the printer makes of the job comes before what the file says by itself. Of several that say the same only the first is kept.
    """
    from diagnose.toolpath.findings import REGISTRY

    odd: list[tuple[bool, float, float, str, Mapping[str, Any]]] = []
    for f in findings:
        usual = usual_of(knowledge, f["id"], f["answer"])
        if usual is None or usual > UNUSUAL:
            continue
        weight = max((s.decibans for s in speaks_for(knowledge, f["id"], f["answer"])), default=0.0)
        of_the_file = not REGISTRY[f["id"]].rests_on
        odd.append((of_the_file, -max(weight, 0.0), usual, f["id"], f))
    ordered = [f for *_, f in sorted(odd, key=lambda item: item[:4])]
    said = [f["because"] for f in ordered]
    return [f for i, f in enumerate(ordered) if f["because"] not in said[:i]]


def _clamped(share: float) -> float:
    return min(max(share, LEAST), MOST)
