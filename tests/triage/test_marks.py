"""Marks on a case: they enter last, weigh exactly, replace what eyes judged, and follow job, printer and undo."""

from __future__ import annotations

import json
import math
from pathlib import Path

import numpy as np
import pytest

from diagnose.cases.book import Casebook
from diagnose.errors import BadInput
from diagnose.knowledge.models import Leaves
from diagnose.knowledge.pack import Knowledge
from diagnose.marks.model import Ask
from diagnose.reasoning.network import Network, compile_network
from diagnose.triage import Triage, knowledge_from
from diagnose.triage.contract import rank_json
from diagnose.triage.marks import ask_of, asks, joined, packed, said, trains_of, unpacked
from diagnose.triage.marks_contract import OUTPUT, PUBLISHED, schema_text
from tests.triage.handmade import MARKS, marks_at, report, told

STALLS, SCREW = "checkpoint-stalls", "lead-screw-wobble"


@pytest.fixture(scope="module")
def knowledge() -> Knowledge:
    return knowledge_from()


@pytest.fixture(scope="module")
def network(knowledge: Knowledge) -> Network:
    return compile_network(knowledge)


@pytest.fixture
def triage(knowledge: Knowledge, network: Network) -> Triage:
    return Triage(knowledge, network=network)


def with_job(triage: Triage, path: str = "part.gcode") -> Triage:
    triage.record({"do": "job", "job": {"path": path, "printer": triage.case.printer, "findings": []}})
    return triage


def odds(triage: Triage, cause: str) -> float:
    share = next(s.probability for s in triage.ranking() if s.id == cause)
    return 10 * math.log10(share / (1 - share))


def test_the_ledger_with_marks_sums_to_the_log_odds_and_marks_are_its_last_line(triage: Triage, knowledge: Knowledge) -> None:
    triage.answer("defect", "blobs")
    triage.answer("fed-by", "card")
    with_job(triage)
    triage.put_marks(MARKS, told(knowledge, {STALLS: 38.0, SCREW: -6.0}))
    for cause in knowledge.causes:
        lines = triage.ledger(cause)
        assert lines[-1].source == "marks"
        assert [line.source for line in lines].count("marks") == 1
        assert sum(line.decibans for line in lines) == pytest.approx(odds(triage, cause), abs=1e-9)
    assert sum(s.probability for s in triage.ranking()) + triage.unexplained == pytest.approx(1.0, abs=1e-12)


def test_marks_multiply_the_odds_by_what_they_say_and_leave_causes_that_ask_nothing_among_themselves(
    triage: Triage, knowledge: Knowledge
) -> None:
    silent = [c.id for c in knowledge.causes.values() if c.leaves is None or c.leaves.anywhere]
    before = {s.id: s.probability for s in triage.ranking()}
    rest = triage.unexplained
    with_job(triage).put_marks(MARKS, told(knowledge, {STALLS: 20.0}))
    after = {s.id: s.probability for s in triage.ranking()}
    assert after[STALLS] / after[silent[0]] == pytest.approx(100 * before[STALLS] / before[silent[0]])
    for cause in silent:
        assert after[cause] / triage.unexplained == pytest.approx(before[cause] / rest)
    (line,) = [line for line in triage.ledger(STALLS) if line.source == "marks"]
    # Good's weight: against all others, of which none moved.
    assert line.decibans == pytest.approx(20.0, abs=1e-9)
    assert line.say == "12 of 14 marks lie at stops by saves"


def test_the_sentence_of_a_beat_names_hits_and_period(knowledge: Knowledge) -> None:
    beat = Ask(every="time", low=5.0, high=120.0)
    assert said(report({beat: 36.0}), beat, 36.0) == "13 of 14 marks fall on one 5.00 s beat"
    assert said(report({beat: -8.0}), beat, -8.0) == "the marks keep no beat of 5 to 120 s in time"
    nowhere = Ask(at="seams")
    assert "has no seams there" in said(report({nowhere: 0.0}), nowhere, 0.0)
    few = report({beat: 0.0}, marks_at([1.0, 2.0, 3.0]))
    assert "too few" in said(few, beat, 0.0)


def test_judged_answers_sleep_once_four_marks_are_placed_and_say_so(triage: Triage, knowledge: Knowledge) -> None:
    triage.answer("defect", "blobs")
    triage.answer("mark-spacing", "uneven")
    with_job(triage)
    measured = {q.id for q in knowledge.questions.values() if q.measured_by == "marks"}
    assert len(measured) >= 5
    asked = {s.id for s in triage.next_steps()}
    assert asked & measured
    triage.put_marks(MARKS, told(knowledge, {STALLS: 30.0}))
    (spacing,) = [g for g in triage.given() if g.id == "mark-spacing"]
    assert (spacing.counts, spacing.why) == (False, "the marks measure it")
    assert not {s.id for s in triage.next_steps()} & measured
    assert "mark-spacing" not in [line.id for line in triage.ledger(STALLS)]
    few = marks_at([41.0, 42.0, 43.0])
    triage.put_marks(few, told(knowledge, {STALLS: 30.0}, marks=few))
    assert next(g for g in triage.given() if g.id == "mark-spacing").counts
    assert all(line.source != "marks" for line in triage.ledger(STALLS))
    (given,) = [g for g in triage.given() if g.source == "marks"]
    assert not given.counts and "fewer than 4" in given.why


def test_marks_wait_for_the_job_and_follow_detach_and_undo(
    tmp_path: Path, knowledge: Knowledge, network: Network, monkeypatch: pytest.MonkeyPatch
) -> None:
    book = Casebook(tmp_path)
    triage = Triage.start(knowledge, book, "", network)
    at_first = odds(triage, STALLS)
    assert triage.weigh(MARKS) is None
    triage.put_marks(MARKS)
    (given,) = [g for g in triage.given() if g.source == "marks"]
    assert not given.counts and "wait for the job file" in given.why
    assert any("The marks count for nothing yet" in doubt for doubt in triage.doubts())
    assert odds(triage, STALLS) == at_first
    weighed = told(knowledge, {STALLS: 30.0})
    triage.record({"do": "job", "job": {"path": "a", "printer": None, "findings": []}, "weighed": weighed})
    assert odds(triage, STALLS) > at_first + 20
    again = Triage.resume(knowledge, book, triage.case.id, network)
    assert odds(again, STALLS) == odds(triage, STALLS)
    np.testing.assert_allclose(again.marks.angle, MARKS.angle)  # type: ignore[union-attr]
    triage.detach()
    assert odds(triage, STALLS) == pytest.approx(at_first) and triage.case.marks is not None
    assert triage.undo() and odds(triage, STALLS) > at_first + 20
    assert triage.undo() and odds(triage, STALLS) == pytest.approx(at_first)
    assert triage.undo() and triage.case.marks is None


def test_a_job_attached_without_weighing_makes_old_weights_sleep(triage: Triage, knowledge: Knowledge) -> None:
    with_job(triage).put_marks(MARKS, told(knowledge, {STALLS: 30.0}))
    with_job(triage, "another.gcode")
    assert triage.weighed is None
    assert "attach it again" in next(g.why for g in triage.given() if g.source == "marks")


def test_another_printer_is_told(triage: Triage, knowledge: Knowledge) -> None:
    with_job(triage).put_marks(MARKS, told(knowledge, {STALLS: 30.0}))
    triage.choose_printer("board-memory-card")
    assert any("attach it again" in doubt for doubt in triage.doubts())


def test_measuring_competes_while_something_could_be_judged_by_eye_and_costs_more_without_a_job(
    triage: Triage, knowledge: Knowledge
) -> None:
    assert "marks" not in {s.kind for s in triage.next_steps()}
    triage.answer("defect", "blobs")
    (step,) = [s for s in triage.next_steps() if s.kind == "marks"]
    assert (step.effort, step.minutes) == ("measure", 11.0) and step.bits > 0.3
    with_job(triage)
    (step,) = [s for s in triage.next_steps() if s.kind == "marks"]
    assert step.minutes == 8.0
    triage.put_marks(MARKS, told(knowledge, {STALLS: 30.0}))
    assert "marks" not in {s.kind for s in triage.next_steps()}


def test_gains_of_questions_use_the_posterior_with_marks(triage: Triage, knowledge: Knowledge) -> None:
    triage.answer("defect", "blobs")
    with_job(triage)
    before = {s.id: s.bits for s in triage.next_steps()}
    triage.put_marks(MARKS, told(knowledge, {STALLS: 8.0}))
    after = {s.id: s.bits for s in triage.next_steps()}
    common = before.keys() & after.keys() - {"danger-signs"}
    assert common and all(after[id] != before[id] for id in common)


def test_marks_survive_the_journal_and_broken_ones_are_left_out(tmp_path: Path, knowledge: Knowledge, network: Network) -> None:
    back = unpacked(json.loads(json.dumps(packed(MARKS))))
    for name in ("height", "angle", "x", "height_err", "place_err", "row"):
        np.testing.assert_allclose(getattr(back, name), getattr(MARKS, name), atol=1e-6)
    for broken in ({}, {"row": [1, 2], "height": [1.0]}, {"row": [1], "height": [1.0]}):
        with pytest.raises(ValueError, match="marks"):
            unpacked(broken)
    triage = Triage.start(knowledge, Casebook(tmp_path), "", network)
    triage.record({"do": "marks", "marks": {"columns": {"row": "x"}}, "weighed": {"evidence": 3}})
    assert triage.marks is None and triage.weighed is None
    assert len(triage.ranking()) == len(knowledge.causes)
    triage.journal.path.write_text('{"do": "start"}\n{"do": "marks", "marks": 3}\n')  # type: ignore[union-attr]
    with pytest.raises(BadInput, match="not an event"):
        Triage.resume(knowledge, Casebook(tmp_path), triage.case.id, network)


def test_marks_joined_are_numbered_on() -> None:
    both = joined(marks_at([1.0, 2.0]), marks_at([3.0], [40.0]))
    assert both.height.tolist() == [1.0, 2.0, 3.0] and both.row.tolist() == [1, 2, 3]


def test_what_causes_ask_follows_their_leaves(knowledge: Knowledge) -> None:
    assert ask_of(None) is None
    assert ask_of(Leaves(anywhere=True)) is None
    assert ask_of(Leaves(at="seams")) == Ask(at="seams")
    assert ask_of(Leaves(every="time", from_s=5, to_s=120)) == Ask(every="time", low=5.0, high=120.0)
    assert ask_of(Leaves(every="layer")) == Ask(every="layer")
    with pytest.raises(ValueError, match="period in s to height"):
        Leaves(every="height", from_s=5, to_s=120)
    assert set(asks(knowledge)) == {c.id for c in knowledge.causes.values() if c.leaves and not c.leaves.anywhere}


def test_the_drive_of_a_card_is_handed_over_by_name(knowledge: Knowledge) -> None:
    trains = trains_of(knowledge.printers["board-memory-card"])
    assert trains.keys() >= {"z_lead_mm", "belt_pitch_mm", "pulley_teeth", "feeder_turn_mm"}
    assert trains_of(None) == {}


def test_rank_shows_the_marks_and_the_published_schema_holds(triage: Triage, knowledge: Knowledge) -> None:
    assert rank_json(triage)["marks"] is None
    with_job(triage).put_marks(MARKS, told(knowledge, {STALLS: 30.0}, off=(6,)))
    got = json.loads(json.dumps(rank_json(triage), allow_nan=False))
    assert (got["marks"]["marks"], got["marks"]["placed"], got["marks"]["counts"]) == (14, 13, True)
    assert got["causes"][0]["ledger"][-1]["source"] == "marks"
    OUTPUT.validate_python(got["marks"]["weighed"])
    assert PUBLISHED.read_text() == schema_text()


def test_rules_that_ask_more_than_was_weighed_say_so(triage: Triage, knowledge: Knowledge) -> None:
    weighed = told(knowledge, {STALLS: 30.0})
    weighed["evidence"] = weighed["evidence"][:2]
    with_job(triage).put_marks(MARKS, weighed)
    assert any("attach the job file again" in doubt for doubt in triage.doubts())
