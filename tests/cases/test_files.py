"""Cases as files: closed ones are written whole with their journal in them, opened again byte for byte, never lost."""

from __future__ import annotations

import json
import multiprocessing
import os
import stat
from pathlib import Path

import pytest
import yaml

from diagnose.cases.book import Casebook
from diagnose.cases.journal import Journal
from diagnose.cases.record import VERSION, Record, as_yaml, read_record
from diagnose.errors import BadInput
from diagnose.knowledge.check import load_checked
from diagnose.knowledge.pack import Knowledge
from diagnose.triage import Triage, filing

RULES = """
questions:
  - {id: look, ask: Which?, role: defect, effort: glance, answers: [{id: a, say: A}, {id: b, say: B}]}
  - {id: plastic, ask: Which plastic?, role: material, effort: recall, answers: [{id: pla, say: PLA}, {id: petg, say: PETG}]}
  - {id: signs, ask: Which?, kind: several, effort: glance, answers: [{id: x, say: X}, {id: "no", say: N}]}
causes:
  - {id: wet, name: Wet, family: f, about: x, rate: common, defects: {a: 0.8}, remedies: dry, evidence: [{question: plastic, answer: petg, seen: 0.8, because: x}]}
  - {id: hot, name: Hot, family: f, about: x, rate: common, defects: {b: 0.8}, remedies: cool}
remedies:
  - {id: dry, name: Dry it, do: Dry it., minutes: 1}
  - {id: cool, name: Cool it, do: Cool it., minutes: 1}
"""


@pytest.fixture(scope="module")
def rules(tmp_path_factory: pytest.TempPathFactory) -> Knowledge:
    path = tmp_path_factory.mktemp("rules") / "rules.yaml"
    path.write_text(RULES)
    return load_checked([path])


@pytest.fixture
def book(tmp_path: Path) -> Casebook:
    return Casebook(tmp_path / "book")


def seen(book: Casebook) -> list[Path]:
    """Return what a person sees in a casebook: the file that takes turns is hidden."""
    return [p for p in book.folder.iterdir() if not p.name.startswith(".")]


def solved(rules: Knowledge, book: Casebook, title: str = "the vase") -> Triage:
    triage = Triage.start(rules, book, title)
    triage.answer("look", "a")
    triage.answer("plastic", "petg")
    triage.answer("signs", "no")
    triage.try_remedy("cool", "no-change")
    triage.try_remedy("dry", "cured")
    return triage


def test_a_cure_makes_one_file_of_the_case_with_all_that_belongs_to_it(rules: Knowledge, book: Casebook) -> None:
    triage = solved(rules, book)
    assert triage.journal is not None
    assert [p.name for p in seen(book)] == [f"{triage.journal.id}.yaml"]
    record = read_record(triage.journal.filed)
    assert (record.outcome, record.cause, record.remedy, record.material) == ("cured", "wet", "dry", "petg")
    assert record.answers == {"look": ("a",), "plastic": ("petg",), "signs": ("no",)}
    assert record.tried == {"cool": "no-change", "dry": "cured"}
    assert record.ranking[0].cause == "wet" and record.ledger[0].about == "rate"
    odds = sum(line.decibans for line in record.ledger)
    share = record.ranking[0].share
    assert 10 ** (odds / 10) == pytest.approx(share / (1 - share), rel=0.02)  # the ledger adds up to the log-odds
    text = triage.journal.filed.read_text()
    assert text.startswith("# A closed case.") and "title: the vase" in text and "journal: |" in text


def test_a_closed_case_is_resumed_and_opened_again_byte_for_byte(rules: Knowledge, book: Casebook) -> None:
    triage = solved(rules, book)
    assert triage.journal is not None
    before = triage.journal.text()
    again = Triage.resume(rules, book, triage.journal.id)
    assert again.case.cured is not None and again.case.answers == triage.case.answers
    assert triage.journal.filed.exists()
    again.undo()
    assert [p.suffix for p in seen(book)] == [".journal"]
    assert triage.journal.text().startswith(before)
    assert again.case.cured is None
    again.try_remedy("dry", "cured")
    assert [p.suffix for p in seen(book)] == [".yaml"]


def test_closing_by_hand_says_what_it_was_and_notes_go_into_a_closed_case(
    rules: Knowledge, book: Casebook, tmp_path: Path
) -> None:
    triage = Triage.start(rules, book, "lid")
    triage.answer("look", "b")
    with pytest.raises(BadInput, match="has a cause"):
        filing.close(triage, "helped")
    with pytest.raises(BadInput, match="has no cause"):
        filing.close(triage, "nothing-wrong", "hot")
    with pytest.raises(BadInput, match="no cause 'hto'"):
        filing.close(triage, "cured", "hto")
    filing.close(triage, "helped", "hot")
    picture = tmp_path / "p.png"
    picture.write_bytes(b"x")
    filing.picture(triage, picture)
    filing.note(triage, "  the duct had\nmelted ")
    with pytest.raises(BadInput):
        filing.note(triage, " ")
    assert triage.journal is not None
    record = read_record(triage.journal.filed)
    assert (record.outcome, record.cause, record.remedy) == ("helped", "hot", None)
    assert record.notes == ("the duct had melted",) and record.pictures[0].name == "p.png"


@pytest.mark.parametrize("title", ["on", "12:30", "[red]x[/]", "a: b # c", "\x1b[31mred\x07", "\u202eturn", "ü €", "x" * 300, "'\"\\"])
def test_any_title_survives_being_filed_and_opened_again(rules: Knowledge, book: Casebook, title: str) -> None:
    triage = solved(rules, book, title)
    assert triage.journal is not None
    text = triage.journal.filed.read_text()
    assert "\x1b" not in text and "\x07" not in text
    assert Triage.resume(rules, book, triage.journal.id).case.title == " ".join(title.split())


def test_a_file_of_an_earlier_version_is_read_and_of_a_later_one_refused(book: Casebook) -> None:
    book.folder.mkdir()
    (book.folder / "old.yaml").write_text("id: old\nsource: invented\ncause: wet\nanswers: {look: a, signs: [x]}\nprinter: card\n")
    (book.folder / "new.yaml").write_text(f"version: {VERSION + 1}\nid: new\noutcome: cured\nanswers: {{}}\n")
    (book.folder / "other.yaml").write_text("shopping: [milk]\n")
    entries = {e.id: e for e in book.entries()}
    assert entries.keys() == {"old", "new"}
    old = entries["old"].record
    assert old is not None and old.outcome == "cured" and old.answers == {"look": ("a",), "signs": ("x",)}
    assert entries["new"].state == "damaged" and "later version" in entries["new"].fault


@pytest.mark.parametrize(
    "text",
    ["", "- x\n", "version: 2\nid: ../bad\noutcome: cured\nanswers: {}\n", "version: 2\nid: bad\noutcome: died\nanswers: {}\n",
     "version: 2\nid: bad\noutcome: cured\nanswers: {Q: a}\n", "version: 2\nid: bad\ntitle: \"\\e[31m\"\noutcome: cured\nanswers: {}\n",
     "version: two\nid: bad\noutcome: cured\nanswers: {}\n", "version: 2\nid: other\noutcome: cured\nanswers: {}\n", "a: !!python/object/apply:os.system [ls]\n"],
)  # fmt: skip
def test_a_damaged_or_hostile_file_is_told_and_harms_nobody_else(rules: Knowledge, book: Casebook, text: str) -> None:
    solved(rules, book)
    (book.folder / "bad.yaml").write_text(text)
    entries = book.entries()
    assert [e.id for e in entries if e.state == "closed"] != []
    for entry in entries:
        if entry.id == "bad":
            assert entry.state == "damaged" and "bad.yaml" in entry.fault and "\x1b" not in entry.fault
    if "id: other" not in text:  # sound in itself, in the wrong place
        with pytest.raises(BadInput):
            read_record(book.folder / "bad.yaml")


def test_a_case_without_a_journal_cannot_be_opened_but_is_not_lost(rules: Knowledge, book: Casebook) -> None:
    book.folder.mkdir()
    file = book.folder / "told.yaml"
    file.write_text(as_yaml(Record(id="told", outcome="cured", cause="wet", answers={"look": ("a",)})))
    with pytest.raises(BadInput, match="no journal"):
        Triage.resume(rules, book, "told").answer("look", "b")
    assert read_record(file).cause == "wet"


def test_what_is_filed_comes_back_the_same_through_yaml_and_json(rules: Knowledge, book: Casebook) -> None:
    triage = solved(rules, book)
    assert triage.journal is not None
    record = read_record(triage.journal.filed)
    again = Record.model_validate(json.loads(record.model_dump_json(exclude_none=True)))
    assert again == record
    assert yaml.safe_load(as_yaml(record))["journal"] == record.journal == triage.journal.text().decode()


def test_a_crash_between_writing_and_taking_away_leaves_the_journal_in_charge(rules: Knowledge, book: Casebook) -> None:
    triage = solved(rules, book)
    assert triage.journal is not None
    journal = triage.journal
    journal.path.write_bytes(journal.text())  # as if the journal had not been taken away
    assert len(book.entries()) == 1
    Journal(journal.path).append({"do": "note", "text": "more"})
    (entry,) = book.entries()
    assert entry.case.notes == ["more"]
    again = Triage.resume(rules, book, journal.id)
    assert filing.file_if_closed(again)
    assert [p.suffix for p in seen(book)] == [".yaml"] and read_record(journal.filed).notes == ("more",)


def _work(folder: str, rules_file: str, number: int, many: int, shared: str) -> None:
    rules = load_checked([Path(rules_file)])
    book = Casebook(Path(folder))
    for n in range(many):
        solved(rules, book, f"case {number} {n}")
        Journal(Path(folder) / f"{shared}.journal").append({"do": "note", "text": f"{number}-{n}"})
        if n % 3 == 0:
            triage = Triage.resume(rules, book, shared)
            filing.close(triage, "helped", "hot")  # the other one's next note opens it again


def test_two_programs_on_one_casebook_lose_nothing_of_either(rules: Knowledge, book: Casebook, tmp_path: Path) -> None:
    rules_file = tmp_path / "rules.yaml"
    rules_file.write_text(RULES)
    shared = Triage.start(rules, book, "both write here")
    shared.answer("look", "b")
    assert shared.journal is not None
    many, context = 12, multiprocessing.get_context("spawn")
    workers = [context.Process(target=_work, args=(str(book.folder), str(rules_file), n, many, shared.journal.id)) for n in range(2)]
    for worker in workers:
        worker.start()
    for worker in workers:
        worker.join(120)
        assert worker.exitcode == 0
    entries = book.entries()
    assert [e.fault for e in entries if e.state == "damaged"] == []
    titles = {e.case.title for e in entries if e.state == "closed"}
    assert titles >= {f"case {w} {n}" for w in range(2) for n in range(many)}
    both = next(e for e in entries if e.id == shared.journal.id)
    assert sorted(both.case.notes) == sorted(f"{w}-{n}" for w in range(2) for n in range(many))


def test_a_read_only_folder_is_told_and_what_was_there_stays(rules: Knowledge, book: Casebook) -> None:
    triage = solved(rules, book)
    assert triage.journal is not None
    before = triage.journal.filed.read_bytes()
    book.folder.chmod(stat.S_IRUSR | stat.S_IXUSR)
    if os.access(book.folder, os.W_OK):
        book.folder.chmod(stat.S_IRWXU)
        pytest.skip("who runs this may write everywhere")
    try:
        with pytest.raises(BadInput):
            triage.undo()
    finally:
        book.folder.chmod(stat.S_IRWXU)
    assert triage.journal.filed.read_bytes() == before


def test_a_full_disk_while_a_case_is_closed_leaves_the_journal(
    rules: Knowledge, book: Casebook, monkeypatch: pytest.MonkeyPatch
) -> None:
    triage = Triage.start(rules, book, "full")
    triage.answer("look", "a")
    assert triage.journal is not None
    before = triage.journal.text()
    sync = os.fsync

    def full(handle: int) -> None:
        if str(Path(f"/proc/self/fd/{handle}").readlink()).endswith(".yaml"):
            raise OSError(28, "No space left on device")
        sync(handle)

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(BadInput, match="No space left"):
        triage.try_remedy("dry", "cured")
    monkeypatch.undo()
    assert [p.suffix for p in seen(book)] == [".journal"]
    assert triage.journal.text().startswith(before)
    again = Triage.resume(rules, book, triage.journal.id)
    assert again.case.cured is not None and filing.file_if_closed(again)
