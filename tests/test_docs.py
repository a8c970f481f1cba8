"""The documentation is held to what the program does."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from diagnose.knowledge.builtin import rules_folder
from diagnose.knowledge.check import check
from diagnose.knowledge.pack import load
from diagnose.reasoning.network import compile_network
from diagnose.triage import knowledge_from
from diagnose.triage.examples import run_examples
from tests.cli.run import run

ROOT = Path(__file__).resolve().parent.parent


def blocks(document: str, language: str) -> list[str]:
    """The fenced blocks of one language in a document of the project."""
    return re.findall(rf"```{language}\n(.*?)```", (ROOT / document).read_text(), flags=re.DOTALL)


def test_the_entries_of_the_guide_work_word_for_word(tmp_path: Path) -> None:
    written = blocks("DEVELOPERS.md", "yaml")
    assert len(written) >= 4
    for number, text in enumerate(written):
        (tmp_path / f"block-{number}.yaml").write_text(text)
    knowledge, problems = load([rules_folder(), tmp_path])
    assert [str(p) for p in problems + check(knowledge)] == []
    (outcome,) = run_examples(knowledge, compile_network(knowledge), "smells musty")
    assert outcome.passed, outcome.failures


def test_the_answers_files_of_the_readme_can_be_ranked(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    texts = blocks("README.md", "yaml")
    assert len(texts) == 2
    for text in texts:
        facts = tmp_path / "facts.yaml"
        facts.write_text(text)
        assert run(capsys, "rank", facts).code == 0


def test_every_id_on_a_command_line_of_the_readme_exists(capsys: pytest.CaptureFixture[str]) -> None:
    knowledge = knowledge_from()
    readme = (ROOT / "README.md").read_text()
    for question, answer in re.findall(r"--answer ([a-z-]+)=([a-z-]+)", readme):
        assert answer in {a.id for a in knowledge.questions[question].answers}
    for remedy in re.findall(r"--tried ([a-z-]+)=", readme):
        assert remedy in knowledge.remedies
    for printer in re.findall(r"--printer ([a-z]+-[a-z0-9-]+)", readme):
        assert printer in knowledge.printers
    for id in re.findall(r"rules show ([a-z-]+)", readme):
        assert run(capsys, "rules", "show", id).code == 0


def test_the_page_of_an_eased_job_in_the_readme_is_what_is_printed(
    capsys: pytest.CaptureFixture[str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    readme = (ROOT / "README.md").read_text()
    (command,) = re.findall(r"diagnose (ease shade.+)", readme)
    (shown,) = re.findall(r"```\n( moves .*?)```", readme, flags=re.DOTALL)
    run(capsys, "demo", "--quiet", "--keep", "shade.gcode")
    seen = run(capsys, *command.split())
    assert seen.code == 0 and shown in seen.out


def test_the_coupons_of_the_readme_come_out_as_shown(
    capsys: pytest.CaptureFixture[str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    (block,) = (text for text in blocks("README.md", "console") if "diagnose coupon" in text)
    calls = re.findall(r"^\$ diagnose (.*)\n((?:[^$].*\n)+)", block, flags=re.MULTILINE)
    assert len(calls) == 3
    for command, shown in calls:
        assert run(capsys, *command.split()).out == shown
