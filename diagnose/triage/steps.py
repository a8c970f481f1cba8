"""What is worth looking at next: questions, the job file and the marks, by information a minute."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from contextlib import suppress
from typing import TYPE_CHECKING

from diagnose.errors import BadInput
from diagnose.knowledge.models import EFFORT_MINUTES
from diagnose.reasoning import inquiry
from diagnose.triage.sources import card, expected_findings, machine_of
from diagnose.triage.views import NextStep

if TYPE_CHECKING:
    from diagnose.triage.case import Triage

JOB_STEP = "job"
JOB_EFFORT = "handle"
"""Finding and attaching the job file is about as much work as handling the part."""
MARKS_STEP = "marks"
MARKS_EFFORT = "measure"


def next_steps(triage: Triage) -> list[NextStep]:
    """Return what is worth looking at, most information a minute first; danger and the defect come before all."""
    now, told = triage.standing, _told(triage)
    steps = _worth(triage, told)
    if triage.case.job is None:
        bits = inquiry.job_gain(triage.network, triage.job_may_bring(), now.observed, now.shares)
        if inquiry.is_worth(bits, EFFORT_MINUTES[JOB_EFFORT]):
            steps.append(
                NextStep(JOB_STEP, "job", "Can you attach the job file (G-code) of this print?", bits,
                         JOB_EFFORT, EFFORT_MINUTES[JOB_EFFORT], (), ())
            )  # fmt: skip
    steps += _marks(triage, told)
    return _in_order(triage, steps, told)


def next_question(triage: Triage) -> NextStep | None:
    """Return the first question of `next_steps`, or None; job file and marks are not weighed, which is quicker."""
    told = _told(triage)
    return next(iter(_in_order(triage, _worth(triage, told), told)), None)


def _told(triage: Triage) -> dict[str, inquiry.Gain]:
    """Return what each question that is open to be asked is expected to tell."""
    knowledge, now, case = triage.knowledge, triage.standing, triage.case
    weighed = triage.weighed
    measured = weighed is not None and weighed.enough
    results = knowledge.result_questions()
    found = {f["id"] for f in triage.found()}
    settled = {f.fills for f in knowledge.findings.values() if f.fills and f.id in found}
    open_questions = [
        q.id
        for q in knowledge.questions.values()
        if q.id not in case.answers
        and q.id not in results
        and q.id not in settled
        and not (measured and q.measured_by == "marks")
    ]
    return {gain.about: gain for gain in inquiry.gains(triage.network, open_questions, now.observed, now.shares)}


def _worth(triage: Triage, told: Mapping[str, inquiry.Gain]) -> list[NextStep]:
    """Return the questions worth asking."""
    steps = (_question(triage, id, told) for id in told)
    return [step for step in steps if inquiry.is_worth(step.bits, step.minutes)]


def _in_order(triage: Triage, steps: list[NextStep], told: Mapping[str, inquiry.Gain]) -> list[NextStep]:
    """Return the steps, most information a minute first; danger and the defect come before all."""
    knowledge = triage.knowledge
    steps = sorted(steps, key=lambda step: (-inquiry.pace(step.bits, step.minutes), step.id))
    # Danger comes before any diagnosis; then everything else hangs on what is wrong with the part.
    for first in (knowledge.by_role("defect"), knowledge.danger_question()):
        if first is not None and first.id not in triage.case.answers:
            steps = [_question(triage, first.id, told)] + [step for step in steps if step.id != first.id]
    return steps


def job_may_bring(triage: Triage) -> dict[str, float]:
    """Return the findings that a job run on the chosen printer may bring, each with how far it will be believed."""
    machine = None
    if triage.case.printer:
        with suppress(BadInput):  # a card that has gone is told when the job is read
            machine = machine_of(card(triage.knowledge, triage.case.printer))
    return {id: sure for id, sure in expected_findings(machine).items() if id in triage.network.of}


def _question(triage: Triage, id: str, told: Mapping[str, inquiry.Gain]) -> NextStep:
    question = triage.knowledge.questions[id]
    gain = told.get(id, inquiry.Gain(id, 0.0, ()))
    return NextStep(
        question.id, "question", question.ask, gain.bits, question.effort, EFFORT_MINUTES[question.effort],
        _names(triage, gain.tells_apart), gain.tells_apart,
    )  # fmt: skip


def _marks(triage: Triage, open_questions: Iterable[str]) -> list[NextStep]:
    """Return measuring the marks as a step, while something that marks would measure could be asked by eye."""
    case, weighed = triage.case, triage.weighed
    waiting = case.marks is not None and case.job is None
    by_eye = any(triage.knowledge.questions[q].measured_by == "marks" for q in open_questions)
    if waiting or not by_eye or (weighed is not None and weighed.enough):
        return []
    bits, apart = inquiry.marks_gain(triage.network, triage.asks, triage.standing.shares)
    # Marks say nothing without the job they are held against: its attaching is part of the work.
    minutes = EFFORT_MINUTES[MARKS_EFFORT] + (EFFORT_MINUTES[JOB_EFFORT] if case.job is None else 0.0)
    if not inquiry.is_worth(bits, minutes):
        return []
    ask = "Can you measure where the marks are: height, and how far round?"
    return [NextStep(MARKS_STEP, "marks", ask, bits, MARKS_EFFORT, minutes, _names(triage, apart), apart)]


def _names(triage: Triage, causes: tuple[str, ...]) -> tuple[str, ...]:
    return tuple(triage.knowledge.causes[c].name for c in causes)
