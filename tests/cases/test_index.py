"""The index says what the files say, whatever happens to it or to them."""

from __future__ import annotations

import sqlite3
import time
from pathlib import Path

import pytest

from diagnose.cases import index as indexed
from diagnose.cases.index import Index
from diagnose.cases.record import Record, as_yaml


@pytest.fixture(autouse=True)
def cache(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setattr(indexed, "cache", lambda of: tmp_path / "cache" / of)
    return tmp_path / "cache" / "casebooks"


def put(folder: Path, id: str, **fields: object) -> Path:
    folder.mkdir(exist_ok=True)
    path = folder / f"{id}.yaml"
    said = {"id": id, "title": f"Print {id}", "closed": f"2026-01-{len(id):02}", "cause": "wet", "answers": {"look": ("a",)}, **fields}
    path.write_text(as_yaml(Record.model_validate(said)))
    return path


def ids(folder: Path) -> list[str]:
    return sorted(entry.id for entry in Index(folder).entries())


def test_new_changed_and_deleted_files_are_noticed(tmp_path: Path) -> None:
    book = tmp_path / "book"
    assert ids(book) == []
    put(book, "one")
    path = put(book, "two")
    assert ids(book) == ["one", "two"]
    time.sleep(0.01)
    put(book, "one", title="A new name for it")
    path.unlink()
    (entry,) = Index(book).entries()
    assert entry.case.title == "A new name for it"


def test_nothing_is_read_again_that_did_not_change(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    book = tmp_path / "book"
    put(book, "one")
    ids(book)
    monkeypatch.setattr(indexed, "_understood", lambda *_: pytest.fail("read again"))
    assert ids(book) == ["one"]


@pytest.mark.parametrize("damage", [b"", b"no database", b"SQLite format 3\x00" + b"\xff" * 4096])
def test_a_damaged_index_is_made_anew(tmp_path: Path, cache: Path, damage: bytes) -> None:
    book = tmp_path / "book"
    put(book, "one")
    ids(book)
    (file,) = cache.iterdir()
    file.write_bytes(damage)
    assert ids(book) == ["one"]


def test_an_index_of_another_version_is_made_anew(tmp_path: Path, cache: Path) -> None:
    book = tmp_path / "book"
    put(book, "one")
    ids(book)
    (file,) = cache.iterdir()
    with sqlite3.connect(file) as db:
        db.execute("drop table entry")
        db.execute("create table entry (empty)")
        db.execute("pragma user_version = 99")
    assert ids(book) == ["one"]


def test_without_a_place_for_the_index_it_works_from_memory(tmp_path: Path) -> None:
    (tmp_path / "cache").write_text("a file where a folder should be")
    put(tmp_path / "book", "one")
    assert ids(tmp_path / "book") == ["one"]


def test_an_index_that_another_program_holds_is_done_without(tmp_path: Path, cache: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    book = tmp_path / "book"
    put(book, "one")
    ids(book)
    put(book, "two")
    (file,) = cache.iterdir()
    holder = sqlite3.connect(file, isolation_level=None)
    holder.execute("begin immediate")
    connect = sqlite3.connect
    monkeypatch.setattr(indexed.sqlite3, "connect", lambda *a, **k: connect(*a, **{**k, "timeout": 0.05}))
    assert ids(book) == ["one", "two"]
    holder.execute("rollback")


def test_files_with_names_that_no_case_has_harm_nobody(tmp_path: Path) -> None:
    book = tmp_path / "book"
    put(book, "one")
    closed = '{"do": "start", "title": "x"}\n{"do": "close", "outcome": "unsolved", "cause": null}\n'
    for name in ("My Case.journal", "\x1b[31m.journal", ".diagnose-half.journal", "Recipe for soup.yaml", ".hidden.yaml"):
        (book / name).write_text(closed)
    entries = {e.id: e for e in Index(book).entries()}
    assert {id for id, e in entries.items() if e.state == "closed"} == {"one"}
    assert {id for id, e in entries.items() if e.state == "damaged"} == {"My Case", "\x1b[31m"}
    assert not any("\x1b" in e.fault for e in entries.values())


def test_a_file_that_claims_a_gigabyte_is_told_and_not_read(tmp_path: Path) -> None:
    book = tmp_path / "book"
    put(book, "one")
    for name in ("huge.journal", "large.yaml"):
        with (book / name).open("wb") as file:
            file.truncate(1_000_000_000)  # a hole: it takes no room on the disk
    entries = {e.id: e for e in Index(book).entries()}
    assert entries["huge"].state == entries["large"].state == "damaged"
    assert "bytes long" in entries["huge"].fault and "bytes long" in entries["large"].fault
    assert entries["one"].state == "closed"


def test_words_and_columns_find_cases_and_signs_mean_themselves(tmp_path: Path) -> None:
    book = tmp_path / "book"
    put(book, "one", notes=["the 100% fan"], printer="red", material="petg")
    put(book, "three", notes=["the 100 fan"], cause="hot", remedy="cool", outcome="helped")

    def found(*words: str, **columns: str) -> set[str]:
        return {e.id for e in Index(book).find(words, **columns)}

    assert found("100%") == {"one"} and found("FAN") == {"one", "three"} and found("fan", "wet") == {"one"}
    assert found(cause="hot") == found(outcome="helped") == found(remedy="cool") == {"three"}
    assert found(printer="red", material="petg") == {"one"}
    assert found("' or 1=1 --") == set()


def test_last_changed_come_first(tmp_path: Path) -> None:
    book = tmp_path / "book"
    for id in ("bb", "dddd", "ccc"):
        put(book, id)
    assert [e.id for e in Index(book).entries()] == ["dddd", "ccc", "bb"]
