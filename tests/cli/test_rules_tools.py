"""``rules check`` for editors, ``test`` for build servers, ``try``, ``list``, ``pack`` and ``install``, as a shop calls them."""

from __future__ import annotations

import json
from pathlib import Path
from xml.etree import ElementTree

import pytest

from diagnose.knowledge.settings import packs_folder
from tests.cli.run import run
from tests.knowledge.test_broken_files import CAUSE, QUESTION

WRONG_HOPE = (
    "examples:\n  - {name: A wrong hope, answers: {defect: blobs, popping: 'no'}, expect: {first: wet-filament}}\n"
    "  - {name: An idle fear, answers: {defect: strings, popping: 'yes'}, expect: {not_above: 0.05, cause: wet-filament}}\n"
)
PACK = "pack: {name: night-shift, version: 4, contact: the shelf by the door}\n"


@pytest.fixture
def user(own_settings: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path / "config"))
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "data"))
    monkeypatch.chdir(tmp_path)
    return tmp_path


def folder(at: Path, text: str) -> Path:
    at.mkdir(parents=True)
    (at / "mine.yaml").write_text(text)
    return at


def test_sarif_puts_each_fault_where_it_stands(
    capsys: pytest.CaptureFixture[str], user: Path
) -> None:
    """Fields by the standard: Static Analysis Results Interchange Format 2.1.0 (OASIS), sections 3.13, 3.27 to 3.30."""
    folder(user / "a shop", CAUSE.replace("rate: rare", "rate: rarely") + QUESTION)
    seen = run(capsys, "rules", "check", "--sarif", "--rules", "a shop")
    assert seen.code == 1
    log = seen.json
    assert log["version"] == "2.1.0" and len(log["runs"]) == 1
    (one,) = log["runs"]
    assert one["tool"]["driver"]["name"] == "diagnose"
    rules = [rule["id"] for rule in one["tool"]["driver"]["rules"]]
    faults = [r for r in one["results"] if r["level"] == "error"]
    (fault,) = faults
    assert "did you mean 'rare'" in fault["message"]["text"]
    place = fault["locations"][0]["physicalLocation"]
    assert place["artifactLocation"]["uri"] == "a%20shop/mine.yaml"
    assert place["region"] == {"startLine": 6, "startColumn": 11}
    assert all(rules[r["ruleIndex"]] == r["ruleId"] for r in one["results"])
    advice = [r for r in one["results"] if r["level"] == "note"]
    assert advice and all(r["ruleId"] != "rule-file" for r in advice)
    strict = run(capsys, "rules", "check", "--sarif", "--strict", "--rules", "a shop").json["runs"][0]["results"]
    assert {r["level"] for r in strict} == {"error"}


def test_advice_fails_only_when_strict(capsys: pytest.CaptureFixture[str], user: Path) -> None:
    folder(user / "shop", QUESTION)
    seen = run(capsys, "rules", "check", "--rules", "shop")
    assert seen.code == 0 and "(advice)" in seen.out and seen.out.strip().endswith("0 faults")
    assert run(capsys, "rules", "check", "--strict", "--rules", "shop").code == 1


def test_a_failed_example_names_what_was_expected_what_came_and_the_line_that_did_it(
    capsys: pytest.CaptureFixture[str], user: Path
) -> None:
    folder(user / "shop", WRONG_HOPE)
    seen = run(capsys, "rules", "test", "--rules", "shop", "--junit", "out.xml")
    assert seen.code == 1
    said = " ".join(seen.out.split())
    assert "FAILED A wrong hope [shop/mine.yaml:2]" in said
    assert "expected: wet-filament first got: wet-filament is number" in said
    assert "because of: defect: Blobs or pimples" in said and "dB for wet-filament" in said
    assert "expected: wet-filament at most 0.05" in said and "because of: popping: Yes" in said
    rows = {r["name"]: r for r in run(capsys, "rules", "test", "--rules", "shop", "--json").json["examples"]}
    told = rows["A wrong hope"]["told"][0]
    assert told["cause"] == "wet-filament" and told["expected"] == "first" and told["because"].startswith("defect")
    assert rows["A wrong hope"]["line"] == 2
    suite = ElementTree.parse(user / "out.xml").getroot().find("testsuite")
    assert suite is not None
    assert suite.get("failures") == "2" and int(suite.get("tests", 0)) == len(rows) == len(suite.findall("testcase"))
    failed = [case for case in suite.findall("testcase") if case.find("failure") is not None]
    assert [case.get("name") for case in failed] == ["A wrong hope", "An idle fear"]
    assert all(case.get("file", "").endswith("mine.yaml") and case.get("line") for case in failed)


def test_examples_pass_and_junit_says_so(capsys: pytest.CaptureFixture[str], user: Path) -> None:
    seen = run(capsys, "rules", "test", "--only", "nozzle", "--junit", "out.xml")
    assert seen.code == 0
    suite = ElementTree.parse(user / "out.xml").getroot().find("testsuite")
    assert suite is not None and suite.get("failures") == "0" and int(suite.get("tests", 0)) >= 1


def test_an_unknown_id_in_an_example_and_an_empty_selection_are_errors(
    capsys: pytest.CaptureFixture[str], user: Path
) -> None:
    folder(user / "shop", WRONG_HOPE.replace("popping", "poping", 1))
    seen = run(capsys, "rules", "test", "--rules", "shop")
    assert seen.code == 2 and "mine.yaml:2" in seen.err and "did you mean 'popping'" in seen.err
    assert run(capsys, "rules", "test", "--only", "no example is called this").code == 2


def test_try_shows_what_moves_from_what_to_what_and_keeps_nothing(
    capsys: pytest.CaptureFixture[str], user: Path
) -> None:
    change = folder(user / "idea", "adjust:\n  - {cause: wet-filament, rate: rare}\n")
    seen = run(capsys, "rules", "try", "idea")
    assert seen.code == 1  # an example that puts it first does so no longer
    assert "BREAKS  " in seen.out and "The filament is wet  [wet-filament]" in seen.out and "%" in seen.out
    got = run(capsys, "rules", "try", "idea", "--json").json
    assert got["ranked"]["example"] > 300 and got["breaks"] >= 1
    moved = got["moved"][0]
    was = {s["id"]: s["probability"] for s in moved["before"]}
    now = {s["id"]: s["probability"] for s in moved["after"]}
    assert was.get("wet-filament", 0) > now.get("wet-filament", 0)
    # In force already, it is compared with the rules without it.
    again = run(capsys, "rules", "try", "idea", "--rules", "idea", "--json").json
    assert again == got
    assert "wet-filament" in run(capsys, "rank", "--answer", "defect=strings", "--answer", "popping=yes").out
    assert [p.name for p in change.iterdir()] == ["mine.yaml"]


def test_try_ranks_open_and_solved_cases_too(capsys: pytest.CaptureFixture[str], user: Path) -> None:
    folder(user / "idea", "adjust:\n  - {cause: wet-filament, rate: rare}\n")
    run(capsys, "ask", "--title", "the vase", "--casebook", "book", typed="6\n1\nq\n")
    (user / "solved.yaml").write_text(
        "cases:\n  - {id: s1, source: invented, answers: {defect: strings, popping: 'yes'}, cause: wet-filament}\n"
    )
    got = run(capsys, "rules", "try", "idea", "--casebook", "book", "--solved", "solved.yaml", "--json").json
    assert got["ranked"]["solved"] == 1 and got["ranked"]["open"] == 1
    assert {"solved"} <= {m["kind"] for m in got["moved"]}


def test_a_change_with_a_fault_is_not_tried(capsys: pytest.CaptureFixture[str], user: Path) -> None:
    folder(user / "idea", CAUSE.replace("rate: rare", "rate: rarely"))
    seen = run(capsys, "rules", "try", "idea")
    assert seen.code == 2 and "mine.yaml:6" in seen.err


def test_list_and_show_say_where_a_thing_is_from_and_what_it_lies_over(
    capsys: pytest.CaptureFixture[str], user: Path
) -> None:
    own = CAUSE.replace("id: damp-dryer", "id: wet-filament\n    replaces: true")
    folder(user / "shop", PACK + own + "adjust:\n  - {cause: nozzle-too-hot, evidence: [{question: popping, answer: 'yes', seen: hardly-ever, because: x}]}\n")
    listed = run(capsys, "rules", "list", "causes", "--rules", "shop").out
    assert "[shop/mine.yaml:3, pack night-shift, over rules/causes/material.yaml:" in listed
    assert "[adjusted at shop/mine.yaml:" in listed
    page = run(capsys, "rules", "show", "wet-filament", "--rules", "shop").out
    assert "pack night-shift, over rules/causes/material.yaml:" in page
    assert "[shop/mine.yaml:" in " ".join(run(capsys, "rules", "show", "nozzle-too-hot", "--rules", "shop").out.split())
    packs = run(capsys, "rules", "list", "--rules", "shop", "--json").json["packs"]
    assert {"name": "night-shift", "version": "4"}.items() <= packs[-1].items()


def test_a_pack_goes_from_one_shop_to_another(capsys: pytest.CaptureFixture[str], user: Path) -> None:
    folder(user / "shop", PACK + CAUSE + QUESTION)
    made = run(capsys, "rules", "pack", "shop", "-o", "shop.zip")
    assert made.code == 0 and "pack night-shift, version 4, with 1 cause, 1 question" in made.out
    assert run(capsys, "rules", "pack", "shop", "-o", "shop.zip").code == 2
    seen = run(capsys, "rules", "install", "shop.zip")
    assert seen.code == 0 and "Pack night-shift, version 4, is installed" in seen.out
    assert (packs_folder() / "night-shift" / "mine.yaml").exists()
    assert "damp-dryer" in run(capsys, "rules", "list", "causes").out
    assert "damp-dryer" not in run(capsys, "rules", "list", "causes", "--without-own").out
    again = run(capsys, "rules", "install", "shop.zip")
    assert again.code == 2 and "--force" in again.err
    assert run(capsys, "rules", "install", "shop.zip", "--force", "--json").json["version"] == "4"
    assert run(capsys, "rules", "install", "--remove", "night-shift").code == 0
    assert "damp-dryer" not in run(capsys, "rules", "list", "causes").out


def test_rules_with_a_fault_are_neither_packed_nor_installed(capsys: pytest.CaptureFixture[str], user: Path) -> None:
    folder(user / "shop", CAUSE.replace("rate: rare", "rate: rarely"))
    seen = run(capsys, "rules", "pack", "shop", "-o", "shop.zip")
    assert seen.code == 2 and "mine.yaml:6" in seen.err and not (user / "shop.zip").exists()
    seen = run(capsys, "rules", "install", "nowhere.zip")
    assert seen.code == 2 and "nowhere.zip" in seen.err


def test_a_pack_may_lie_over_one_that_the_user_has(capsys: pytest.CaptureFixture[str], user: Path) -> None:
    folder(user / "base", "pack: {name: base}\n" + QUESTION)
    folder(user / "more", "pack: {name: more, requires: {packs: base}}\n" + CAUSE.replace("popping, answer: \"yes\"", "dryer-smell, answer: musty"))
    for name in ("base", "more"):
        below = ["--rules", "base"] if name == "more" else []
        assert run(capsys, "rules", "pack", name, "-o", f"{name}.zip", *below).code == 0
    seen = run(capsys, "rules", "install", "more.zip")
    assert seen.code == 2 and "needs the pack 'base'" in seen.err
    assert run(capsys, "rules", "install", "base.zip").code == 0
    assert run(capsys, "rules", "install", "more.zip").code == 0
    assert run(capsys, "rules", "check").code == 0


@pytest.mark.parametrize("kind", ["rules", "answers", "settings"])
def test_schemas_are_printed_or_written(capsys: pytest.CaptureFixture[str], user: Path, kind: str) -> None:
    printed = run(capsys, "rules", "schema", kind)
    assert printed.json["$schema"].startswith("https://json-schema.org/")
    assert run(capsys, "rules", "schema", kind, "-o", "s.json").code == 0
    assert json.loads((user / "s.json").read_text()) == printed.json


@pytest.mark.parametrize(("group", "typo", "meant"), [("rules", "chek", "check"), ("cases", "lst", "list")])
def test_a_mistyped_command_is_told_what_was_meant(capsys: pytest.CaptureFixture[str], group: str, typo: str, meant: str) -> None:
    seen = run(capsys, group, typo)
    assert seen.code == 2 and f"did you mean '{meant}'" in seen.err
