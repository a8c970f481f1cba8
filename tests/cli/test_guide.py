"""The guide to writing rules, followed to the letter by somebody who reads nothing else."""

from __future__ import annotations

import re
import shlex
from pathlib import Path

import pytest
import yaml

from diagnose.knowledge.builtin import rules_folder
from diagnose.knowledge.pack import load
from tests.cli.run import Seen, run

GUIDE = (rules_folder() / "GUIDE.md").read_text()
BLOCKS = re.findall(r"^```(\w*)\n(.*?)^```$", GUIDE, re.MULTILINE | re.DOTALL)
COMMANDS = [shlex.split(line) for kind, text in BLOCKS if not kind for line in text.splitlines()]


@pytest.fixture
def shop(own_settings: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A user without any rules so far; returns where theirs will be."""
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path))
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path))
    monkeypatch.chdir(tmp_path)
    return tmp_path / "diagnose" / "rules"


def shares(seen: Seen) -> dict[str, float]:
    return {cause["id"]: cause["probability"] for cause in seen.json["causes"]}


def test_the_walk_through_makes_a_cause_that_changes_the_ranking_and_passes(
    capsys: pytest.CaptureFixture[str], shop: Path
) -> None:
    case = ["rank", "--json", "--answer", "defect=strings", "--answer", "popping=yes"]
    before = shares(run(capsys, *case))
    assert "damp-dryer" not in before
    said = []
    for program, *arguments in COMMANDS:
        assert program == "diagnose"
        seen = run(capsys, *arguments)
        assert seen.code == 0, (arguments, seen.out, seen.err)
        said.append(seen.out)
    after = shares(run(capsys, *case, "--answer", "dryer-smell=musty"))
    assert max(after, key=lambda c: after[c]) == "damp-dryer"
    assert after["damp-dryer"] > 0.4 and after["wet-filament"] < before["wet-filament"]
    checked = run(capsys, "rules", "check")
    assert checked.code == 0 and "0 faults" in checked.out
    assert run(capsys, "rules", "test", "--only", "dryer smells musty").out.startswith("1 examples passed, 0 failed")
    # What the guide promises to be shown.
    whole = "\n".join(said)
    assert "In a print that shows all its signs, “The filament dryer blows damp air” has" in " ".join(whole.split())
    assert "has no remedy" in whole and "ranking" in whole
    assert "That is the share of the cause among them, not how often the cause shows it." in " ".join(whole.split())
    assert sorted(p.name for p in shop.iterdir()) == [
        "adjust.yaml", "causes.yaml", "examples.yaml", "questions.yaml", "rules.schema.json"
    ]  # fmt: skip


def test_the_sum_about_the_cable_is_right() -> None:
    assert "twelve times as likely" in GUIDE and (3 / 1) / (1 / 4) == 12
    assert "60 of 100 prints with the cause do" in GUIDE and 12 * 5 == 60
    assert "297 times 5 in 100 is more than all" in GUIDE and pytest.approx(297) == (3 / 1) / (1 / 99)


def test_the_words_of_frequencies_are_those_of_the_program() -> None:
    from diagnose.knowledge.frequency import WORDS

    told = re.search(r"a word: (.*?)\.\n", GUIDE, re.DOTALL)
    assert told is not None
    assert {word: float(value) for word, value in re.findall(r"([a-z-]+) (0\.\d\d)", told[1])} == WORDS


def test_the_yaml_of_the_guide_is_sound(tmp_path: Path) -> None:
    texts = [text for kind, text in BLOCKS if kind == "yaml"]
    assert texts
    for number, text in enumerate(texts):
        assert yaml.safe_load(text)
        (tmp_path / f"{number}.yaml").write_text(text)
    assert [str(p) for p in load([rules_folder(), tmp_path])[1] if p.hard] == []
