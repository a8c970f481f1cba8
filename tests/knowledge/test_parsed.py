"""A rule file that did not change is not parsed again, and whatever becomes of the record costs a parse only."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
import yaml

from diagnose.knowledge import parsed, reader
from diagnose.knowledge.pack import load

ENTRY = "  - id: s{n}\n    cite: Number {n} of a long list of invented sources, so that the file is worth a record\n"
TEXT = "sources:\n" + "".join(ENTRY.format(n=n) for n in range(60))


@pytest.fixture
def file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setattr(parsed, "cache", lambda of: tmp_path / "cache" / of)
    path = tmp_path / "rules" / "a.yaml"
    path.parent.mkdir()
    path.write_text(TEXT)
    return path


def fresh(file: Path) -> tuple[reader.Document, list[reader.Problem]]:
    """Read a file as a new process would."""
    reader._understood.cache_clear()
    return reader.read(file)


def count_parses(monkeypatch: pytest.MonkeyPatch) -> list[int]:
    parses: list[int] = []
    compose = yaml.compose

    def counting(text: str, Loader: Any) -> Any:
        parses.append(1)
        return compose(text, Loader=Loader)

    monkeypatch.setattr(reader.yaml, "compose", counting)
    return parses


def test_the_second_process_does_not_parse_and_sees_the_same(file: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    parses = count_parses(monkeypatch)
    first, problems = fresh(file)
    again, _ = fresh(file)
    assert problems == [] and len(parses) == 1
    assert again.data == first.data
    assert again.place(("sources", 7)) == first.place(("sources", 7)) == (16, 5)
    assert len(parses) == 1
    # What the record does not hold is looked up in the file itself.
    assert again.place(("sources", 7, "cite")) == first.place(("sources", 7, "cite")) == (17, 11)
    assert len(parses) == 2


def test_a_changed_file_is_read_anew(file: Path) -> None:
    fresh(file)
    file.write_text(TEXT.replace("id: s7\n", "id: seven\n"))
    assert fresh(file)[0].data["sources"][7]["id"] == "seven"


@pytest.mark.parametrize("damage", [b"", b"{", b"[]", b'{"format": 1}', b"\xff", b"[" * 100_000])
def test_a_damaged_record_is_passed_over(file: Path, tmp_path: Path, damage: bytes) -> None:
    fresh(file)
    (record,) = (tmp_path / "cache" / "rules").iterdir()
    record.write_bytes(damage)
    document, problems = fresh(file)
    assert problems == [] and len(document.data["sources"]) == 60


def test_a_file_with_a_fault_leaves_no_record_and_the_fault_is_told_each_time(file: Path, tmp_path: Path) -> None:
    file.write_text(TEXT + "sources: []\n")
    for _ in range(2):
        document, problems = fresh(file)
        assert document.data is None and len(problems) == 1
    assert not (tmp_path / "cache").exists()


def test_without_a_place_to_write_all_works(file: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "cache").write_text("a file where a folder should be")
    assert len(fresh(file)[0].data["sources"]) == 60


def test_records_do_not_pile_up(file: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(parsed, "MOST_RECORDS", 4)
    for number in range(12):
        other = file.with_name(f"b{number}.yaml")
        other.write_text(TEXT)
        fresh(other)
    assert len(list((tmp_path / "cache" / "rules").iterdir())) <= 4


def test_a_fault_inside_an_entry_of_a_remembered_file_has_its_place(file: Path) -> None:
    file.write_text(TEXT + "  - id: Bad Id\n    cite: x\n")
    for _ in range(2):
        reader._understood.cache_clear()
        _, (problem,) = load([file])
        assert (problem.line, problem.column) == (122, 9)
