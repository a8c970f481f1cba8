"""The laws of the house that no import contract can hold."""

from __future__ import annotations

import ast
import subprocess
import sys
from pathlib import Path

import pytest

from diagnose.cli import COMMANDS
from diagnose.triage import knowledge_from

ROOT = Path(__file__).resolve().parent.parent
ROLES = {"defect", "second-defect", "defect-again"}
"""Words of the rule format that a pack may also choose as ids."""


def strings(path: Path) -> set[str]:
    """Every string in a Python file that is not a docstring."""
    tree = ast.parse(path.read_text())
    documentation = {id(node.value) for node in ast.walk(tree) if isinstance(node, ast.Expr)}
    return {
        node.value
        for node in ast.walk(tree)
        if isinstance(node, ast.Constant) and isinstance(node.value, str) and id(node) not in documentation
    }


def test_no_cause_question_test_or_remedy_is_named_in_python() -> None:
    k = knowledge_from()
    ids = {*k.causes, *k.questions, *k.tests, *k.remedies} - ROLES
    assert len(ids) > 150
    named = {
        f"{path.relative_to(ROOT)}: {text}"
        for path in (ROOT / "diagnose").rglob("*.py")
        for text in strings(path) & ids
    }
    assert named == set()


@pytest.mark.parametrize(
    "command",
    ["--help", "--version", "rank --help", "rules list", "rules check", "rules test", "printers list", "rank --answer defect=blobs",
     "rules show pla", "cases score --folds 2", "plan --answer defect=blobs", "marks --help", "marks --schema", "ease --help",
     "ease --schema"],
)
def test_commands_that_read_no_job_load_no_compiler_and_no_screen(command: str) -> None:
    code = (
        "import sys\n"
        "from diagnose.cli import main\n"
        "try:\n    main(sys.argv[1:])\nexcept SystemExit as end:\n    assert not end.code, end.code\n"
        "heavy = {'numba', 'scipy', 'textual', 'matplotlib', 'llvmlite'} & set(sys.modules)\n"
        "assert not heavy, heavy\n"
    )
    done = subprocess.run([sys.executable, "-c", code, *command.split()], capture_output=True, text=True, cwd=ROOT)
    assert done.returncode == 0, done.stderr


def test_help_does_not_even_load_the_models() -> None:
    code = "import sys, diagnose.cli\nassert not {'pydantic', 'numpy', 'yaml'} & set(sys.modules)"
    assert subprocess.run([sys.executable, "-c", code], cwd=ROOT).returncode == 0


def test_the_top_level_holds_what_was_agreed() -> None:
    listed = subprocess.run(["git", "ls-files"], capture_output=True, text=True, cwd=ROOT)
    if listed.returncode:
        pytest.skip("not a git checkout")
    top = {name.split("/")[0] for name in listed.stdout.splitlines()}
    agreed = {"README.md", "DEVELOPERS.md", "LICENSE", "pyproject.toml", "diagnose", "rules", "tests", "casebook"}
    assert {name for name in top if not name.startswith(".")} == agreed


def test_every_command_and_option_has_help_and_every_command_is_in_the_readme() -> None:
    import click

    from diagnose.cli import diagnose

    readme = (ROOT / "README.md").read_text()

    def walk(command: click.Command, name: str) -> None:
        assert command.help, name
        for option in command.params:
            if isinstance(option, click.Option):
                assert option.help, f"{name} {option.opts}"
        if isinstance(command, click.Group):
            for child in command.list_commands(click.Context(command)):
                found = command.get_command(click.Context(command), child)
                assert found is not None
                walk(found, f"{name} {child}")

    walk(diagnose, "diagnose")
    for command in COMMANDS:
        assert f"diagnose {command}" in readme, command


def test_files_can_be_read_in_one_sitting() -> None:
    long = {
        str(path.relative_to(ROOT)): count
        for path in (ROOT / "diagnose").rglob("*.py")
        if (count := len(path.read_text().splitlines())) > 500
    }
    assert long == {}
