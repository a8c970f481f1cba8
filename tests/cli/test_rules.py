"""``rules`` and ``printers`` as a shop would call them."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.cli.run import run

BROKEN = """
causes:
  - id: damp-dryer
    name: The dryer blows damp air
    family: material
    about: Its filter is spent.
    rate: rarely
    defects: {strings: half}
    evidence:
      - {question: popping, answer: "yes", seen: 12 in 10, because: steam}
      - {question: poping, answer: "yes", seen: half, because: steam}
  - id: wet-filament
    name: The same id as a built-in cause
    family: material
    about: x
    rate: rare
    defects: {string: half}
"""


def test_the_built_in_rules_are_clean(capsys: pytest.CaptureFixture[str]) -> None:
    seen = run(capsys, "rules", "check")
    assert seen.code == 0
    assert seen.out.strip().endswith("0 faults")
    assert run(capsys, "rules", "check", "--json").json["problems"] == []


def test_every_mistake_of_a_pack_is_told_at_once_and_nothing_is_written(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    path = tmp_path / "mine.yaml"
    path.write_text(BROKEN)
    seen = run(capsys, "rules", "check", "--rules", tmp_path)
    assert seen.code == 1
    told = [line for line in seen.out.splitlines() if line.startswith(str(path))]
    assert [int(line.split(":")[1]) for line in told] == [7, 10, 11, 12, 17]
    assert "did you mean 'rare'?" in told[0]
    assert "did you mean 'popping'?" in told[2]
    assert "replaces: true" in told[3]
    assert "no answer 'string'" in told[4]
    assert [p.name for p in tmp_path.iterdir()] == ["mine.yaml"]


def test_a_pack_with_a_fault_is_refused_by_other_commands(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    (tmp_path / "mine.yaml").write_text(BROKEN)
    seen = run(capsys, "rank", "--rules", tmp_path)
    assert seen.code == 2
    assert "mine.yaml:7" in seen.err
    assert "and 4 more" in seen.err


def test_worked_examples_run_and_an_empty_choice_fails(capsys: pytest.CaptureFixture[str]) -> None:
    seen = run(capsys, "rules", "test")
    assert seen.code == 0, seen.out
    assert "0 failed" in seen.out
    assert run(capsys, "rules", "test", "--only", "no example is called this").code == 2


def test_a_worked_example_that_does_not_come_out_fails(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    (tmp_path / "e.yaml").write_text(
        "examples:\n  - {name: A wrong hope, answers: {defect: blobs, popping: 'no'}, "
        "expect: {first: wet-filament, above: 0.9}}\n"
    )
    seen = run(capsys, "rules", "test", "--rules", tmp_path)
    assert seen.code == 1
    assert "FAILED A wrong hope" in seen.out


def test_list_has_the_agreed_keys(capsys: pytest.CaptureFixture[str]) -> None:
    got = run(capsys, "rules", "list", "--json").json
    assert {"causes", "questions", "findings", "tests", "remedies", "printers"} <= set(got)
    assert {"id", "name", "family", "defects"} <= set(got["causes"][0])
    assert {"id", "ask", "answers", "ask_if"} <= set(got["questions"][0])
    assert {"id", "say"} <= set(got["questions"][0]["answers"][0])
    assert len(run(capsys, "rules", "list", "causes").out.splitlines()) == len(got["causes"]) + 1


def test_show_reads_like_a_page_and_names_its_lines(capsys: pytest.CaptureFixture[str]) -> None:
    got = run(capsys, "rules", "list", "--json").json
    for kind in ("causes", "questions", "findings", "tests", "remedies"):
        for entry in got[kind][:2]:
            assert entry["id"] in run(capsys, "rules", "show", entry["id"]).out
    page = run(capsys, "rules", "show", "wet-filament").out
    for words in ("What it is", "How it looks", "What speaks for it", "What it is mistaken for", "How to confirm it", "How to cure it", ".yaml:"):
        assert words in page
    seen = run(capsys, "rules", "show", "wet-filamant")
    assert seen.code == 2
    assert "did you mean 'wet-filament'?" in seen.err


def test_printer_cards_can_be_listed_shown_and_read_from_a_file(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    cards = run(capsys, "printers", "list", "--json").json["printers"]
    assert len(cards) >= 3
    for card in cards:
        shown = run(capsys, "printers", "show", card["id"], "--json").json
        assert all(row["from"] == "generic" for row in shown["numbers"])
    text = next(p for p in Path("rules/printers").glob("*.yaml")).read_text()
    own = tmp_path / "mine.yaml"
    own.write_text(text[: text.index("\n  - id:", text.index("- id:") + 5)].replace("queue_moves: 16", "queue_moves: {value: 32, from: measured}"))
    rows = {r["name"]: r for r in run(capsys, "printers", "show", own, "--json").json["numbers"]}
    assert rows["motion.queue_moves"] == {"name": "motion.queue_moves", "value": 32, "from": "measured"}
    own.write_text(own.read_text().replace("value: 32", "value: none"))
    seen = run(capsys, "printers", "show", own)
    assert seen.code == 2
    assert "mine.yaml:" in seen.err


def test_an_id_of_two_kinds_is_shown_as_one_document(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    remedy = "remedies:\n  - {id: wet-filament, name: Dry it, do: Dry it., minutes: 1}\n"
    (tmp_path / "r.yaml").write_text(remedy)
    got = run(capsys, "rules", "show", "wet-filament", "--json", "--rules", tmp_path).json
    assert {kind: entry["id"] for kind, entry in got.items()} == {"causes": "wet-filament", "remedies": "wet-filament"}


def test_a_cause_in_the_shadow_of_another_is_not_reached_and_the_winner_is_named(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    (tmp_path / "twin.yaml").write_text(
        "causes:\n  - {id: silent-cause, name: Says nothing, family: material, about: It is silent., rate: rare, "
        "defects: {strings: half}}\n"
    )
    seen = run(capsys, "rules", "check", "--reach", "--json", "--rules", tmp_path)
    assert seen.code == 1
    rows = {row["cause"]: row for row in seen.json["reach"]["answers_alone"]}
    assert rows["silent-cause"]["reached"] is False
    assert rows["silent-cause"]["answers"]["defect"] == ["strings"]
    assert rows["silent-cause"]["rival_share"] > rows["silent-cause"]["share"]
    assert sum(row["reached"] for row in rows.values()) > 100
    told = run(capsys, "rules", "check", "--reach", "--rules", tmp_path).out
    assert "silent-cause is not reached" in told


def test_every_entry_names_its_pack_whichever_file_tells_the_pack_s_name(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    (tmp_path / "a.yaml").write_text("sources:\n  - {id: ours, cite: A notebook}\n")
    (tmp_path / "z.yaml").write_text("pack: {name: night-shift}\n")
    assert ", pack night-shift)" in run(capsys, "rules", "show", "ours", "--rules", tmp_path).out
    assert ", pack built-in)" in run(capsys, "rules", "show", "wet-filament").out
