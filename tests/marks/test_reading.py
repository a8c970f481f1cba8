"""Marks as people write them."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from diagnose.errors import BadInput
from diagnose.marks.reading import ANGLE_ERR, HEIGHT_ERR, parse_mark, read_marks, typed_marks


def file(folder: Path, text: str | bytes) -> Path:
    path = folder / "marks.csv"
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    return path


@pytest.mark.parametrize(
    ("text", "height", "angle", "size"),
    [
        ("12.4 @ 35", 12.4, 35, None), ("12,4@35", 12.4, 35, None), ("12.4", 12.4, None, None), (" .5 mm at 350 deg ", 0.5, 350, None),
        ("12,4 @ 35 size 2", 12.4, 35, 2), ("7 size 3", 7, None, 3), ("3 / 90°", 3, 90, None), ("3 @ -45", 3, -45, None),
    ],
)  # fmt: skip
def test_a_mark_is_typed_as_a_height_and_an_angle(text: str, height: float, angle: float | None, size: float | None) -> None:
    wanted = [np.nan if v is None else v for v in (height, angle, size)]
    np.testing.assert_array_equal(parse_mark(text), wanted)


@pytest.mark.parametrize("text", ["", "x", "12.4 @", "12.4 35", "1 @ 2 @ 3", "nan", "1e9", "@ 35", "99999 @ 1", "5 @ 99999"])
def test_what_is_no_mark_is_refused_with_a_hint(text: str) -> None:
    with pytest.raises(BadInput) as fault:
        parse_mark(text)
    assert fault.value.hint


def test_a_table_may_have_its_columns_in_any_order_and_comments_and_gaps(tmp_path: Path) -> None:
    marks = read_marks(file(tmp_path, "# measured on Monday\n\nangle_deg, size ,height_mm\n35,2,12.4\n# so so\n,1,13.0\n"))
    np.testing.assert_array_equal(marks.height, [12.4, 13.0])
    np.testing.assert_array_equal(marks.angle, [35, np.nan])
    np.testing.assert_array_equal(marks.size, [2, 1])
    assert marks.row.tolist() == [4, 6]
    assert set(marks.height_err) == {HEIGHT_ERR} and set(marks.angle_err) == {ANGLE_ERR}


@pytest.mark.parametrize("sign", [";", "\t"])
@pytest.mark.parametrize("code", ["utf-8", "utf-8-sig", "utf-16"])
def test_semicolons_tabs_and_decimal_commas_are_read_in_any_common_code(tmp_path: Path, sign: str, code: str) -> None:
    text = f"height_mm{sign}angle_deg\r\n12,4{sign}35,5\r\n13{sign}\r\n"
    marks = read_marks(file(tmp_path, text.encode(code)))
    np.testing.assert_array_equal(marks.height, [12.4, 13])
    np.testing.assert_array_equal(marks.angle, [35.5, np.nan])


def test_places_on_the_bed_are_read_with_their_own_error(tmp_path: Path) -> None:
    marks = read_marks(file(tmp_path, "x_mm,y_mm,z_mm,place_err_mm\n100,110,5,0.2\n101,110,6,\n"))
    np.testing.assert_array_equal(marks.x, [100, 101])
    np.testing.assert_array_equal(marks.height, [5, 6])
    np.testing.assert_array_equal(marks.place_err, [0.2, 0.5])
    assert np.isnan(marks.angle).all()


def test_a_file_without_a_header_holds_typed_marks(tmp_path: Path) -> None:
    marks = read_marks(file(tmp_path, "12.4 @ 35\n\n13,1 @ 40 size 2\n"))
    np.testing.assert_array_equal(marks.angle, [35, 40])
    assert marks.row.tolist() == [1, 3]


@pytest.mark.parametrize(
    ("zero", "turn", "angle"),
    [("right", "ccw", 30), ("back", "ccw", 120), ("left", "ccw", 210), ("front", "ccw", 300), ("right", "cw", 330), ("front", "cw", 240)],
)  # fmt: skip
def test_how_the_part_was_held_turns_the_angles(zero: str, turn: str, angle: float) -> None:
    assert typed_marks(["5 @ 30"], zero, turn).angle[0] == pytest.approx(angle)


def test_an_unknown_zero_is_kept_as_unknown() -> None:
    assert not typed_marks(["5 @ 30"], "unknown").zero_known
    assert typed_marks(["5 @ 30"]).zero_known


@pytest.mark.parametrize(
    ("text", "line"),
    [
        ("height_mm,angel_deg\n1,2\n", 1), ("angle_deg,size\n1,2\n", 1), ("height_mm,angle_deg\n1,two\n", 2),
        ("height_mm,angle_deg\n1,2,3\n", 2), ("height_mm,angle_deg\n1,2\n,3\n", 3), ("x_mm,y_mm,z_mm\n1,,3\n", 2),
        ("x_mm,z_mm\n1,3\n", 1), ("height_mm,height_mm\n1,3\n", 1), ("height_mm,height_err_mm\n1,0\n", 2), ("12.4 @ 35\nhello\n", 2),
        ("height_mm,angle_deg\n12,4,35\n", 2), ("height_mm\nnan\n", 2), ("height_mm\ninf\n", 2), ("1,2\n3,4\n", 1),
    ],
)  # fmt: skip
def test_every_fault_is_named_with_its_line_and_a_hint(tmp_path: Path, text: str, line: int) -> None:
    with pytest.raises(BadInput) as fault:
        read_marks(file(tmp_path, text))
    assert fault.value.where.endswith(f"marks.csv:{line}")
    assert fault.value.hint


@pytest.mark.parametrize("data", [b"", b"# nothing\n", b"height_mm\n", b"\x00\x01\x02"])
def test_a_file_without_marks_is_refused(tmp_path: Path, data: bytes) -> None:
    with pytest.raises(BadInput):
        read_marks(file(tmp_path, data))


def test_a_missing_file_and_a_wrong_side_are_refused(tmp_path: Path) -> None:
    with pytest.raises(BadInput):
        read_marks(tmp_path / "none.csv")
    with pytest.raises(BadInput):
        typed_marks(["1 @ 2"], "top")
    with pytest.raises(BadInput):
        typed_marks(["1 @ 2"], "right", "both")


@given(st.binary(max_size=200))
def test_no_bytes_make_the_reader_fail_otherwise_than_with_bad_input(data: bytes) -> None:
    import tempfile

    with tempfile.TemporaryDirectory() as folder:
        try:
            marks = read_marks(file(Path(folder), data))
        except BadInput:
            return
        assert np.isfinite(marks.height).all() and len(marks)
