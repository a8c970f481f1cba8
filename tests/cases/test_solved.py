"""Solved cases as files: lists, single cases, and the mistakes people make in them."""

from __future__ import annotations

from pathlib import Path

import pytest

from diagnose.cases.solved import read_solved
from diagnose.errors import BadInput
from diagnose.knowledge.builtin import casebook_folder

TWO = """
cases:
  - id: R1
    source: letter of a friend
    answers: {defect: lumps, sound: [pops]}
    findings: {spiral: "yes"}
    cause: damp
    notes: Told at length
  - {id: R2, source: own print, answers: {defect: unknown}, cause: dusty}
"""
ONE = "id: R3\nsource: own print\nprinter: board-cable\nanswers:\n  defect: bands\ncause: damp\n"


def test_lists_and_single_cases_of_a_folder_are_read_in_the_order_of_their_files(tmp_path: Path) -> None:
    (tmp_path / "b.yaml").write_text(ONE)
    (tmp_path / "a.yaml").write_text(TWO)
    (tmp_path / "facts.yaml").write_text("answers: {defect: bands}\n")
    (tmp_path / "notes.txt").write_text("cases: []")
    found = read_solved(tmp_path)
    assert [p.case.id for p in found] == ["R1", "R2", "R3"]
    assert [p.where.rsplit("/", 1)[1] for p in found] == ["a.yaml:3", "a.yaml:9", "b.yaml:1"]
    assert found[0].case.answers == {"defect": ("lumps",), "sound": ("pops",)}
    assert found[0].case.findings == {"spiral": "yes"}
    assert found[2].case.printer == "board-cable"
    assert [p.case.id for p in read_solved(tmp_path / "b.yaml")] == ["R3"]


def test_the_project_s_own_casebook_holds_a_solved_case() -> None:
    assert {p.case.source for p in read_solved(casebook_folder())} == {"invented"}


@pytest.mark.parametrize(
    ("text", "what", "line"),
    [
        ("cases:\n  - {id: R1, answers: {defect: lumps}, cause: damp}\n", "`source` is missing", 2),
        ("cases:\n  - {id: R1, source: x, answers: {defect: lumps}}\n", "`cause` is missing", 2),
        ("cases:\n  - id: R1\n    source: x\n    answers: {}\n    cause: Damp!\n", "is not an id", 5),
        ("cases:\n  - id: R1\n    source: x\n    answers: {}\n    cause: damp\n    cuase: y\n", "`cuase` is not a field", 6),
        ("cases:\n  - id: R1\n    source: x\n    answers: lumps\n    cause: damp\n", "not a mapping", 4),
        ("cases: R1\n", "holds no list", 1),
        ("cases: []\nrules: x\n", "'rules' is not a field", 2),
        ("cases: []\n", "holds no solved case", 0),
        ("cases: [\n", "not valid YAML", 2),
        (TWO.replace("R2", "R1"), "R1: this id stands at", 9),
        ("answers: {defect: lumps}\n", "holds no solved case", 0),
    ],
)  # fmt: skip
def test_a_mistake_is_told_with_its_place(tmp_path: Path, text: str, what: str, line: int) -> None:
    file = tmp_path / "solved.yaml"
    file.write_text(text)
    with pytest.raises(BadInput) as told:
        read_solved(file)
    assert what in told.value.what
    assert told.value.where.startswith(f"{file}:{line}:" if line else str(file))
    assert told.value.hint


def test_a_folder_that_is_not_there_or_holds_no_case_is_told(tmp_path: Path) -> None:
    for folder, what in ((tmp_path / "gone", "no such folder"), (tmp_path, "no solved case")):
        with pytest.raises(BadInput, match=what):
            read_solved(folder)


def test_further_faults_are_counted(tmp_path: Path) -> None:
    (tmp_path / "s.yaml").write_text("cases:\n  - {id: R1}\n  - {id: R2, source: x, answers: {}, cause: damp}\n")
    with pytest.raises(BadInput, match=r"R1: .* \(and 2 more\)"):
        read_solved(tmp_path)
