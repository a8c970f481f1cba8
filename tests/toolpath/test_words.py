"""Bytes to words: everything real job files hold, and the check values of the published standard."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from diagnose.errors import BadInput
from diagnose.toolpath._kernels.words import JUNK, MAYBE
from diagnose.toolpath.jobfile import read_motion
from diagnose.toolpath.source import find_source
from diagnose.toolpath.words import name_of, operation
from tests.toolpath import plain_reader
from tests.toolpath.jobs import job_files, words_of


def names(text: str | bytes) -> list[str]:
    return [name_of(code) for code in words_of(text).operation.tolist()]


@pytest.mark.parametrize(
    ("text", "letter", "value"),
    [
        ("G1 Z.35", "Z", 0.35),
        ("G1 E-.7", "E", -0.7),
        ("G1 Z+0.5", "Z", 0.5),
        ("G1 X-0.0", "X", 0.0),
        ("G1 F1041.6665039062", "F", 1041.6665039062),
        ("G1 X5.", "X", 5.0),
        ("G0 X 38.0 Y 70.0", "Y", 70.0),
        ("G1X5Y98F9000", "F", 9000.0),
        ("G1F500X56.0000Y-0.0000;", "X", 56.0),
        ("g1 x1.5e2", "E", 2.0),
        ("G1 X1 E1e-05", "E", 1e-5),
        ("G1 X1e30", "X", 1e30),
        ("G1 E999999999999999999999", "E", 1e21),
        ("G3 Z.8 I.044 J-1.216 P1 F30000", "J", -1.216),
        ("G92 A0", "E", 0.0),
        ("G1 X=7", "X", 7.0),
    ],
)
def test_numbers_are_read_as_job_files_write_them(text: str, letter: str, value: float) -> None:
    words = words_of(text)
    assert len(words) == 1
    assert words.column(letter)[0] == pytest.approx(value, rel=1e-15)


def test_case_and_blanks_do_not_matter_even_inside_a_number() -> None:
    """G-07: NISTIR 6556, 3.3 and 3.3.2: `g0x +0. 12 34y 7` reads as G0 X0.1234 Y7."""
    words = words_of("g0x +0. 12 34y 7")
    assert names("g0x +0. 12 34y 7") == ["G0"]
    assert (words.x[0], words.y[0]) == (0.1234, 7.0)


@settings(max_examples=300, derandomize=True, deadline=None)
@given(st.decimals(min_value=-99999, max_value=99999, places=10, allow_nan=False))
def test_a_number_is_what_python_reads_to_the_last_bit_but_one(number: object) -> None:
    text = f"{number:f}"
    assert words_of(f"G1 X{text}").x[0] == pytest.approx(float(text), rel=2.3e-16, abs=0)


CHECKED = [
    "N3 T0*57", "N4 G92 E0*67", "N5 G28*22", "N6 G1 F1500.0*82", "N7 G1 X2.0 Y2.0 F3000.0*85", "N0 M106*36",
    "N1 G28*18", "N2 M107*39", "N10 G92 X0 Y0 Z0 A0 B0*107", "N212 G92 E0.0000 *72", "N2 G28*17",
]  # fmt: skip


@pytest.mark.parametrize("line", CHECKED)
def test_published_checksums_agree(line: str) -> None:
    """G-01: XOR of every byte before the star (community G-code reference, public send logs)."""
    assert words_of(line).trouble.counts == {}


@pytest.mark.parametrize("line", CHECKED)
def test_a_changed_digit_breaks_the_checksum_and_the_line_is_still_carried_out(line: str) -> None:
    star = line.index("*")
    wrong = line[:star] + f"*{int(line[star + 1 :]) ^ 1}"
    words = words_of(wrong)
    assert words.trouble.counts == {"the checksum does not match the line": 1} and len(words) == 1


def test_a_checksum_does_not_see_two_bytes_swapped() -> None:
    """G-01a: `N3 0T` has the checksum of `N3 T0`, the known limit of an XOR."""
    assert "the checksum does not match the line" not in words_of("N3 0T*57").trouble.counts


@pytest.mark.parametrize("end", ["\n", "\r\n", "\r\r\n", "\r"])
@pytest.mark.parametrize("last", ["", "end"])
def test_line_ends_of_every_kind_count_once(end: str, last: str) -> None:
    text = end.join(["G1 X1", "", "; nothing", "G1 X2"]) + (end if last else "")
    words = words_of(text)
    assert words.line.tolist() == [1, 4]
    assert words.x.tolist() == [1.0, 2.0]
    assert words.bytes_all.sum() == len(text)


def test_mixed_line_ends_are_told_apart_line_by_line() -> None:
    words = words_of("G1 X1\r\r\nG1 X2\r\nG1 X3\nG1 X4\rG1 X5")
    assert words.line.tolist() == [1, 2, 3, 4, 5]


def test_a_byte_order_mark_and_zero_bytes_are_blanks() -> None:
    words = words_of(b"\xef\xbb\xbfG1 X1\x00 Y2\x00\n")
    assert (words.x[0], words.y[0], words.junk_lines) == (1.0, 2.0, 0)


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("M109 S200G1 X0.1 Y200.0", ["M109", "G1"]),
        ("G90 G21 G1X5", ["G90", "G21", "G1"]),
        ("M862.3 P \"MODEL\"", ["M862.3"]),
        ("M73.2 R1.0", ["M73.2"]),
        ("G00 X1\nG01 X2", ["G0", "G1"]),
        ("T255\nT1000", ["T255", "T1000"]),
        ("M117 1% layer 0 / 25\nM117 \nM117 *Heat* G1 X5", ["M117", "M117", "M117"]),
        ("print_start bed=70\nSET_LIMIT ACCEL=3000\nDEFINE_OBJECT POLYGON=[[1,2]]", ["macro"] * 3),
        ("; G1 X5\n(G1 X6)\n   \n%", []),
        ("G1 X5 (G1 X6) Y7", ["G1"]),
        ("X5 Y6", ["no command"]),
        ("/G1 X5", ["G1"]),
        ("G1 X5 ;" + "G1 X6 M104 S300 " * 1300, ["G1"]),
        ("G1 X1" + " " * 80_000 + "Y2", ["G1"]),
    ],
)
def test_commands_are_found_and_text_is_left_alone(text: str, expected: list[str]) -> None:
    assert names(text) == expected


def test_bare_letters_are_noted() -> None:
    words = words_of("G92 XYZ\nG92 X Y Z E\nG28 W\nG28 X0 ;Y0")
    letters = ["".join(chr(65 + k) for k in range(26) if bits >> k & 1) for bits in words.bare.tolist()]
    assert letters == ["XYZ", "EXYZ", "W", ""]
    assert words.x.tolist()[3] == 0.0 and np.isnan(words.y[3])


def test_a_placeholder_never_filled_in_is_counted_and_its_word_is_absent() -> None:
    words = words_of("G1 X1\nG1 X5 F{speed_travel} Y2\n")
    assert np.isnan(words.f[1]) and words.y[1] == 2.0
    assert words.trouble.first_lines == {"a placeholder was never filled in": [2]}


def test_unclosed_quotes_and_comments_end_with_their_line() -> None:
    words = words_of('M118 x\nM486 A"G1 X9\nG1 X1 (open\nG1 X2\n')
    assert names('M118 x\nM486 A"G1 X9\nG1 X1 (open\nG1 X2\n') == ["M118", "M486", "G1", "G1"]
    assert words.trouble.first_lines["a comment in parentheses is not closed"] == [3]


@pytest.mark.parametrize(
    "text",
    ["{if x > 1}\nG1 X1\n{else}\nG1 X2\n{endif}\nG1 X3\n", "if x > 1\n  G1 X1\nelse\n  G1 X2\nG1 X3\n"],
)
def test_moves_inside_conditional_blocks_are_flagged(text: str) -> None:
    words = words_of(text)
    maybe = {x: bool(flags & MAYBE) for x, flags in zip(words.x.tolist(), words.flags.tolist(), strict=True) if x == x}
    assert maybe == {1.0: True, 2.0: True, 3.0: False}


def test_unreadable_characters_are_counted_with_their_lines() -> None:
    words = words_of("G1 X1\n\x80\x81?\nG1 X2 !\n")
    assert words.trouble.first_lines == {"unreadable characters": [2, 3]}
    assert [bool(flag & JUNK) for flag in words.flags] == [False, True]


@settings(max_examples=150, derandomize=True, deadline=None)
@given(job_files())
def test_words_agree_with_the_plain_reader(text: str) -> None:
    words = words_of(text)
    plain = plain_reader.commands(text)
    assert words.line.tolist() == [line for line, _ in plain]
    for row, (_, expected) in enumerate(plain):
        name = next(iter(expected))
        code = int(words.operation[row])
        assert code == (operation(f"{name}{expected[name]:g}") if name in "GM" else 0)
        for letter in "XYZEFIJPS":
            value = expected.get(letter) if code != operation("M117") else None
            got = words.column(letter)[row]
            assert np.isnan(got) if value is None else got == value


@settings(max_examples=200, derandomize=True, deadline=None)
@given(st.binary(max_size=400))
def test_no_bytes_whatever_stop_the_reader(data: bytes) -> None:
    words = words_of(data)
    assert np.all(np.diff(words.line) >= 0) and words.bytes_all.sum() <= len(data)


@settings(max_examples=200, derandomize=True, deadline=None)
@given(st.text(alphabet='GMTNXYZEFIJRSP0123456789.+-*;()"{}[]_/% \t\r\nif', max_size=300))
def test_no_shuffled_g_code_stops_the_reader(text: str) -> None:
    words = words_of(text)
    assert np.all(np.diff(words.line) >= 0) and words.bytes_all.sum() <= len(text)


def test_columns_grow_when_lines_hold_many_commands() -> None:
    words = words_of("G90" * 5000 + "G1 X1 I2 J3" * 3000)
    assert len(words) == 8000
    assert words.column("I")[-1] == 2.0 and words.line.max() == 1


def test_progress_is_reported_and_may_stop_the_reading(tmp_path: Path) -> None:
    from diagnose.errors import Cancelled
    from diagnose.toolpath.words import read_words

    def stop(done: float, what: str) -> None:
        raise Cancelled

    with pytest.raises(Cancelled):
        read_words(np.frombuffer(b"G1 X1\n" * 10, np.uint8), stop)


@pytest.mark.parametrize(
    ("content", "says"),
    [
        (b"", "empty"),
        (b"version https://example.org/spec/v1\noid sha256:4d7a2146\nsize 12345\n", "pointer"),
        (b"PK\x03\x04" + bytes(200), "archive"),
        ("G1 X1\n".encode("utf-16"), "16-bit"),
        (bytes(range(256)) * 40, "binary"),
        (bytes(4000), "binary"),
        (b"Dear diary,\nnothing moved today.\n", "moves"),
        (b"G1 X5\n" + b"#?!\x80 ^^\n" * 20, "not G-code"),
    ],
)
def test_what_is_no_job_file_is_refused_in_one_line(tmp_path: Path, content: bytes, says: str) -> None:
    path = tmp_path / "job.gcode"
    path.write_bytes(content)
    with pytest.raises(BadInput, match=says) as caught:
        read_motion(find_source(path))
    assert caught.value.where == str(path) and caught.value.hint and "\n" not in str(caught.value)


def test_a_missing_file_and_a_folder_are_refused(tmp_path: Path) -> None:
    with pytest.raises(BadInput, match="no such file"):
        find_source(tmp_path / "none.gcode")
    with pytest.raises(BadInput, match="folder"):
        find_source(tmp_path)
