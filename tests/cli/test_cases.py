"""The casebook as a shop calls it."""

from __future__ import annotations

import csv
import io
import json
from pathlib import Path

import pytest

from diagnose.cases.book import Casebook
from diagnose.cases.record import Record
from diagnose.knowledge.settings import learnt_file
from tests.cli.run import run


@pytest.fixture(autouse=True)
def user(own_settings: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path / "config"))
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "data"))
    monkeypatch.chdir(tmp_path)
    return tmp_path


def begin(capsys: pytest.CaptureFixture[str], title: str, *answers: str) -> str:
    """Start a case by the interview, and answer its questions by name in a file of answers; returns its id."""
    from diagnose.folders import own_casebook
    from diagnose.triage import Triage, knowledge_from

    triage = Triage.start(knowledge_from(), Casebook(own_casebook()), title)
    for answer in answers:
        question, _, said = answer.partition("=")
        triage.answer(question, said)
    assert triage.journal is not None
    return triage.journal.id


def test_cases_are_listed_found_shown_noted_and_closed(capsys: pytest.CaptureFixture[str]) -> None:
    vase = begin(capsys, "the vase", "defect=strings", "popping=yes")
    lid = begin(capsys, "the lid", "defect=blobs")
    listed = run(capsys, "cases", "list")
    assert listed.code == 0 and "the vase  (open)" in listed.out and listed.out.strip().endswith("2 cases")
    assert run(capsys, "cases", "note", vase, "heard it from the next room").code == 0
    closed = run(capsys, "cases", "close", vase, "--cause", "wet-filament")
    assert closed.code == 0 and f"{vase}.yaml" in closed.out
    assert run(capsys, "cases", "close", lid, "--outcome", "nothing-wrong").code == 0
    rows = {c["id"]: c for c in run(capsys, "cases", "list", "--json").json["cases"]}
    assert rows[vase]["cause"] == "wet-filament" and rows[lid]["outcome"] == "nothing-wrong"
    assert [c["id"] for c in run(capsys, "cases", "find", "next", "room", "--json").json["cases"]] == [vase]
    assert [c["id"] for c in run(capsys, "cases", "find", "--cause", "wet-filament", "--json").json["cases"]] == [vase]
    assert run(capsys, "cases", "find", "no such word").code == 1
    page = " ".join(run(capsys, "cases", "show", vase).out.split())
    for words in ("the vase", "Does the nozzle pop", "What it was: The filament is wet (cured)", "Note: heard it from the next room", "Suspects at the time"):
        assert words in page, words
    assert run(capsys, "cases", "show", vase, "--json").json["record"]["cause"] == "wet-filament"


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["show", "nothing"], "no case 'nothing'"),
        (["close", "nothing", "--cause", "wet-filament"], "no case"),
        (["similar"], "nothing is said of the print"),
        (["similar", "nothing"], "no case"),
        (["import", "nowhere.jsonl"], "cannot be read"),
        (["learn"], "no closed case to learn from"),
        (["note", "nothing"], "nothing to write"),
    ],
)
def test_what_cannot_be_is_told(capsys: pytest.CaptureFixture[str], arguments: list[str], words: str) -> None:
    seen = run(capsys, "cases", *arguments)
    assert seen.code == 2 and words in seen.err


def test_a_beginning_of_an_id_will_do_unless_two_cases_have_it(capsys: pytest.CaptureFixture[str]) -> None:
    one = begin(capsys, "a", "defect=blobs")
    assert run(capsys, "cases", "show", one[:12]).code == 0
    begin(capsys, "b", "defect=blobs")
    seen = run(capsys, "cases", "show", one[:8])
    assert seen.code == 2 and "2 cases begin with" in seen.err


def test_similar_cases_come_with_what_cured_them(capsys: pytest.CaptureFixture[str], user: Path) -> None:
    near = begin(capsys, "a wet one", "defect=strings", "popping=yes", "filament-kind=petg", "mark-extent=whole-part")
    far = begin(capsys, "a stall", "defect=blobs", "popping=no", "mark-extent=one-region")
    run(capsys, "cases", "close", near, "--cause", "wet-filament")
    run(capsys, "cases", "close", far, "--cause", "checkpoint-stalls")
    said = ["--answer", "defect=strings", "--answer", "popping=yes", "--answer", "mark-extent=whole-part"]
    found = run(capsys, "cases", "similar", *said, "--json").json["cases"]
    assert [c["id"] for c in found] == [near] and found[0]["cause"] == "wet-filament"
    assert set(found[0]["agree"]) == {"defect", "popping", "mark-extent"}
    shown = run(capsys, "cases", "similar", *said).out
    assert "It was: The filament is wet" in shown and "like it: " in shown
    (user / "a.yaml").write_text("answers: {defect: strings, popping: 'yes', mark-extent: whole-part}\n")
    assert run(capsys, "cases", "similar", "a.yaml", "--json").json["cases"] == found
    open_one = begin(capsys, "now", "defect=strings", "popping=yes", "mark-extent=whole-part")
    assert run(capsys, "cases", "similar", open_one, "--json").json["cases"] == found


def test_cases_go_to_another_casebook_whole_and_over_none_that_is_there(
    capsys: pytest.CaptureFixture[str], user: Path
) -> None:
    ids = [begin(capsys, title, "defect=strings") for title in ("one", "=2+3", "three")]
    for id in ids[:2]:
        run(capsys, "cases", "close", id, "--cause", "wet-filament")
    assert run(capsys, "cases", "export", "-o", "all.jsonl").code == 0
    assert run(capsys, "cases", "export", "-o", "all.jsonl").code == 2
    lines = (user / "all.jsonl").read_text().splitlines()
    assert {Record.model_validate(json.loads(line)).id for line in lines} == set(ids[:2])
    table = list(csv.reader(io.StringIO(run(capsys, "cases", "export", "--csv").out)))
    assert table[0][0] == "id" and {row[1] for row in table[1:]} == {"one", "'=2+3"}
    took = run(capsys, "cases", "import", "all.jsonl", "--casebook", "other")
    assert took.code == 0 and took.out.startswith("2 cases taken")
    again = run(capsys, "cases", "import", "all.jsonl", "--casebook", "other")
    assert "0 cases taken, 2 left out" in again.out
    theirs = {c["id"]: c["title"] for c in run(capsys, "cases", "list", "--casebook", "other", "--json").json["cases"]}
    assert theirs == {ids[0]: "one", ids[1]: "=2+3"}


@pytest.mark.parametrize(
    "line",
    ["no json", "[]", "{}", '{"id": "../x", "outcome": "cured"}', '{"id": "x", "outcome": "cured", "title": "\\u001b[31m"}',
     '{"id": "x", "outcome": "cured", "secret": 1}', '{"id": "x", "version": "9"}', "[" * 100_000],
)  # fmt: skip
def test_a_line_that_is_no_case_takes_nothing_in(capsys: pytest.CaptureFixture[str], user: Path, line: str) -> None:
    good = Record(id="good", outcome="cured", cause="wet-filament").model_dump_json(exclude_none=True)
    (user / "in.jsonl").write_text(f"{good}\n{line}\n")
    seen = run(capsys, "cases", "import", "in.jsonl", "--casebook", "book")
    assert seen.code == 2 and "in.jsonl:2" in seen.err and "\x1b" not in seen.err
    assert not list((user / "book").glob("*")) if (user / "book").exists() else True


def test_what_was_learnt_counts_until_it_is_forgotten(capsys: pytest.CaptureFixture[str]) -> None:
    for number in range(12):
        id = begin(capsys, f"case {number}", "defect=strings", "popping=no", "filament-kind=petg")
        run(capsys, "cases", "close", id, "--cause", "retraction-too-short")
    case = ["rank", "--json", "--answer", "defect=strings"]

    def share() -> float:
        return next(float(c["probability"]) for c in run(capsys, *case).json["causes"] if c["id"] == "retraction-too-short")

    before = share()
    dry = run(capsys, "cases", "learn", "--dry-run", "--all")
    assert dry.code == 0 and "nothing was kept" in dry.out and "12 of 12" in " ".join(dry.out.split()) and not learnt_file().exists()
    assert share() == before
    learnt = run(capsys, "cases", "learn", "--json").json
    assert learnt["cases"] == 12 and learnt["file"] == str(learnt_file())
    assert all(c["low"] <= c["learnt"] <= c["high"] for c in learnt["changes"])
    after = share()
    assert after > before
    assert run(capsys, "rules", "check").code == 0
    assert next(float(c["probability"]) for c in run(capsys, *case, "--without-own").json["causes"] if c["id"] == "retraction-too-short") == before
    # Learnt anew from the same cases it is the same, not more.
    run(capsys, "cases", "learn")
    assert share() == after
    assert run(capsys, "cases", "learn", "--forget").code == 0
    assert share() == before


def test_a_report_is_written_for_its_ending(capsys: pytest.CaptureFixture[str], user: Path) -> None:
    id = begin(capsys, "the vase", "defect=strings", "popping=yes")
    for name in ("r.html", "r.md", "r.json"):
        assert run(capsys, "report", id, "-o", name).code == 0
        assert "the vase" in (user / name).read_text()
    assert run(capsys, "report", id, "-o", "r.html").code == 2
    assert run(capsys, "report", id, "-o", "r.html", "--force").code == 0
    seen = run(capsys, "report", id, "-o", "r.pdf")
    assert seen.code == 2 and ".html" in seen.err and not (user / "r.pdf").exists()
    assert run(capsys, "report", "nothing", "-o", "x.html").code == 2


def test_the_demo_can_be_kept_and_looked_at(capsys: pytest.CaptureFixture[str]) -> None:
    assert run(capsys, "demo", "--casebook", "book", "-q").code == 0
    (case,) = run(capsys, "cases", "list", "--casebook", "book", "--json").json["cases"]
    assert case["outcome"] == "cured" and case["cause"] == "checkpoint-stalls"
    assert run(capsys, "report", case["id"], "-o", "demo.html", "--casebook", "book").code == 0
    text = Path("demo.html").read_text()
    assert "predicted stop" in text and "Invented" in text
