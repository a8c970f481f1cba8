"""Invented people interviewed about the whole pack: few of them, and bounds that a broken choice of questions breaks."""

from __future__ import annotations

import numpy as np
import pytest

from diagnose.knowledge.pack import Knowledge
from diagnose.reasoning.network import Network, compile_network
from diagnose.triage import knowledge_from
from tests.bench.people import Person, best_next, in_order, interview, people, static_orders


@pytest.fixture(scope="module")
def whole() -> tuple[Knowledge, Network]:
    knowledge = knowledge_from()
    return knowledge, compile_network(knowledge)


def test_most_causes_are_found_within_three_and_sooner_than_in_a_fixed_order(whole: tuple[Knowledge, Network]) -> None:
    some = [p.row for p in people(*whole, each=1, seed=7)][::3]

    def met() -> list[Person]:
        return [Person(*whole, row, (7, 0)) for row in some]

    own = [interview(person, best_next) for person in met()]
    assert sum(i.place <= 3 for i in own) >= 0.5 * len(own)
    assert np.median([i.questions for i in own]) <= 22
    order = list(static_orders(*whole).values())[-1]
    fixed = [interview(person, in_order(order)) for person in met()]
    assert sum(i.questions for i in own) < sum(i.questions for i in fixed)


def test_a_person_asked_again_says_the_same_and_the_same_seed_makes_the_same_person(
    whole: tuple[Knowledge, Network],
) -> None:
    first, again = (Person(*whole, 3, (1,)) for _ in range(2))
    asked = list(whole[0].questions)[:40]
    said = [first.say(q) for q in asked]
    assert said == [first.say(q) for q in asked] == [again.say(q) for q in asked]
    unknown = sum(s == ("unknown",) for s in said)
    assert 0 < unknown < 20
