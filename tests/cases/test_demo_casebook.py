"""The invented cases that come with the program: whole, marked as invented, from all over the trade."""

from __future__ import annotations

from pathlib import Path

import pytest

from diagnose.cases.record import Record, read_record
from diagnose.cases.solved import read_solved
from diagnose.knowledge.builtin import casebook_folder, rules_folder
from diagnose.knowledge.check import load_checked
from diagnose.knowledge.pack import Knowledge
from diagnose.triage import Triage

FILES = sorted(casebook_folder().glob("*.yaml"))


@pytest.fixture(scope="module")
def rules() -> Knowledge:
    return load_checked([rules_folder()])


def records() -> list[Record]:
    return [read_record(file) for file in FILES]


def test_there_are_thirty_at_least_of_many_families_and_some_with_nothing_wrong(rules: Knowledge) -> None:
    found = records()
    assert len(found) >= 30
    families = {rules.causes[r.cause].family for r in found if r.cause}
    assert len(families) >= 7
    assert sum(r.outcome == "nothing-wrong" for r in found) >= 3


@pytest.mark.parametrize("file", FILES, ids=lambda f: f.stem)
def test_each_is_marked_as_invented_and_goes_with_the_rules(rules: Knowledge, file: Path) -> None:
    record = read_record(file)
    assert record.source == "invented" and "nvented" in file.read_text().splitlines()[0]
    assert record.id == file.stem
    triage = Triage(rules)
    for question, answers in record.answers.items():
        triage.answer(question, *answers)
    assert record.cause is None or record.cause in rules.causes
    assert set(record.tried) <= set(rules.remedies)
    if record.remedy:
        assert record.remedy in rules.causes[record.cause or ""].remedies


def test_those_with_a_cause_can_be_scored(rules: Knowledge) -> None:
    solved = read_solved(casebook_folder())
    assert {placed.case.id for placed in solved} == {r.id for r in records() if r.cause}
