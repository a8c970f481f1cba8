"""Solved cases like the one at hand: how far two cases lie apart, and which answers say so.

The distance is the share of disagreement over the questions and findings that both cases have an answer to, each weighed by
how much an agreement on it would surprise: its collision entropy, -log2 of the chance that two unrelated prints have the
same answer. Two bits of disagreement are added to every pair, so that one shared answer makes no twins.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from math import log2
from typing import TYPE_CHECKING

from diagnose.cases.journal import Case
from diagnose.knowledge.models import OPTION_USUAL, Finding, Question
from diagnose.knowledge.pack import Knowledge
from diagnose.reasoning.network import usual_shares

if TYPE_CHECKING:
    from diagnose.triage.case import Triage

DOUBT_BITS = 2.0
FARTHEST = 0.6
"""Cases that lie farther apart than this are not like each other."""

Told = Mapping[str, frozenset[str]]
"""Question or finding to its answers."""


@dataclass(frozen=True, slots=True)
class Similar:
    """A solved case and how near it lies."""

    case: Case
    cause: str
    distance: float
    agree: tuple[str, ...]
    """Questions and findings on which both have the same answer, the most telling first."""
    differ: tuple[str, ...]


def similar(knowledge: Knowledge, case: Case, solved: Iterable[Case], most: int = 5) -> list[Similar]:
    """Return the solved cases nearest to a case, nearest first; those that are not like it at all are left out."""
    bits = weights(knowledge)
    here = told(case)
    found = []
    for other in solved:
        cause = cause_of(other)
        if cause and other.id != case.id:
            near = compare(bits, here, told(other))
            if near[0] <= FARTHEST:
                found.append((near, other, cause))
    found.sort(key=lambda f: (f[0][0], f[1].id))
    return [Similar(other, cause, distance, agree, differ) for (distance, agree, differ), other, cause in found[:most]]


def similar_to(triage: Triage) -> list[Similar]:
    """Return the solved cases of a case's own casebook that are most like it."""
    return similar(triage.knowledge, triage.case, triage.other_cases()) if triage.case.answers else []


def compare(bits: Mapping[str, float], one: Told, other: Told) -> tuple[float, tuple[str, ...], tuple[str, ...]]:
    """Return the distance of two cases, from 0 to 1, what they agree on and what they differ in."""
    total = apart = 0.0
    agree: list[str] = []
    differ: list[str] = []
    for about in one.keys() & other.keys():
        weight = bits.get(about, 0.0)
        if not weight:
            continue
        union = one[about] | other[about]
        off = 1.0 - len(one[about] & other[about]) / len(union) if union else 0.0
        total += weight
        apart += weight * off
        (differ if off > 0.5 else agree).append(about)
    by_bits = sorted(agree, key=lambda a: (-bits[a], a)), sorted(differ, key=lambda a: (-bits[a], a))
    return (apart + DOUBT_BITS) / (total + DOUBT_BITS), tuple(by_bits[0]), tuple(by_bits[1])


def told(case: Case) -> Told:
    """Return what a case says: its answers but for *unknown*, and what its job file showed."""
    said = {question: frozenset(given) for question, given in case.answers.items() if given is not None}
    for finding in (case.job or {}).get("findings", ()):
        said[finding["id"]] = frozenset((finding["answer"],))
    return said


def cause_of(case: Case) -> str:
    """Return what a closed case was; empty where that was not found."""
    return case.cause or (case.cured.causes[0] if case.cured and case.cured.causes else "")


def weights(knowledge: Knowledge) -> dict[str, float]:
    """Return the bits of every question and finding that prints are told apart by; results of tests count as well."""
    bits = {}
    everything: list[Question | Finding] = [*knowledge.questions.values(), *knowledge.findings.values()]
    for asked in everything:
        if isinstance(asked, Question) and asked.kind == "several":
            usual = [a.usual_for(None) for a in asked.answers]
            same = sum(log2((p := OPTION_USUAL if u is None else u) ** 2 + (1 - p) ** 2) for u in usual)
            bits[asked.id] = -same
        else:
            bits[asked.id] = -log2(float((usual_shares(asked.answers, None) ** 2).sum()))
    return bits
