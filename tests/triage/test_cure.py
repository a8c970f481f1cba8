"""Remedies tried: what came of them moves the ranking, closes a case, and can be undone; a case of what remains."""

from __future__ import annotations

from pathlib import Path

import pytest

from diagnose.cases.book import Casebook
from diagnose.errors import BadInput
from diagnose.knowledge.pack import Knowledge
from diagnose.reasoning.network import Network, compile_network
from diagnose.triage import Triage, knowledge_from
from diagnose.triage.cure import follow_up
from diagnose.triage.facts import facts_file, triage_from
from diagnose.triage.plan import Planner

ANSWERS = {"defect": "strings", "fed-by": "card", "filament-kind": "petg", "strings-look": "threads", "popping": "no"}


@pytest.fixture(scope="module")
def knowledge() -> Knowledge:
    return knowledge_from()


@pytest.fixture(scope="module")
def network(knowledge: Knowledge) -> Network:
    return compile_network(knowledge)


def strings(knowledge: Knowledge, network: Network, book: Path) -> Triage:
    triage = Triage.start(knowledge, Casebook(book), "hook", network)
    for question, answer in ANSWERS.items():
        triage.answer(question, answer)
    return triage


def first_remedy(triage: Triage) -> str:
    return next(step.id for step in Planner(triage).plan().along() if step.kind == "remedy")


def shares(triage: Triage) -> dict[str, float]:
    return {s.id: s.probability for s in triage.ranking()}


def test_a_failed_remedy_lowers_its_causes_leaves_the_plan_and_comes_back_with_undo(
    knowledge: Knowledge, network: Network, tmp_path: Path
) -> None:
    triage = strings(knowledge, network, tmp_path)
    remedy, before = first_remedy(triage), shares(triage)
    met = [c for c in before if remedy in knowledge.causes[c].remedies]
    triage.try_remedy(remedy, "no-change")
    after = shares(triage)
    assert all(after[c] < before[c] for c in met)
    assert sum(after.values()) + triage.unexplained == pytest.approx(1.0)
    # All of a remedy's causes fall by the same ratio against a cause that it does not meet.
    sure = knowledge.remedies[remedy].sure.value
    other = next(c for c in before if c not in met)
    for cause in met:
        fall = (after[cause] / after[other]) / (before[cause] / before[other])
        assert fall == pytest.approx((1 - sure) / 2 / 0.88)
    assert remedy not in [step.id for step in Planner(triage).plan().along()]
    again = Triage.resume(knowledge, Casebook(tmp_path), triage.case.id, network)
    assert again.case.tried == {remedy: "no-change"} and shares(again) == after
    assert triage.undo() and shares(triage) == pytest.approx(before) and triage.case.tried == {}
    assert first_remedy(triage) == remedy


def test_the_ledger_names_the_remedy_and_still_sums(knowledge: Knowledge, network: Network, tmp_path: Path) -> None:
    triage = strings(knowledge, network, tmp_path)
    remedy = first_remedy(triage)
    triage.try_remedy(remedy, "better")
    for suspect in triage.ranking()[:8]:
        lines = triage.ledger(suspect.id)
        (tried,) = [line for line in lines if line.source == "remedy"]
        assert tried.id == remedy and tried.answer == "better"
        met = remedy in knowledge.causes[suspect.id].remedies
        assert bool(tried.rule) is met and ("no remedy for it" in tried.because) is not met
        odds = triage.standing.log_odds[network.row(suspect.id)]
        assert sum(line.decibans for line in lines) == pytest.approx(odds, abs=1e-9)
    assert [(g.id, g.source, g.counts) for g in triage.given()][-1] == (remedy, "remedy", True)


def test_a_cure_closes_the_case_with_its_cause_and_opens_again_when_taken_back(
    knowledge: Knowledge, network: Network, tmp_path: Path
) -> None:
    triage = strings(knowledge, network, tmp_path)
    remedy = first_remedy(triage)
    triage.try_remedy(remedy, "cured")
    cured = triage.case.cured
    assert cured is not None and cured.remedy == remedy and cured.causes
    assert all(remedy in knowledge.causes[c].remedies for c in cured.causes)
    assert triage.next_steps() == [] and triage.enough
    plan = Planner(triage).plan()
    assert plan.steps == () and plan.cost == 0.0
    (listed,) = Casebook(tmp_path).cases()
    assert listed.cured == cured
    triage.undo()
    assert triage.case.cured is None and triage.next_steps()
    triage.try_remedy(remedy, "cured")
    triage.forget_trial(remedy)
    assert triage.case.cured is None and triage.case.tried == {}
    triage.undo()
    assert triage.case.cured == cured
    triage.try_remedy(remedy, "better")  # it came back after all
    assert triage.case.cured is None and triage.case.tried == {remedy: "better"}


def test_what_remains_is_a_case_that_keeps_what_tells_of_the_machine(
    knowledge: Knowledge, network: Network, tmp_path: Path
) -> None:
    triage = strings(knowledge, network, tmp_path)
    triage.choose_printer("board-memory-card")
    with pytest.raises(BadInput, match="nothing is cured"):
        follow_up(triage, Casebook(tmp_path))
    remedy = first_remedy(triage)
    triage.try_remedy(remedy, "cured")
    rest = follow_up(triage, Casebook(tmp_path))
    assert rest.case.id != triage.case.id and rest.case.follows == triage.case.id
    assert rest.case.title == "What remains: hook" and rest.case.printer == "board-memory-card"
    assert triage.case.cured is not None
    hangs = {e.about for c in triage.case.cured.causes for e in knowledge.causes[c].evidence}
    assert "fed-by" in rest.case.answers and "fed-by" not in hangs
    assert not {"defect", "strings-look", "popping"} & set(rest.case.answers)
    assert ("filament-kind" in rest.case.answers) is ("filament-kind" not in hangs)
    assert rest.case.tried == {remedy: "no-change"} and rest.case.cured is None
    assert rest.case.marks is None and rest.case.job is None


def test_what_is_no_remedy_or_no_result_changes_nothing(knowledge: Knowledge, network: Network, tmp_path: Path) -> None:
    triage = strings(knowledge, network, tmp_path)
    events = triage.case.events
    for remedy, result, words in (
        ("cooler-nozzl", "cured", "did you mean 'cooler-nozzle'"),
        ("cooler-nozzle", "curd", "did you mean 'cured'"),
    ):
        with pytest.raises(BadInput) as told:
            triage.try_remedy(remedy, result)
        assert words in told.value.hint
    with pytest.raises(BadInput, match="has not been tried"):
        triage.forget_trial("cooler-nozzle")
    assert triage.case.events == events and triage.case.tried == {}


def test_a_file_of_answers_holds_remedies_tried(knowledge: Knowledge, network: Network, tmp_path: Path) -> None:
    path = tmp_path / "facts.yaml"
    path.write_text("answers: {defect: strings}\ntried:\n  cooler-nozzle: no-change\n  dry-filament: better\n")
    triage = triage_from(knowledge, facts_file(path), network)
    assert triage.case.tried == {"cooler-nozzle": "no-change", "dry-filament": "better"}
    for text, line in (("tried: [dry-filament]", 1), ("tried:\n  dry-filament: [cured]", 2)):
        path.write_text(text)
        with pytest.raises(BadInput) as told:
            facts_file(path)
        assert told.value.where.endswith(f":{line}")
