"""``rank``: facts in, ranking out; bad facts told plainly, with nothing written."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.cli.run import run

FACTS = ("--answer", "defect=blobs", "--answer", "mark-spacing=even", "--answer", "fed-by=card")


def test_json_has_the_agreed_keys_and_sums(capsys: pytest.CaptureFixture[str]) -> None:
    got = run(capsys, "rank", *FACTS, "--json").json
    assert {"causes", "next", "conflict", "unexplained", "answers", "warnings"} <= set(got)
    assert sum(c["probability"] for c in got["causes"]) + got["unexplained"] == pytest.approx(1.0, abs=1e-9)
    first = got["causes"][0]
    assert {"id", "name", "probability", "ledger", "confirm", "remedies"} <= set(first)
    assert [line["source"] for line in first["ledger"]] == ["rate", "question", "question", "question"]
    assert {"source", "id", "answer", "decibans", "because"} <= set(first["ledger"][0])
    assert {"id", "bits", "effort", "tells_apart"} <= set(got["next"][0])
    assert set(got["conflict"]) == {"score", "answers"}
    assert [a["id"] for a in got["answers"]] == ["defect", "mark-spacing", "fed-by"]


def test_a_file_of_answers_and_options_over_it(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    facts = tmp_path / "facts.yaml"
    facts.write_text("answers:\n  defect: strings\n  mark-spacing: even\n  resume-feature: on\n  popping: unknown\n")
    got = run(capsys, "rank", facts, "--answer", "defect=blobs", "--json").json
    said = {a["id"]: a["answer"] for a in got["answers"]}
    assert said == {"defect": ["blobs"], "mark-spacing": ["even"], "resume-feature": ["on"], "popping": []}


def test_the_text_shows_ranking_ledger_test_and_next(capsys: pytest.CaptureFixture[str]) -> None:
    out = run(capsys, "rank", *FACTS).out
    for words in ("Suspects", "Why ", "together", "To confirm it", "Worth looking at next", "not in the rules"):
        assert words in out
    assert all(len(line) <= 110 for line in out.splitlines())


@pytest.mark.parametrize(
    ("arguments", "words", "hint"),
    [
        (("--answer", "defect=blubs"), "no answer 'blubs'", "did you mean 'blobs'?"),
        (("--answer", "defekt=blobs"), "no question 'defekt'", "did you mean 'defect'?"),
        (("--answer", "defect"), "is not an answer", "question=answer"),
        (("--answer", "defect=blobs", "--answer", "defect=strings"), "takes one answer", "keep one of"),
        (("--job", "nowhere.gcode"), "nowhere.gcode", ""),
        (("nowhere.yaml",), "cannot be read", "check the path"),
        (("--printer", "bord"), "no printer card 'bord'", ""),
        (("--rules", "nowhere"), "no such folder of rules", ""),
        (("--why", "wet"), "no cause 'wet'", ""),
    ],
)
def test_bad_use_is_told_with_a_hint_and_exit_2(
    capsys: pytest.CaptureFixture[str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch,
    arguments: tuple[str, ...], words: str, hint: str,
) -> None:  # fmt: skip
    monkeypatch.chdir(tmp_path)
    seen = run(capsys, "rank", *arguments)
    assert seen.code == 2
    assert words in seen.err
    assert "hint: " in seen.err
    assert hint in seen.err
    assert seen.out == ""
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("answers:\n  defect: [\n", ":3: is not valid YAML"),
        ("- defect\n", "holds no answers"),
        ("answer:\n  defect: blobs\n", "did you mean 'answers'?"),
        ("answers:\n  defect:\n", ":2: 'defect' has no answer"),
        ("answers: blobs\n", "`answers` holds no answers"),
    ],
)
def test_a_bad_file_of_answers_is_told_with_its_line(
    capsys: pytest.CaptureFixture[str], tmp_path: Path, text: str, words: str
) -> None:
    facts = tmp_path / "facts.yaml"
    facts.write_text(text)
    seen = run(capsys, "rank", facts)
    assert seen.code == 2
    assert words in seen.err


def test_an_unknown_command_is_told(capsys: pytest.CaptureFixture[str]) -> None:
    seen = run(capsys, "rnak")
    assert seen.code == 2
    assert "did you mean 'rank'?" in seen.err
