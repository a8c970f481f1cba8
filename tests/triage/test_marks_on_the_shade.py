"""Marks that the simulator leaves on the invented lamp shade, all the way to the ranking."""

from __future__ import annotations

import math
from collections.abc import Callable
from pathlib import Path

import pytest

from diagnose.coupons.spiral import lamp_shade, write
from diagnose.knowledge.pack import Knowledge
from diagnose.marks.model import Marks
from diagnose.marks.simulate import Anywhere, At, Beat, Fault, simulate
from diagnose.reasoning.network import Network, compile_network
from diagnose.toolpath.job import Job, read_job
from diagnose.triage import Triage, card, knowledge_from, machine_of

CARD = "board-memory-card"
STALLS, SCREW = "checkpoint-stalls", "lead-screw-wobble"


@pytest.fixture(scope="module")
def knowledge() -> Knowledge:
    return knowledge_from()


@pytest.fixture(scope="module")
def network(knowledge: Knowledge) -> Network:
    return compile_network(knowledge)


@pytest.fixture(scope="module")
def path(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("jobs") / "shade.gcode"
    path.write_text(write(lamp_shade()))
    return path


@pytest.fixture(scope="module")
def job(path: Path, knowledge: Knowledge) -> Job:
    return read_job(path, machine_of(card(knowledge, CARD)))


@pytest.fixture
def case(knowledge: Knowledge, network: Network, job: Job) -> Callable[[Fault, int], Triage]:
    """A case with the job and the marks of a fault on it, and nothing answered."""

    def make(fault: Fault, seed: int) -> Triage:
        triage = Triage(knowledge, network=network)
        triage.choose_printer(CARD)
        triage.attach(job)
        marks = simulate(job, fault, seed)
        triage.put_marks(marks, triage.weigh(marks), "invented")
        return triage

    return make


def marks_line(triage: Triage, cause: str) -> float:
    (line,) = [line.decibans for line in triage.ledger(cause) if line.source == "marks"]
    return line


@pytest.mark.parametrize("seed", range(4))
def test_marks_of_saves_put_stalls_at_saves_first_with_the_spacing_unanswered(
    case: Callable[[Fault, int], Triage], seed: int
) -> None:
    triage = case(At("checkpoint-stops"), seed)
    assert triage.ranking()[0].id == STALLS
    assert marks_line(triage, STALLS) > 5.0


@pytest.mark.parametrize("seed", range(4))
def test_marks_of_the_cards_lead_screw_put_the_screw_first(
    case: Callable[[Fault, int], Triage], knowledge: Knowledge, seed: int
) -> None:
    lead = knowledge.printers[CARD].drive.z_lead_mm.value
    triage = case(Beat("height", lead), seed)
    triage.answer("defect", "bands")  # what such a screw is seen by
    assert triage.ranking()[0].id == SCREW
    assert marks_line(triage, SCREW) > 10.0


def test_scattered_marks_hardly_ever_raise_either_by_more_than_three_decibans(case: Callable[[Fault, int], Triage]) -> None:
    """Chance may lend two to one to one part in two at most, and ten to one to one in ten; in truth to one in ten and twenty."""
    rises = []
    for seed in range(60):
        triage = case(Anywhere(), seed)
        with_marks = {s.id: s.probability for s in triage.ranking()}
        triage.drop_marks()
        without = {s.id: s.probability for s in triage.ranking()}
        rises.append(max(odds(with_marks[cause]) - odds(without[cause]) for cause in (STALLS, SCREW)))
    assert sum(rise > 3.0 for rise in rises) <= 6, rises
    assert sum(rise > 10.0 for rise in rises) <= 3, rises
    assert sorted(rises)[30] <= 1.0, rises


def odds(share: float) -> float:
    return 10 * math.log10(share / (1 - share))


def test_marks_typed_before_the_job_is_attached_are_weighed_when_it_comes(
    knowledge: Knowledge, network: Network, job: Job, path: Path
) -> None:
    marks = simulate(job, At("checkpoint-stops"), 1)
    early = Triage(knowledge, network=network)
    early.choose_printer(CARD)
    early.put_marks(marks, early.weigh(marks))
    assert early.weighed is None
    early.attach(job)  # the journal rounds marks to 1e-6, which may move the region by a sample point
    late = Triage(knowledge, network=network)
    late.choose_printer(CARD)
    late.attach(job)
    late.put_marks(marks, late.weigh(marks))
    assert early.ledger(STALLS)[-1].decibans == pytest.approx(late.ledger(STALLS)[-1].decibans, abs=0.5)


def test_a_resumed_case_reads_itsjob_again_to_weigh_more_marks(
    knowledge: Knowledge, network: Network, job: Job
) -> None:
    triage = Triage(knowledge, network=network)
    triage.choose_printer(CARD)
    triage.attach(job)
    triage._job = None  # as another run of the program finds it
    marks: Marks = simulate(job, At("checkpoint-stops"), 1)
    told = triage.weigh(marks)
    assert told is not None and told["printer"] == CARD
    triage._job = job
    assert triage.weigh(marks) == told
