"""New entries go into a person's own files, and nothing else in them changes."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from diagnose.errors import BadInput
from diagnose.knowledge.builtin import rules_folder
from diagnose.knowledge.check import load_checked
from diagnose.knowledge.pack import Knowledge, load
from diagnose.knowledge.scaffold import HEADER, Draft, add_entry, add_evidence, check

OWN = """\
# What we learnt on the night shift. Keep this line.
causes:
- id: damp-dryer   # the old one
  name: "The dryer: it blows damp air"
  family: shop
  about: Its filter is spent, and nobody wrote the date on it, so that nobody knows how long it has been in there already.
  rate: rare
  defects: {strings: 5 in 10}
  evidence:
  # a wet filter
  - {question: popping, answer: "yes", seen: mostly, because: water flashes to steam}   # heard often

# the end
"""
SOURCE = {"id": "notebook", "cite": "Our notebook, on the shelf"}
LINE = {"question": "popping", "answer": "yes", "seen": "7 in 10", "because": "we heard it"}


@pytest.fixture(scope="module")
def builtin() -> Knowledge:
    return load_checked([rules_folder()])


@pytest.fixture
def pack(tmp_path: Path) -> Path:
    folder = tmp_path / "night-shift"
    folder.mkdir()
    return folder


def write(draft: Draft) -> None:
    draft.path.write_text(draft.after)


def test_a_new_file_says_what_may_stand_in_it(pack: Path) -> None:
    draft = add_entry(pack, "sources", SOURCE, ["added today"])
    assert draft.path == pack / "sources.yaml" and draft.before is None
    assert draft.after == f"{HEADER}sources:\n  # added today\n  - id: notebook\n    cite: Our notebook, on the shelf\n"
    assert not draft.path.exists()  # a draft writes nothing


def test_comments_order_and_spelling_of_a_file_are_kept(pack: Path) -> None:
    (pack / "causes.yaml").write_text(OWN)
    entry = {"id": "second", "name": "Second", "family": "shop", "about": "It is so.", "rate": "rare", "defects": {"strings": "half"}}
    draft = add_entry(pack, "causes", entry)
    kept = [line for line in OWN.splitlines() if line.strip() and line != "# the end"]
    there = iter(draft.after.splitlines())
    assert all(line in there for line in kept)  # all of them, in their order
    assert "# the end" in draft.after
    write(draft)
    knowledge, problems = load([rules_folder(), pack])
    assert problems == [] and knowledge.causes["second"].name == "Second"


def test_an_entry_beside_others_keeps_their_way_of_indenting(pack: Path) -> None:
    (pack / "sources.yaml").write_text("sources:\n    -   id: a\n        cite: A\n")
    write(add_entry(pack, "sources", SOURCE))
    assert list(load([pack])[0].sources) == ["a", "notebook"]


def test_evidence_goes_into_a_cause_of_the_pack_in_the_place_of_the_line_there_is(pack: Path) -> None:
    (pack / "causes.yaml").write_text(OWN)
    k = load_checked([rules_folder(), pack])
    draft = add_evidence(pack, k, "damp-dryer", LINE)
    assert draft.path == pack / "causes.yaml"
    assert '- {question: popping, answer: "yes", seen: 7 in 10, because: we heard it}' in draft.after
    assert "water flashes to steam" not in draft.after
    other = add_evidence(pack, k, "damp-dryer", {**LINE, "answer": "no", "seen": "2 in 10"}, ["counted"])
    assert "water flashes to steam" in other.after and "# counted" in other.after and "# a wet filter" in other.after


def test_evidence_for_a_cause_of_another_pack_becomes_one_adjustment(pack: Path, builtin: Knowledge) -> None:
    write(add_evidence(pack, builtin, "wet-filament", LINE))
    write(add_evidence(pack, builtin, "wet-filament", {**LINE, "seen": "8 in 10"}))
    k = load_checked([rules_folder(), pack])
    draft = add_evidence(pack, k, "wet-filament", {**LINE, "question": "between-marks", "answer": "flawless", "seen": "0.03"})
    write(draft)
    after = load_checked([rules_folder(), pack])
    text = (pack / "adjust.yaml").read_text()
    assert text.count("cause: wet-filament") == 1 and text.count("question:") == 2
    seen = {(e.about, e.answer): e.seen.said for e in after.causes["wet-filament"].evidence if not e.given}
    assert seen["popping", "yes"] == "8 in 10" and seen["between-marks", "flawless"] == "0.03"


@pytest.mark.parametrize("text", ["on", "no", "yes", "12:30", "1e3", "~", "null", "0x1f", "a: b", "# no comment", "- x", "", "{a}", "2026-01-02", "&a"])  # fmt: skip
def test_texts_that_yaml_might_take_for_something_else_come_back_as_they_were(pack: Path, text: str) -> None:
    entry = {"id": "s", "cite": text or "''"}
    write(add_entry(pack, "sources", entry))
    assert load([pack])[0].sources["s"].cite == entry["cite"]


def test_a_draft_is_checked_where_it_would_lie(pack: Path) -> None:
    (pack / "causes.yaml").write_text(OWN)
    good = add_entry(pack, "sources", SOURCE)
    knowledge, problems = check([good], pack, [rules_folder(), pack])
    assert not [p for p in problems if p.hard]
    assert knowledge.sources["notebook"].id == "notebook" and "damp-dryer" in knowledge.causes
    assert knowledge.origins["sources", "notebook"].pack == "night-shift"
    bad = add_entry(pack, "causes", {"id": "x", "name": "X"})
    hard = [p for p in check([bad], pack, [rules_folder(), pack])[1] if p.hard]
    assert {p.file for p in hard} == {str(pack / "causes.yaml")} and len(hard) == 4
    assert not (pack / "sources.yaml").exists()


@pytest.mark.parametrize("text", ["- a list\n", "casette: {}\n", "causes: [\n", "a: 1\na: 2\n"])
def test_a_file_that_is_no_rule_file_is_left_alone(pack: Path, text: str) -> None:
    (pack / "sources.yaml").write_text(text)
    with pytest.raises(BadInput):
        add_entry(pack, "sources", SOURCE)
    assert (pack / "sources.yaml").read_text() == text


@pytest.mark.parametrize("before", ["", "# only a remark\n", "sources:\n", "sources: []\n", "pack: {name: ours}\n"])
def test_a_file_with_nothing_in_it_yet_is_filled(pack: Path, before: str) -> None:
    (pack / "sources.yaml").write_text(before)
    write(add_entry(pack, "sources", SOURCE))
    text = (pack / "sources.yaml").read_text()
    assert before.partition(":")[0].strip() in text
    found: dict[str, Any] = load([pack])[0].sources
    assert list(found) == ["notebook"]


def test_a_pack_may_be_a_single_file(tmp_path: Path, builtin: Knowledge) -> None:
    file = tmp_path / "mine.yaml"
    write(add_entry(file, "sources", SOURCE))
    knowledge, problems = check([add_evidence(file, builtin, "wet-filament", LINE)], file, [rules_folder(), file])
    assert not [p for p in problems if p.hard]
    assert "notebook" in knowledge.sources
