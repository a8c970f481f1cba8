"""The built-in pack on facts as people give them. Common practice, no source, unless said otherwise."""

from __future__ import annotations

import pytest

from diagnose.knowledge.pack import Knowledge
from diagnose.reasoning.network import Network, compile_network
from diagnose.triage import Triage, knowledge_from
from diagnose.triage.examples import run_examples


@pytest.fixture(scope="module")
def knowledge() -> Knowledge:
    return knowledge_from()


@pytest.fixture(scope="module")
def network(knowledge: Knowledge) -> Network:
    return compile_network(knowledge)


def ranked(knowledge: Knowledge, network: Network, **answers: str) -> dict[str, float]:
    triage = Triage(knowledge, network=network)
    for question, given in answers.items():
        triage.answer(question.replace("_", "-"), *given.split())
    return {s.id: s.probability for s in triage.ranking()}


def family(knowledge: Knowledge, name: str) -> set[str]:
    return {c.id for c in knowledge.causes.values() if c.family == name}


def test_even_blobs_on_one_region_of_a_spiral_from_a_card_that_saves_are_checkpoint_stalls(
    knowledge: Knowledge, network: Network
) -> None:
    shares = ranked(
        knowledge, network, defect="blobs", mark_extent="one-region", mark_spacing="even", spiral_mode="yes",
        fed_by="card", resume_feature="on", between_marks="flawless",
    )  # fmt: skip
    assert next(iter(shares)) == "checkpoint-stalls"
    assert shares["checkpoint-stalls"] > 0.8
    assert family(knowledge, "seam")
    assert all(shares[cause] < 0.01 for cause in family(knowledge, "seam"))


def test_a_part_bad_throughout_with_popping_and_fuzzy_strings_is_wet_filament(
    knowledge: Knowledge, network: Network
) -> None:
    shares = ranked(knowledge, network, defect="strings", mark_extent="whole-part", popping="yes", strings_look="fuzzy")
    assert next(iter(shares)) == "wet-filament"
    shares = ranked(knowledge, network, defect="blobs", mark_extent="whole-part", popping="yes", strings_look="fuzzy")
    assert next(iter(shares)) == "wet-filament"


def test_scattered_pimples_one_a_layer_with_seams_placed_at_random_are_the_scattered_seam(
    knowledge: Knowledge, network: Network
) -> None:
    shares = ranked(
        knowledge, network, defect="blobs", marks_line_up="scattered", marks_per_layer="one", spiral_mode="no",
        seam_placement="scattered",
    )  # fmt: skip
    assert next(iter(shares)) == "scattered-seam"


def test_random_blobs_on_curves_over_a_cable_that_are_gone_from_the_card_are_the_host_or_the_cable(
    knowledge: Knowledge, network: Network
) -> None:
    shares = ranked(
        knowledge, network, defect="blobs", mark_spacing="uneven", marks_on_curves="only-curves", fed_by="cable",
        other_feed="clean-from-card",
    )  # fmt: skip
    assert next(iter(shares)) in {"host-latency", "cable-resends", "link-too-slow"}


def test_with_nothing_answered_the_ranking_is_the_rates(knowledge: Knowledge, network: Network) -> None:
    shares = ranked(knowledge, network)
    rates = {"everyday": 16, "common": 8, "occasional": 4, "uncommon": 2, "rare": 1}
    total = sum(rates[c.rate] for c in knowledge.causes.values())
    for cause in knowledge.causes.values():
        assert shares[cause.id] == pytest.approx(0.95 * rates[cause.rate] / total, abs=1e-12)


def test_every_worked_example_comes_out_as_it_says(knowledge: Knowledge, network: Network) -> None:
    outcomes = run_examples(knowledge, network)
    assert len(outcomes) >= 60
    assert [f"{o.example.name}: {o.failures}" for o in outcomes if not o.passed] == []


def test_every_cause_is_first_in_some_worked_example(knowledge: Knowledge) -> None:
    first = {e.first for example in knowledge.examples for e in example.expect if e.first}
    within = {e.cause for example in knowledge.examples for e in example.expect if e.within_first}
    assert set(knowledge.causes) - first - within == set()


def test_flawless_plastic_between_marks_in_one_region_speaks_against_wet_filament(
    knowledge: Knowledge, network: Network
) -> None:
    # Wet filament spoils the whole part.
    before = ranked(knowledge, network, defect="blobs")["wet-filament"]
    after = ranked(knowledge, network, defect="blobs", mark_extent="one-region", between_marks="flawless")
    assert after["wet-filament"] < before / 2


def test_a_reprint_without_checkpoints_decides_about_them(knowledge: Knowledge, network: Network) -> None:
    seen = {"defect": "blobs", "mark_spacing": "even", "fed_by": "card"}
    before = ranked(knowledge, network, **seen)["checkpoint-stalls"]
    cleared = ranked(knowledge, network, **seen, without_checkpoints="unchanged")["checkpoint-stalls"]
    confirmed = ranked(knowledge, network, **seen, without_checkpoints="clean")["checkpoint-stalls"]
    assert cleared < before / 5
    assert confirmed > 0.9


def test_something_not_in_the_rules_always_keeps_a_share(knowledge: Knowledge, network: Network) -> None:
    triage = Triage(knowledge, network=network)
    assert triage.unexplained == pytest.approx(0.05, abs=1e-12)
    triage.answer("defect", "blobs")
    assert 0 < triage.unexplained < 1
    assert triage.unexplained + sum(s.probability for s in triage.ranking()) == pytest.approx(1.0, abs=1e-12)
