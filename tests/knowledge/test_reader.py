"""The YAML reader keeps every value as written and every place, and survives hostile files."""

from __future__ import annotations

from pathlib import Path

import pytest

from diagnose.knowledge.reader import Problem, read


def problems_of(tmp_path: Path, text: str | bytes) -> list[Problem]:
    path = tmp_path / "rules.yaml"
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    return read(path, "rules.yaml")[1]


def test_words_that_yaml_would_turn_into_other_things_stay_as_written(tmp_path: Path) -> None:
    path = tmp_path / "a.yaml"
    path.write_text("a: on\nb: no\nc: 12:30\nd: 1.0\ne: 2026-01-02\nf: ~\ng: '~'\nh:\n")
    data = read(path)[0].data
    assert data == {"a": "on", "b": "no", "c": "12:30", "d": "1.0", "e": "2026-01-02", "f": None, "g": "~", "h": None}


def test_every_value_knows_its_place(tmp_path: Path) -> None:
    path = tmp_path / "a.yaml"
    path.write_text("causes:\n  - id: x\n    evidence:\n      - {question: q, answer: a}\n")
    document, _ = read(path)
    assert document.place(("causes", 0, "id")) == (2, 9)
    assert document.place(("causes", 0, "id"), key=True) == (2, 5)
    assert document.place(("causes", 0, "evidence", 0, "answer")) == (4, 31)
    # A field that is not there is told at the entry it is missing from.
    assert document.place(("causes", 0, "evidence", 0, "because")) == (4, 9)


@pytest.mark.parametrize(
    ("text", "line", "words"),
    [
        ("a: 1\na: 2\n", 2, "given twice (first on line 1)"),  # the later one would win silently
        ("a:\n\t- b\n", 2, "not valid YAML"),  # a tab for indentation
        (b"a: \xff\xfe\n", 1, "not UTF-8"),
        ("a: !!python/object:os.system x\n", 1, "builds something else"),
        ("a: !secret x\n", 1, "builds something else"),
        ("a: &a [*a]\n", 1, "refers to itself"),
        ("a: [1, 2\n", 2, "not valid YAML"),
        ("? [1]\n: 2\n", 1, "where a key should"),
        ("a: 1\n---\nb: 2\n", 2, "not valid YAML"),
    ],
)
def test_a_broken_file_is_told_with_its_line(tmp_path: Path, text: str | bytes, line: int, words: str) -> None:
    (problem,) = problems_of(tmp_path, text)
    assert words in problem.what
    assert problem.line == line
    assert problem.instead


def test_aliases_that_explode_are_refused_at_once(tmp_path: Path) -> None:
    lines = ["a0: &a0 [x, x]"] + [f"a{i}: &a{i} [{', '.join([f'*a{i - 1}'] * 9)}]" for i in range(1, 12)]
    (problem,) = problems_of(tmp_path, "\n".join(lines))
    assert "aliases expand" in problem.what


def test_an_enormous_file_is_refused_unread(tmp_path: Path) -> None:
    (problem,) = problems_of(tmp_path, b"a: " + b"x" * 9_000_000)
    assert "bytes long" in problem.what


def test_a_missing_file_is_a_problem_and_not_a_traceback(tmp_path: Path) -> None:
    document, problems = read(tmp_path / "none.yaml")
    assert document.data is None
    assert "cannot be read" in problems[0].what


def test_a_file_nested_without_end_is_told(tmp_path: Path) -> None:
    (problem,) = problems_of(tmp_path, "[" * 5000)
    assert "nest" in problem.what
