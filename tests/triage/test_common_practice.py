"""What the trade knows of supply, seams and water, as rankings over the whole pack. *Common practice, no source.*"""

from __future__ import annotations

import re

import pytest

from diagnose.knowledge.pack import Knowledge
from diagnose.reasoning.network import Network, compile_network
from diagnose.triage import Triage, knowledge_from

BLOBS = {"defect": "blobs", "between-marks": "flawless"}
ON_CARD = BLOBS | {"fed-by": "card", "resume-feature": "on", "mixed-detail": "yes", "mark-extent": "one-region"}
OVER_CABLE = BLOBS | {"fed-by": "cable", "mark-spacing": "uneven"}
DECIDED = 0.9


@pytest.fixture(scope="module")
def knowledge() -> Knowledge:
    return knowledge_from()


@pytest.fixture(scope="module")
def network(knowledge: Knowledge) -> Network:
    return compile_network(knowledge)


class Bench:
    """The pack with a way to ask it for shares."""

    def __init__(self, knowledge: Knowledge, network: Network) -> None:
        self.knowledge, self.network = knowledge, network

    def shares(self, answers: dict[str, str], **more: str) -> dict[str, float]:
        """Shares of the causes, likeliest first."""
        triage = Triage(self.knowledge, network=self.network)
        for question, answer in (answers | {q.replace("_", "-"): a for q, a in more.items()}).items():
            triage.answer(question, answer)
        assert all(given.counts for given in triage.given())
        return {s.id: s.probability for s in triage.ranking()}

    def first(self, answers: dict[str, str], **more: str) -> str:
        return next(iter(self.shares(answers, **more)))

    def odds(self, cause: str, rival: str, answers: dict[str, str], **more: str) -> float:
        shares = self.shares(answers, **more)
        return shares[cause] / shares[rival]

    def seams(self) -> set[str]:
        """The causes that need the start of a closed outline."""
        return {c.id for c in self.knowledge.causes.values() if c.leaves and c.leaves.at == "seams"}


@pytest.fixture(scope="module")
def bench(knowledge: Knowledge, network: Network) -> Bench:
    return Bench(knowledge, network)


# Water


@pytest.mark.parametrize("defect", ["blobs", "strings", "pits"])
def test_wet_filament_spoils_the_whole_part(bench: Bench, defect: str) -> None:
    wet = {"defect": defect, "popping": "yes"}
    bare = bench.shares(wet)["wet-filament"]
    assert bench.first(wet, mark_extent="whole-part", between_marks="bad-all-over") == "wet-filament"
    assert bench.shares(wet, mark_extent="whole-part")["wet-filament"] > bare
    assert bench.shares(wet, mark_extent="one-region")["wet-filament"] < bare
    assert bench.shares(wet, mark_extent="one-region", between_marks="flawless")["wet-filament"] < bare / 2


def test_blobs_in_one_region_of_a_sound_wall_are_not_water_even_from_a_spool_that_lay_open(bench: Bench) -> None:
    shares = bench.shares(ON_CARD, filament_storage="open-days", mark_spacing="even", popping="no")
    assert shares["wet-filament"] < 0.01


# Seams


def test_seams_cannot_appear_in_spiral_mode(bench: Bench) -> None:
    assert len(bench.seams()) >= 4
    layered, spiral = (bench.shares({"defect": "blobs"}, spiral_mode=a) for a in ("no", "yes"))
    assert sum(layered[c] for c in bench.seams()) > 0.1
    assert sum(spiral[c] for c in bench.seams()) < 0.02
    for cause in bench.seams():
        assert spiral[cause] < layered[cause] / 3, cause


def test_marks_in_one_upright_line_are_the_seam_layer_by_layer_but_not_in_a_spiral(bench: Bench) -> None:
    line = {"defect": "scar-line", "marks-line-up": "in-line"}
    assert bench.first(line, spiral_mode="no", seam_placement="aligned") in bench.seams()
    assert bench.first(line, spiral_mode="yes") not in bench.seams()


def test_randomised_seams_scatter_while_checkpoint_stalls_keep_a_beat(bench: Bench) -> None:
    both = {"defect": "blobs", "spiral-mode": "no", "fed-by": "card", "resume-feature": "on", "seam-placement": "scattered"}
    beat = {"mark-spacing": "even", "marks-line-up": "slanting"}
    scatter = {"mark-spacing": "uneven", "marks-line-up": "scattered", "marks-per-layer": "one"}
    assert bench.first(both | scatter) == "scattered-seam"
    neutral = bench.odds("checkpoint-stalls", "scattered-seam", both)
    assert bench.odds("checkpoint-stalls", "scattered-seam", both | beat) > 10 * neutral
    assert bench.odds("checkpoint-stalls", "scattered-seam", both | scatter) < neutral / 3
    assert bench.first(both | beat, mixed_detail="yes", mark_extent="one-region", marks_on_curves="only-curves",
                       between_marks="flawless") == "checkpoint-stalls"  # fmt: skip


# Card


def test_a_beat_is_the_checkpoint_and_no_beat_is_the_card(bench: Bench) -> None:
    beat = {"mark-spacing": "even", "head-pauses": "halts", "halts-in-time": "steady"}
    chance = {"mark-spacing": "uneven", "head-pauses": "halts", "halts-in-time": "no-beat", "marks-line-up": "scattered"}
    assert bench.first(ON_CARD | beat) == "checkpoint-stalls"
    assert bench.first(ON_CARD | chance, card_state="old-or-full") == "slow-card"
    assert bench.shares(ON_CARD | beat)["slow-card"] < 0.02


def test_another_card_that_prints_clean_convicts_the_card_and_one_that_does_not_acquits_it(bench: Bench) -> None:
    chance = ON_CARD | {"mark-spacing": "uneven"}
    before = bench.shares(chance)["slow-card"]
    assert bench.first(chance, with_other_card="clean") == "slow-card"
    assert bench.shares(chance, with_other_card="unchanged")["slow-card"] < before / 5


# Cable


def test_a_long_poor_cable_causes_blobs_that_a_short_good_one_cures(bench: Bench) -> None:
    long, short = (bench.shares(OVER_CABLE, cable_run=run) for run in ("long-or-noisy", "short-and-firm"))
    assert long["cable-resends"] > 3 * short["cable-resends"]
    before = bench.shares(OVER_CABLE, cable_run="long-or-noisy")["cable-resends"]
    cured = bench.shares(OVER_CABLE, cable_run="long-or-noisy", with_other_cable="clean")
    assert next(iter(cured)) == "cable-resends"
    assert cured["cable-resends"] > max(0.8, before)
    still = bench.shares(OVER_CABLE, cable_run="long-or-noisy", with_other_cable="unchanged")
    assert still["cable-resends"] < before / 5


def test_the_cure_of_a_poor_cable_is_a_better_one(bench: Bench) -> None:
    k = bench.knowledge
    first = k.remedies[k.causes["cable-resends"].remedies[0]]
    assert "short" in first.do
    assert "cable" in first.do
    tried = {k.tests[t].question for t in k.causes["cable-resends"].confirm}
    assert "with-other-cable" in tried


def test_a_cable_is_no_suspect_where_the_card_feeds_the_job(bench: Bench) -> None:
    shares = bench.shares(BLOBS, fed_by="card", mark_spacing="uneven")
    assert shares["cable-resends"] < 0.01
    assert shares["host-latency"] < 0.01


# Checkpoints


def test_switching_off_checkpoints_cures_checkpoint_stalls_and_nothing_else(bench: Bench) -> None:
    beat = ON_CARD | {"mark-spacing": "even"}
    cured = bench.shares(beat, without_checkpoints="clean")
    assert next(iter(cured)) == "checkpoint-stalls"
    assert cured["checkpoint-stalls"] > DECIDED
    unchanged = bench.shares(beat, without_checkpoints="unchanged")
    assert unchanged["checkpoint-stalls"] < bench.shares(beat)["checkpoint-stalls"] / 5


def test_switching_off_checkpoints_costs_resume_and_a_battery_backup_keeps_both(bench: Bench) -> None:
    k = bench.knowledge
    offered = [k.remedies[r] for r in k.causes["checkpoint-stalls"].remedies]
    off = next(r for r in offered if re.search(r"\bresume\b", r.name) and "off" in r.name)
    battery = next(r for r in offered if "battery" in r.name)
    assert "power cut" in (off.gives_up or "")
    assert "battery" in (off.gives_up or "").lower()
    assert "power cut" not in (battery.gives_up or "")
    assert "checkpoints off" in battery.do
    assert off.money == 0 < battery.money
    assert min(off.sure.value, battery.sure.value) >= DECIDED
    assert offered.index(off) < offered.index(battery)


def test_a_beat_convicts_checkpoints_only_where_they_are_saved(bench: Bench) -> None:
    for beat in (ON_CARD | {"mark-spacing": "even"}, ON_CARD | {"halts-in-time": "steady", "head-pauses": "halts"}):
        on = bench.shares(beat)
        assert next(iter(on)) == "checkpoint-stalls"
        with_it, without = on["checkpoint-stalls"], bench.shares(beat | {"resume-feature": "off"})["checkpoint-stalls"]
        assert with_it > 0.8
        assert without < 0.5
        assert without / (1 - without) < with_it / (1 - with_it) / 10
