"""The plan of a case: costs by hand, tests that pay, habit that costs more, danger first."""

from __future__ import annotations

from pathlib import Path

import pytest

from diagnose.knowledge.pack import Knowledge, load
from diagnose.reasoning.network import Network, compile_network
from diagnose.triage import Triage, knowledge_from
from diagnose.triage.plan import Planner, plan_json

PACK = """
rates: {hour: 30, machine_hour: 2, kilogram: 20, help: 500, print_minutes: 2, print_machine_minutes: 30, print_grams: 50}
questions:
  - id: where
    ask: Where?
    role: defect
    effort: glance
    answers: [{id: here, say: Here}, {id: there, say: There}]
  - id: result
    ask: What did the test show?
    effort: reprint
    slips: 0.01
    answers: [{id: plain, say: Plain, usual: 0.5}, {id: odd, say: Odd, usual: 0.5}]
tests:
  - {id: look, name: Look, do: Look., reads: As it says., question: result, minutes: 1}
remedies:
  - {id: cheap, name: Cheap, do: It., minutes: 4, sure: 0.9, tried: 1}
  - {id: dear, name: Dear, do: That., minutes: 60, money: 10, sure: 0.9, tried: 2}
causes:
  - {id: a, name: A, family: f, about: A., rate: common, defects: {here: half}, confirm: [look], remedies: [cheap],
     evidence: [{question: result, answer: plain, seen: 0.99, because: so}]}
  - {id: b, name: B, family: f, about: B., rate: common, defects: {here: half}, confirm: [look], remedies: [dear],
     evidence: [{question: result, answer: odd, seen: 0.99, because: so}]}
"""


def made(tmp_path: Path, text: str = PACK) -> Triage:
    (tmp_path / "rules.yaml").write_text(text)
    knowledge, problems = load([tmp_path / "rules.yaml"])
    assert not [p for p in problems if p.hard]
    return Triage(knowledge)


@pytest.fixture(scope="module")
def builtin() -> tuple[Knowledge, Network]:
    knowledge = knowledge_from(())
    return knowledge, compile_network(knowledge)


def test_costs_add_up_time_machine_filament_and_parts(tmp_path: Path) -> None:
    planner = Planner(made(tmp_path))
    found = {step.id: step.cost for branch in planner.plan().branches for step in branch.plan.steps}
    # The verifying print: 2 min at 30 an hour, 30 min of machine at 2, 50 g at 20 a kilogram.
    print_cost = 2 / 60 * 30 + 30 / 60 * 2 + 0.05 * 20
    assert found["cheap"] == pytest.approx(4 / 60 * 30 + print_cost)
    assert found["dear"] == pytest.approx(30 + 10 + print_cost)


def test_a_cheap_test_that_tells_comes_first_and_saves(tmp_path: Path) -> None:
    plan = Planner(made(tmp_path)).plan()
    assert [step.kind for step in plan.steps] == ["test"] and plan.cost < plan.without_tests
    first = {branch.say: branch.plan.steps[0].id for branch in plan.branches}
    assert first == {"Plain": "cheap", "Odd": "dear"}


def test_a_test_that_costs_more_than_it_saves_is_left_out(tmp_path: Path) -> None:
    plan = Planner(made(tmp_path, PACK.replace("question: result, minutes: 1", "question: result, minutes: 400"))).plan()
    assert plan.steps[0].kind == "remedy" and plan.cost == pytest.approx(plan.without_tests)


def test_a_known_result_orders_the_remedies(tmp_path: Path) -> None:
    triage = made(tmp_path)
    triage.answer("result", "odd")
    plan = Planner(triage).plan()
    assert plan.steps[0].id == "dear" and plan.steps[0].probability > 0.7
    assert [named for named, _ in plan.steps[0].cures] == ["B"]


def test_habit_is_compared_with_only_where_the_rules_know_it(tmp_path: Path) -> None:
    backwards = PACK.replace("tried: 1", "tried: 3")
    planner = Planner(made(tmp_path, backwards))
    compared = planner.compared()
    assert compared.popularity is not None and compared.popularity > planner.plan().without_tests + 1.0
    silent = backwards.replace(", tried: 3", "").replace(", tried: 2", "")
    assert Planner(made(tmp_path, silent)).compared().popularity is None


def test_a_pack_of_a_shop_changes_only_the_rates_it_states(tmp_path: Path) -> None:
    (tmp_path / "a.yaml").write_text("rates: {hour: 55}\n")
    (tmp_path / "b.yaml").write_text("rates: {help: 7}\n")
    rates = load([tmp_path / "a.yaml", tmp_path / "b.yaml"])[0].rates
    assert (rates.hour, rates.help, rates.kilogram) == (55, 7, 25)


def test_a_rate_that_makes_no_sense_is_a_fault(tmp_path: Path) -> None:
    (tmp_path / "a.yaml").write_text("rates: {hour: -1, hours: 3}\n")
    problems = load([tmp_path / "a.yaml"])[1]
    assert len(problems) == 2 and all(p.hard and p.line == 1 for p in problems)


def test_on_the_built_in_pack_no_naive_order_is_cheaper(builtin: tuple[Knowledge, Network]) -> None:
    defect = builtin[0].by_role("defect")
    assert defect is not None
    for said in (None, *(answer.id for answer in defect.answers)):
        triage = Triage(builtin[0], network=builtin[1])
        if said is not None:
            triage.answer(defect.id, said)
        found = plan_json(triage)
        for naive in ("by_chance", "by_cheapest", "by_popularity"):
            assert found["expected_cost_without_tests"] <= found[f"expected_cost_{naive}"] + 1e-9, (said, naive)
        assert found["expected_cost"] <= found["expected_cost_without_tests"]
        chances = [step["probability"] for step in found["steps"] if step["kind"] == "remedy"]
        assert chances and all(0 < chance <= 1 for chance in chances)


def test_while_there_is_danger_no_test_runs_the_machine(builtin: tuple[Knowledge, Network]) -> None:
    triage = Triage(builtin[0], network=builtin[1])
    triage.answer("defect", "blobs")
    danger = builtin[0].danger_question()
    assert danger is not None
    triage.answer(danger.id, next(a.id for a in danger.answers if a.stop))
    found = plan_json(triage)
    assert found["alarms"] and all(step["kind"] == "remedy" for step in found["steps"])
