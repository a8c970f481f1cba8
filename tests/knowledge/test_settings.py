"""Packs in force: the user's own, those of settings files, those given by hand, lowest first, each once."""

from __future__ import annotations

from pathlib import Path

import pytest

from diagnose.errors import BadInput
from diagnose.knowledge.settings import own_pack, packs_in_force
from tests.cli.run import run

SOURCE = "sources:\n  - {{id: {id}, cite: A notebook}}\n"


def pack(folder: Path, id: str) -> Path:
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "a.yaml").write_text(SOURCE.format(id=id))
    return folder


@pytest.fixture
def settings(own_settings: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Settings of a user, and a project folder one stands in."""
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path / "config"))
    project = tmp_path / "project"
    project.mkdir()
    monkeypatch.chdir(project)
    return tmp_path / "config" / "diagnose"


def test_packs_lie_over_each_other_in_their_order_each_once(settings: Path, tmp_path: Path) -> None:
    assert packs_in_force() == ()
    own = pack(settings / "rules", "own")
    house, bench, given = (pack(tmp_path / name, name) for name in ("house", "bench", "given"))
    (settings / "settings.yaml").write_text(f"rules: {house}\n")
    Path("diagnose.yaml").write_text("rules: [../bench, ../house]\n")
    found = packs_in_force([given, tmp_path / "project" / ".." / "given"])
    assert [p.resolve() for p in found] == [own, bench, house, given]
    assert own_pack() == own
    assert packs_in_force([given], own=False) == (given,)


@pytest.mark.parametrize(
    ("text", "line", "words"),
    [
        ("rules: [nowhere]\n", 1, "no folder of rules"),
        ("\nrule: x\n", 2, "did you mean 'rules'"),
        ("rules:\n\t- x\n", 2, "not valid YAML"),
        ("rules: {a: b}\n", 1, "not a list"),
        ("- rules\n", 1, "not a mapping"),
    ],
)
def test_a_fault_in_a_settings_file_is_told_with_its_place(settings: Path, text: str, line: int, words: str) -> None:
    Path("diagnose.yaml").write_text(text)
    with pytest.raises(BadInput) as fault:
        packs_in_force()
    assert words in f"{fault.value.what} {fault.value.hint}"
    assert f"diagnose.yaml:{line}:" in fault.value.where
    assert packs_in_force(own=False) == ()


def test_commands_use_the_user_s_own_rules_unless_told_not_to(
    settings: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    pack(settings / "rules", "own-notebook")
    assert "own-notebook" in run(capsys, "rules", "list", "sources").out
    assert "own-notebook" not in run(capsys, "rules", "list", "sources", "--without-own").out
    assert "own-notebook" not in run(capsys, "--without-own", "rules", "list", "sources").out


def test_a_settings_file_that_cannot_be_read_is_told_and_can_be_passed_over(
    settings: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    Path("diagnose.yaml").write_bytes(b"rules: \xff\n")
    seen = run(capsys, "rank", "--answer", "defect=blobs")
    assert seen.code == 2
    assert "diagnose.yaml:1:8" in seen.err
    assert run(capsys, "rank", "--answer", "defect=blobs", "--without-own").code == 0
