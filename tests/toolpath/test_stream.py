"""A job read in pieces is the job read as a whole; jobs inside archives."""

from __future__ import annotations

import dataclasses
import zipfile
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from diagnose.errors import BadInput
from diagnose.toolpath import stream
from diagnose.toolpath.jobfile import read_motion
from diagnose.toolpath.moves import Interpreted, interpret
from diagnose.toolpath.source import find_source
from diagnose.toolpath.words import read_words
from tests.toolpath.jobs import job_files

REAL = sorted((Path(__file__).parents[3] / "shared" / "gcode").glob("[!b]*.gcode"))


def same(a: Interpreted, b: Interpreted) -> None:
    for left, right in ((a.moves, b.moves), (a.events, b.events), (a.limits, b.limits), (a.by_board, b.by_board)):
        for column in dataclasses.fields(left):
            np.testing.assert_array_equal(getattr(left, column.name), getattr(right, column.name), column.name)
    assert (a.trouble, a.notes, a.assumed, a.counts) == (b.trouble, b.notes, b.assumed, b.counts)


def both_ways(path: Path, piece: int, monkeypatch: pytest.MonkeyPatch) -> Interpreted:
    """Read a file in pieces and as a whole; the same must come out."""
    monkeypatch.setattr(stream, "PIECE", piece)
    data = np.frombuffer(path.read_bytes(), np.uint8)
    whole = interpret(read_words(data))
    read, lines = read_motion(find_source(path))
    same(read, whole)
    ends = path.read_bytes().replace(b"\r\r\n", b"\n").replace(b"\r\n", b"\n").replace(b"\r", b"\n")
    assert lines == ends.count(b"\n") + (not ends.endswith(b"\n"))
    return read


@settings(max_examples=60, derandomize=True, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(job_files(), st.integers(20, 400), st.sampled_from(["\n", "\r\n", "\r\r\n", "\r"]))
def test_pieces_of_any_size_give_the_same_moves(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, text: str, piece: int, end: str
) -> None:
    path = tmp_path / "job.gcode"
    path.write_bytes((text + "\nG1 X1 Y1 F600\nG1 X2").replace("\r", "").replace("\n", end).encode())
    both_ways(path, piece, monkeypatch)


@pytest.mark.skipif(not REAL, reason="the real job files are kept outside the project")
@pytest.mark.parametrize("path", REAL, ids=lambda path: path.stem)
def test_real_jobs_in_pieces_are_the_same_jobs(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    both_ways(path, 40_000, monkeypatch)


@pytest.mark.parametrize("piece", [17, 40, 70, 1000])
def test_blocks_numbers_and_modes_cross_the_border_of_a_piece(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, piece: int
) -> None:
    lines = ["{if hot}", *(f"G1 X{k} Y1 F900" for k in range(9)), "{endif}", "; " + "long " * 50]
    for number, body in enumerate(["G1 X5", "G1 X6", "G1 X7", "M110 N40", "G1 X8", "G1 X9"], start=1):
        number = number if number < 5 else number + 37
        plain = f"N{number} {body}"
        total = 0
        for byte in plain.encode():
            total ^= byte
        lines.append(f"{plain}*{total}")
    path = tmp_path / "job.gcode"
    path.write_text("\n".join(lines))
    read = both_ways(path, piece, monkeypatch)
    assert "9 moves stand in conditional blocks" in " ".join(read.notes)
    assert read.trouble.first_lines == {"the line number does not follow on": [17]}


@pytest.mark.parametrize("lengths", [True, False])
def test_a_mode_that_shows_late_is_found_all_the_same(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, lengths: bool
) -> None:
    early = ["G1 X0 Y0 Z0.2 E1", "G1 X1 E2", "G1 X2 E3"] if lengths else ["G1 X0 Y0 Z0.2 E3", "G1 X1 E2", "G1 X2 E1"]
    late = [f"G1 X{k} E{0.5 if lengths else k}" for k in range(60)]
    path = tmp_path / "job.gcode"
    path.write_text("\n".join(["G1 F600", *early, *late]))
    read = both_ways(path, 40, monkeypatch)
    assert any(f"taken as {'lengths' if lengths else 'positions'}" in note for note in read.notes)


def test_a_switched_extruder_is_known_before_the_end_is_read(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "job.gcode"
    path.write_text("G1 X0 Y0 Z0.2 F600\nG1 X5\n" + "M101\nG1 X9\nM103\nG1 X0\n" * 5)
    read = both_ways(path, 20, monkeypatch)
    assert "flow" in read.assumed and np.count_nonzero(read.moves.e) == 5


JOB = "G21\nG90\nM83\nG1 X0 Y0 Z0.2 F600\nG1 X5 E1\n"


def packed(folder: Path, **members: str) -> Path:
    path = folder / "plate.zip"
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, text in members.items():
            archive.writestr(name, text)
    return path


def test_the_first_job_in_an_archive_is_read_and_others_by_name(tmp_path: Path) -> None:
    path = packed(tmp_path, **{"notes.txt": "hello", "a/one.gcode": JOB, "a/two.gcode": JOB + "G1 X9 E1\n"})
    assert len(read_motion(find_source(path))[0].moves) == 1
    assert len(read_motion(find_source(path / "a" / "two.gcode"))[0].moves) == 2
    assert not (tmp_path / "a").exists()


@pytest.mark.parametrize(
    ("members", "named", "says"),
    [
        ({"notes.txt": "hello"}, "", "holds no job file"),
        ({"one.gcode": JOB}, "two.gcode", "holds no file two.gcode"),
        ({"one.gcode": ""}, "", "empty"),
        ({"one.gcode": "version x\noid 1\nsize 2\n"}, "", "pointer"),
        ({"one.gcode": "\x00\x01\x02" * 900}, "", "binary"),
        ({"one.gcode": "hello\n"}, "", "nothing|no line"),
    ],
)
def test_archives_without_a_job_are_refused_in_one_line(
    tmp_path: Path, members: dict[str, str], named: str, says: str
) -> None:
    path = packed(tmp_path, **members)
    with pytest.raises(BadInput, match=says) as caught:
        read_motion(find_source(path / named if named else path))
    assert caught.value.hint and "\n" not in str(caught.value)


def test_a_damaged_archive_and_one_that_lies_about_its_size_are_refused(tmp_path: Path) -> None:
    path = packed(tmp_path, **{"one.gcode": JOB * 2000})
    whole = path.read_bytes()
    damaged = bytearray(whole)
    damaged[60:90] = bytes(30)
    for data in (whole[:100], whole[: len(whole) // 2], bytes(damaged)):
        path.write_bytes(data)
        with pytest.raises(BadInput, match="archive"):
            read_motion(find_source(path))


def test_an_archive_that_would_unpack_without_end_is_refused(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    from diagnose.toolpath import source

    monkeypatch.setattr(source, "LARGEST_UNPACKED", 1000)
    with pytest.raises(BadInput, match="GB large"):
        find_source(packed(tmp_path, **{"one.gcode": JOB * 2000}))
