"""Invented people interviewed about the whole pack: few of them, and bounds that a broken choice of questions breaks."""

from __future__ import annotations

import numpy as np
import pytest

from diagnose.knowledge.pack import Knowledge
from diagnose.reasoning.network import Network, compile_network
from diagnose.triage import knowledge_from
from diagnose.triage.world import World
from tests.bench import cure
from tests.bench.people import Person, best_next, in_order, interview, people, static_orders


@pytest.fixture(scope="module")
def whole() -> tuple[Knowledge, Network]:
    knowledge = knowledge_from()
    return knowledge, compile_network(knowledge)


def test_most_causes_are_found_within_three_and_sooner_than_in_a_fixed_order(whole: tuple[Knowledge, Network]) -> None:
    some = [p.row for p in people(*whole, each=1, seed=7)][::6]

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


def test_the_plan_leads_people_to_their_cure_for_less_than_habit(whole: tuple[Knowledge, Network]) -> None:
    some = people(*whole, each=1, seed=4)[5::25]
    found = [cure.way(*whole, person) for person in some]
    assert [w.cause for w in found] == [whole[0].causes[p.network.causes[p.row - 1]].id for p in some]
    assert sum(w.cured for w in found) >= 0.5 * len(found)
    assert sum(w.expected for w in found) < 0.85 * sum(w.habit for w in found)
    assert cure.share(found, questions=False) < cure.share(found) < 1.0
    assert not any(w.expected > other + cure.SLACK for w in found for other in w.naive)


def test_what_comes_of_a_remedy_is_as_sure_as_the_rules_say(whole: tuple[Knowledge, Network]) -> None:
    knowledge = whole[0]
    row, remedy = next(
        (row, remedy)
        for row, cause in enumerate(knowledge.causes.values(), 1)
        for remedy in cause.remedies
        if 0.4 < knowledge.remedies[remedy].sure.value < 0.8
    )
    world = World(*whole, whole[1].causes[row - 1], np.random.default_rng(2))
    came = [world.outcome(remedy) for _ in range(4000)]
    sure = knowledge.remedies[remedy].sure.value
    assert came.count("cured") / len(came) == pytest.approx(sure, abs=0.03)
    other = next(r for r in knowledge.remedies if r not in knowledge.causes[world.cause].remedies)
    assert "cured" not in {world.outcome(other) for _ in range(300)}
    results = {
        q
        for t in knowledge.causes[world.cause].confirm
        if knowledge.questions[q := knowledge.tests[t].question].kind == "one"
    }
    for question in results:
        assert world.result(question) in {a.id for a in knowledge.questions[question].answers}
