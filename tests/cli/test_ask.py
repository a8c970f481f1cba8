"""``ask``: the interview from a pipe."""

from __future__ import annotations

from pathlib import Path

import pytest

from diagnose.cases.book import Casebook
from tests.cli.run import run


def test_answers_from_a_pipe_are_saved_and_ranked(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    seen = run(capsys, "ask", "--casebook", tmp_path, "--title", "shade", typed="1\n1\n0\nw\nr\nl\nd\nt\n?\nb\nq\n")
    assert seen.code == 0
    assert "Suspects" in seen.out
    assert "one bit halves the doubt" in " ".join(seen.out.split())
    (case,) = Casebook(tmp_path).cases()
    assert case.title == "shade"
    assert list(case.answers) == ["danger-signs", "defect"]
    again = run(capsys, "ask", "--casebook", tmp_path, "--case", case.id, typed="")
    assert again.code == 0
    assert "can't tell" in again.out


def test_nonsense_is_told_and_asked_again(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    seen = run(capsys, "ask", "--casebook", tmp_path, typed="banana\n99\n1 2\nj nowhere.gcode\np nobody\nb\nq\n")
    assert seen.code == 0
    assert seen.out.count("type a number from 0 to") == 2
    assert "takes one answer" in seen.out
    assert "nowhere.gcode" in seen.out
    assert "no printer card 'nobody'" in seen.out
    assert "nothing to take back" in seen.out
    (case,) = Casebook(tmp_path).cases()
    assert case.answers == {}


def test_the_interview_ends_by_itself(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    seen = run(capsys, "ask", "--casebook", tmp_path, typed="1\n1\n" + "0\n" * 150)
    assert seen.code == 0
    assert "Nothing more is worth asking." in seen.out


def test_danger_is_said_at_once(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    seen = run(capsys, "ask", "--casebook", tmp_path, typed="3\nq\n")
    assert "Make safe first" in seen.out


def test_an_unknown_case_is_told(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    seen = run(capsys, "ask", "--casebook", tmp_path, "--case", "../../etc/passwd")
    assert seen.code == 2
    assert "no case" in seen.err


def test_what_came_of_the_plan_is_recorded_undone_and_closes_the_case(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    lines = ["1", "7", "c", "c 99", "c banana", "c cooler-nozzle", "9", "3", "b", "c dry-filament", "1", "c", "q"]
    seen = run(capsys, "ask", "--casebook", tmp_path, typed="\n".join(lines) + "\n")
    assert seen.code == 0
    assert "1. Test: " in seen.out and "CAUTION: " in seen.out
    assert "the plan has no step 99" in seen.out and "there is no step 'banana'" in seen.out
    assert "type a number from 1 to 4" in seen.out
    assert seen.out.count("Cured by: Dry the filament [dry-filament]") == 2  # at once, and in the verdict
    assert "To confirm it" not in seen.out.split("Suspects")[-1]
    (case,) = Casebook(tmp_path).cases()
    assert case.tried == {"dry-filament": "cured"} and case.cured is not None
    again = run(capsys, "ask", "--casebook", tmp_path, "--case", case.id, typed="b\nc dry-filament\n2\nq\n")
    assert "Cured by" in again.out.splitlines()[2]
    (case,) = Casebook(tmp_path).cases()
    assert case.tried == {"dry-filament": "better"} and case.cured is None


def test_what_remains_after_a_cure_goes_on_as_a_case_of_its_own(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    typed = "1\n7\nc dry-filament\n4\n1\n13\nq\n"
    seen = run(capsys, "ask", "--casebook", tmp_path, "--title", "hook", typed=typed)
    assert seen.code == 0 and "What remains is case" in seen.out
    closed, rest = sorted(Casebook(tmp_path).cases(), key=lambda case: bool(case.follows))
    assert rest.follows == closed.id and closed.cured is not None and rest.cured is None
    assert closed.answers["defect"] == ("strings",) and rest.answers["defect"] == ("corners-lift",)
