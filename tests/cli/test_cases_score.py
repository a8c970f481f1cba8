"""``diagnose cases score`` on invented cases."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from diagnose.knowledge.builtin import casebook_folder
from tests.cli.run import run

CASES = """
cases:
  - {id: I1, source: invented, answers: {defect: strings, popping: "yes", strings-look: fuzzy}, cause: wet-filament}
  - {id: I2, source: invented, answers: {defect: strings, popping: "yes", strings-look: fuzzy}, cause: lead-screw-wobble}
  - {id: I3, source: invented, answers: {defect: bands, screw-pitch-match: matches}, cause: lead-screw-wobble}
  - {id: I4, source: a letter, answers: {defect: bands}, cause: moon-phase}
"""


@pytest.fixture
def solved(tmp_path: Path) -> Path:
    (tmp_path / "four.yaml").write_text(CASES)
    return tmp_path


def test_the_agreed_keys_are_there_and_say_what_was_found(
    capsys: pytest.CaptureFixture[str], solved: Path
) -> None:
    got = run(capsys, "cases", "score", solved, "--json").json
    assert {"cases", "first", "within3", "within5", "brier", "bits_per_case"} <= set(got)
    assert (got["cases"], got["first"], got["within3"]) == (4, 0.5, 0.5)
    assert got["counts"] == {"first": 2, "within3": 2, "within5": 2}
    assert got["intervals"]["first"] == [pytest.approx(0.1500, abs=1e-4), pytest.approx(0.8500, abs=1e-4)]
    assert [m["id"] for m in got["missed"]] == ["I2", "I4"]
    assert got["missed"][0]["winner"] == "wet-filament"
    assert got["missed"][1]["place"] is None
    assert 0 < got["brier"] < 2
    assert sum(b["shares"] for b in got["calibration"]) % got["cases"] == 0


def test_the_page_names_the_missed_and_what_won(capsys: pytest.CaptureFixture[str], solved: Path) -> None:
    page = run(capsys, "cases", "score", solved).out
    words = " ".join(page.split())
    assert "4 solved cases" in words
    assert "first 2 50 % (15 to 85 %)" in words
    assert "Brier score" in words
    assert "I2: lead-screw-wobble is number" in words
    assert "first is wet-filament" in words
    assert "I4: moon-phase is not in the rules" in words
    assert "[a letter]" in words
    assert max(map(len, page.splitlines())) <= 100
    short = run(capsys, "cases", "score", solved, "--quiet").out
    assert "I2" not in short
    assert "within five" in short


def test_parts_hold_every_case_once(capsys: pytest.CaptureFixture[str], solved: Path) -> None:
    got = run(capsys, "cases", "score", solved, "--json", "--folds", 5).json
    assert len(got["folds"]) == 5
    assert sum(part["cases"] for part in got["folds"]) == 4
    assert sum(part["counts"]["first"] for part in got["folds"]) == 2
    page = run(capsys, "cases", "score", solved, "--folds", 2).out.splitlines()
    assert [line.split()[:1] for line in page[-2:]] == [["1"], ["2"]]
    assert run(capsys, "cases", "score", solved, "--folds", 1).code == 2


def test_without_a_folder_the_user_s_casebook_is_scored_and_while_that_is_empty_the_project_s(
    capsys: pytest.CaptureFixture[str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "data"))
    seen = run(capsys, "cases", "score")
    assert seen.code == 0 and re.match(r"3\d solved cases, ", seen.out)
    own = tmp_path / "data" / "diagnose" / "casebook"
    own.mkdir(parents=True)
    for name in ("lid-with-hairs", "small-holes", "seam-is-normal"):
        (own / f"{name}.yaml").write_text((casebook_folder() / f"{name}.yaml").read_text())
    seen = run(capsys, "cases", "score")
    assert seen.out.startswith("2 solved cases, ") and "each case left out in its turn" in seen.out
    told = run(capsys, "cases", "score", "--json").json
    assert told["cases"] == told["learnt"]["cases"] == 2 and told["work"]["answers"] > 5
    assert {"reliability", "resolution", "uncertainty", "within"} == set(told["brier_parts"])
    assert run(capsys, "cases", "score", "--casebook", tmp_path / "none").code == 2


def test_a_bad_case_is_told_with_its_line(capsys: pytest.CaptureFixture[str], solved: Path) -> None:
    file = solved / "four.yaml"
    file.write_text(CASES.replace("popping", "poping"))
    seen = run(capsys, "cases", "score", solved)
    assert seen.code == 2
    assert f"{file}:3: I1: there is no question 'poping'" in seen.err
    assert "did you mean 'popping'?" in seen.err
    assert run(capsys, "cases", "score", solved / "gone").code == 2


def test_a_solved_case_can_be_ranked_as_it_is(capsys: pytest.CaptureFixture[str], solved: Path) -> None:
    file = solved / "one.yaml"
    file.write_text("id: I9\nsource: invented\ncause: wet-filament\nanswers: {defect: strings, popping: 'yes'}\n")
    assert run(capsys, "rank", file).code == 0
