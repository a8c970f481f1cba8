"""Real cases, solved by others: every one can be asked of the rules as they stand, and the rules must not unlearn them.

Sources: public threads and pages, each named by its pointer in the file; coded from the facts alone by somebody who did not
know the cause. The floors are a little below what was reached when they were set (2026-11-27); aims are far higher.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from diagnose.cases.solved import read_solved
from diagnose.knowledge.pack import Knowledge
from diagnose.triage import knowledge_from
from diagnose.triage.score import score

SOLVED = Path(__file__).parents[1] / "solved"


@pytest.fixture(scope="module")
def knowledge() -> Knowledge:
    return knowledge_from()


def test_every_case_names_a_cause_and_answers_of_the_rules(knowledge: Knowledge) -> None:
    solved = read_solved(SOLVED)
    assert len(solved) == 46
    for case in (placed.case for placed in solved):
        assert case.cause in knowledge.causes, case.id
        for question, given in case.answers.items():
            known = {answer.id for answer in knowledge.questions[question].answers}
            assert set(given) <= known, (case.id, question)


def test_the_rules_do_not_unlearn_the_real_cases(knowledge: Knowledge) -> None:
    found = score(knowledge, read_solved(SOLVED))
    floors = {1: 8, 3: 20, 5: 25}
    assert all(found.within(most).count >= floor for most, floor in floors.items()), [found.within(m) for m in floors]
