"""Streams, names and typed lines that nobody expects: told plainly, never a traceback, nothing left behind."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

from diagnose.cases.book import Casebook
from diagnose.coupons.spiral import lamp_shade, write
from tests.cli.run import run

ROOT = Path(__file__).resolve().parent.parent.parent
LONG = "x" * 5000
PROGRAM = [sys.executable, "-m", "diagnose"]
HERE = {**os.environ, "PYTHONPATH": str(ROOT), "PYTHONUTF8": "0", "LC_ALL": "C.UTF-8"}


@pytest.mark.parametrize(
    "arguments",
    [
        ("rank", "--printer", LONG), ("rank", "--rules", LONG), ("rank", "--job", LONG), ("rank", LONG),
        ("printers", "show", LONG), ("rules", "check", "--rules", LONG), ("ask", "--casebook", LONG),
        ("ask", "--job", "~nobody-of-that-name/x.gcode"),
    ],
)  # fmt: skip
def test_a_name_that_no_file_can_have_is_told(
    capsys: pytest.CaptureFixture[str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch, arguments: tuple[str, ...]
) -> None:
    monkeypatch.chdir(tmp_path)
    if arguments[0] == "ask" and "--casebook" not in arguments:
        arguments = (*arguments, "--casebook", str(tmp_path / "book"))
    seen = run(capsys, *arguments)
    assert seen.code == 2
    assert "hint: " in seen.err
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("option", [("--printer", "bord"), ("--job", "nowhere.gcode")])
def test_a_mistyped_card_or_job_starts_no_case(
    capsys: pytest.CaptureFixture[str], tmp_path: Path, option: tuple[str, str]
) -> None:
    assert run(capsys, "ask", "--casebook", tmp_path / "book", *option).code == 2
    assert not (tmp_path / "book").exists()


def test_typed_lines_that_only_look_like_numbers_are_asked_again(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    typed = f"\N{SUPERSCRIPT TWO}\n{'9' * 5000}\n1,\n 1 \n\0\nj ~nobody-of-that-name/x\nj a\0b\nq\n"
    seen = run(capsys, "ask", "--casebook", tmp_path, typed=typed)
    assert seen.code == 0
    assert " ".join(seen.out.split()).count("type a number from 0 to") == 3, "1, and 1 are one answer each"
    assert "9" * 100 + "'" not in seen.out, "what was not understood is told in short"
    assert "no such home folder" in seen.out
    assert "zero character" in seen.out
    (case,) = Casebook(tmp_path).cases()
    assert case.events == 2


def test_a_job_whose_name_is_no_text_is_read_kept_and_shown(tmp_path: Path) -> None:
    name = os.fsdecode(b"sh\xffade.gcode")
    try:
        (tmp_path / name).write_text(write(lamp_shade()))
    except OSError:
        pytest.skip("this file system takes no such name")
    book = tmp_path / "book"
    typed = b"j sh\xffade.gcode\nd\nq\n"
    asked = subprocess.run(
        [*PROGRAM, "ask", "--casebook", book], input=typed, capture_output=True, cwd=tmp_path, env=HERE
    )
    assert asked.returncode == 0, asked.stderr
    assert b"findings" in asked.stdout
    (case,) = Casebook(book).cases()
    assert case.job is not None
    assert case.job["path"] == str(tmp_path / name)
    shown = subprocess.run([*PROGRAM, "toolpath", name, "--json"], capture_output=True, cwd=tmp_path, env=HERE)
    assert shown.returncode == 0, shown.stderr
    assert json.loads(shown.stdout)["job"].endswith("ade.gcode")


def test_a_reader_that_leaves_early_is_no_fault() -> None:
    with subprocess.Popen([*PROGRAM, "rank"], stdout=subprocess.PIPE, stderr=subprocess.PIPE, env=HERE) as process:
        assert process.stdout is not None and process.stderr is not None
        process.stdout.close()
        assert process.stderr.read() == b""
    assert process.returncode == 0


def test_closed_streams_are_no_fault(tmp_path: Path) -> None:
    for closed in ("<&-", ">&-", "<&- >&-"):
        line = f'exec "$0" -m diagnose ask --casebook "{tmp_path}/book" {closed}'
        done = subprocess.run(["bash", "-c", line, sys.executable], capture_output=True, env=HERE, stdin=subprocess.DEVNULL)
        assert (done.returncode, done.stderr) == (0, b""), closed


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="needs a device that is always full")
def test_a_full_disk_under_the_output_is_told_in_one_line() -> None:
    with Path("/dev/full").open("w") as full:
        done = subprocess.run([*PROGRAM, "rank"], stdout=full, stderr=subprocess.PIPE, env=HERE)
    assert done.returncode == 2
    assert len(done.stderr.splitlines()) == 1
    assert b"No space left" in done.stderr


def test_a_terminal_without_some_letter_still_shows_the_rest(tmp_path: Path) -> None:
    (tmp_path / "r.yaml").write_text(
        "remedies:\n  - {id: dry-it, name: \"Trocknen \N{SNOWMAN}\", do: Trocknen., minutes: 1}\n", "utf-8"
    )
    narrow = {**HERE, "PYTHONIOENCODING": "latin-1"}
    call = [*PROGRAM, "rules", "show", "dry-it", "--rules", tmp_path]
    done = subprocess.run(call, capture_output=True, env=narrow)
    assert done.returncode == 0, done.stderr
    assert rb"Trocknen \u2603" in done.stdout
    done = subprocess.run([*call, "--json"], capture_output=True, env=narrow)
    assert json.loads(done.stdout)["name"].endswith("\N{SNOWMAN}")


def test_rules_and_casebook_may_stand_before_the_command(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    assert "no such folder of rules" in run(capsys, "--rules", "nowhere", "rank").err
    run(capsys, "--casebook", tmp_path / "book", "ask", typed="q\n")
    assert len(Casebook(tmp_path / "book").cases()) == 1
