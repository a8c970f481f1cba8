"""Marks as people write them down: a table of them, or typed one by one."""

from __future__ import annotations

import csv
import math
import re
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Literal

import numpy as np

from diagnose.errors import BadInput, nearest
from diagnose.marks.model import Marks

Zero = Literal["right", "front", "left", "back", "unknown"]
Turn = Literal["ccw", "cw"]

SIDES: Mapping[str, float] = {"right": 0.0, "back": 90.0, "left": 180.0, "front": 270.0}
"""Side of the part on the bed to its angle from +x, deg counter-clockwise seen from above; the front is where y is least."""
HEIGHT_ERR_MM, ANGLE_ERR_DEG, PLACE_ERR_MM = 0.2, 3.0, 1.0
"""How well a ruler and an eye do where nobody says (common practice, no source)."""
COLUMNS = ("height_mm", "angle_deg", "x_mm", "y_mm", "z_mm", "height_err_mm", "angle_err_deg", "size")
MOST_BYTES, MOST_MARKS = 2_000_000, 5_000
MOST_MM = 10_000.0
HOW = "write a height in mm, and how far round in degrees: 12.4 @ 35"

_Row = dict[str, float]


def read_marks(path: Path | str, zero: str = "right", turn: str = "ccw") -> Marks:
    """Read a table of marks: ``height_mm`` with or without ``angle_deg``, or ``x_mm, y_mm, z_mm``; errors and size beside.

    Columns in any order, divided by comma, semicolon or tab; decimal commas where commas do not divide; lines that begin
    with ``#`` do not count.

    Raises
    ------
    BadInput
        With the line of the first fault.
    """
    path = Path(path)
    try:
        with path.open("rb") as file:
            raw = file.read(MOST_BYTES + 1)
    except OSError as error:
        raise BadInput(f"cannot be read ({error.strerror or error})", "give the path of a table of marks", str(path)) from error
    if len(raw) > MOST_BYTES:
        raise BadInput("is too large for a table of marks", f"keep it below {MOST_BYTES // 1_000_000} MB", str(path))
    text = _decoded(raw, path)
    lines = [(n, line) for n, line in enumerate(text.splitlines(), 1) if line.strip() and not line.lstrip().startswith("#")]
    if not lines:
        raise BadInput("holds no marks", f"begin with a line of column names, such as {COLUMNS[0]},{COLUMNS[1]}", str(path))
    head, names, mark = _head(lines[0], path)
    rows = []
    for number, line in lines[1:]:
        cells = _cells(line, mark)
        where = f"{path}:{number}"
        if len(cells) > len(names):
            raise BadInput(f"has {len(cells)} cells under {len(names)} column names", "leave out what has no name", where)
        row = {name: _number(cell, name, mark, where) for name, cell in zip(names, cells, strict=False) if cell.strip()}
        rows.append((number, _checked(row, where)))
    if not rows:
        raise BadInput("holds no marks below its column names", "write a line for each mark", f"{path}:{head}")
    return _marks(rows, zero, turn)


def typed_marks(lines: Sequence[str], zero: str = "right", turn: str = "ccw") -> Marks:
    """Return marks typed one a line, as `parse_mark` takes them; raises BadInput with the number of the faulty one."""
    rows = []
    for number, line in enumerate(lines, 1):
        if line.strip():
            rows.append((number, _parsed(line, f"mark {number}")))
    if not rows:
        raise BadInput("no mark was given", HOW)
    return _marks(rows, zero, turn)


def parse_mark(text: str) -> tuple[float, float | None, float | None]:
    """Return height in mm, angle in deg or None, and size or None of a mark such as ``12.4 @ 35`` or ``12,4@35 size 2``."""
    row = _parsed(text, "")
    return row["height_mm"], row.get("angle_deg"), row.get("size")


_TYPED = re.compile(
    r"\s*(?P<height>[-+]?[\d.,]+)\s*(?:mm)?\s*(?:@\s*(?P<angle>[-+]?[\d.,]+)\s*(?:deg|°)?)?\s*(?:size\s*(?P<size>[\d.,]+))?\s*",
    re.IGNORECASE,
)


def _parsed(text: str, where: str) -> _Row:
    found = _TYPED.fullmatch(text)
    if not found:
        raise BadInput(f"{text.strip()!r} is no mark", HOW, where)
    row = {"height_mm": _number(found["height"], "height", ";", where)}
    if found["angle"]:
        row["angle_deg"] = _number(found["angle"], "angle", ";", where)
    if found["size"]:
        row["size"] = _number(found["size"], "size", ";", where)
    return _checked(row, where)


def _decoded(raw: bytes, path: Path) -> str:
    for encoding in ("utf-8-sig", "utf-16") if raw[:2] in (b"\xff\xfe", b"\xfe\xff") else ("utf-8-sig",):
        try:
            return raw.decode(encoding)
        except UnicodeDecodeError:
            continue
    if b"\0" in raw:
        raise BadInput("is no text", "save the table as CSV", str(path))
    return raw.decode("latin-1")


def _head(line: tuple[int, str], path: Path) -> tuple[int, list[str], str]:
    """Return the line of the column names, the names, and what divides the cells."""
    number, text = line
    mark = max(";\t,", key=text.count)
    names = [name.strip().lower() for name in _cells(text, mark)]
    where = f"{path}:{number}"
    for name in names:
        if name not in COLUMNS:
            if any(ch.isdigit() for ch in name) and not any(ch.isalpha() for ch in name):
                raise BadInput("the first line holds no column names", f"begin with: {COLUMNS[0]},{COLUMNS[1]}", where)
            raise BadInput(f"{name!r} is not a column of marks", nearest(name, COLUMNS) or f"the columns are: {', '.join(COLUMNS)}", where)
    twice = next((name for name in names if names.count(name) > 1), None)
    if twice:
        raise BadInput(f"the column {twice!r} stands there twice", "leave one of them out", where)
    if "height_mm" not in names and "z_mm" not in names:
        raise BadInput("no column tells the height", "add height_mm, or x_mm, y_mm and z_mm", where)
    if ("x_mm" in names) != ("y_mm" in names) or ("z_mm" in names and "x_mm" not in names):
        raise BadInput("a place needs x_mm, y_mm and z_mm", "add the columns that are missing, or give height_mm alone", where)
    if "height_mm" in names and "z_mm" in names:
        raise BadInput("height_mm and z_mm both tell the height", "keep one of them", where)
    if "angle_deg" in names and "x_mm" in names:
        raise BadInput("angle_deg and x_mm, y_mm both tell the place", "keep one of them", where)
    return number, names, mark


def _cells(line: str, mark: str) -> list[str]:
    return next(csv.reader([line], delimiter=mark))


def _number(cell: str, name: str, mark: str, where: str) -> float:
    text = cell.strip()
    if mark != "," and text.count(",") == 1 and "." not in text:
        text = text.replace(",", ".")
    try:
        value = float(text)
    except ValueError:
        hint = "divide cells by semicolons where numbers have decimal commas" if mark == "," else "write a number like 12.4"
        raise BadInput(f"`{name}` cannot be {cell.strip()!r}", hint, where) from None
    if not math.isfinite(value) or abs(value) > MOST_MM:
        raise BadInput(f"`{name}` cannot be {cell.strip()!r}", f"write a number between -{MOST_MM:.0f} and {MOST_MM:.0f}", where)
    return value


def _checked(row: _Row, where: str) -> _Row:
    if "height_mm" not in row and "z_mm" not in row:
        raise BadInput("this mark has no height", "write its height above the bed in mm", where)
    if ("x_mm" in row) != ("y_mm" in row):
        raise BadInput("this mark has only one of x and y", "write both", where)
    for name in ("height_err_mm", "angle_err_deg"):
        if name in row and not row[name] > 0:
            raise BadInput(f"`{name}` cannot be {row[name]:g}", "write how far off it may be, above zero", where)
    if row.get("height_mm", row.get("z_mm", 0.0)) < 0:
        raise BadInput("this mark lies below the bed", "heights count upwards from the bed", where)
    return row


def _marks(rows: Sequence[tuple[int, _Row]], zero: str, turn: str) -> Marks:
    if zero not in (*SIDES, "unknown"):
        raise BadInput(f"{zero!r} is no side of a part", f"write one of: {', '.join(SIDES)}, unknown", "--zero")
    if turn not in ("ccw", "cw"):
        raise BadInput(f"{turn!r} is no way round", "write ccw or cw, as seen from above", "--turn")
    if len(rows) > MOST_MARKS:
        raise BadInput(f"there are {len(rows)} marks", f"keep at most {MOST_MARKS}: thirty tell as much")

    def column(name: str, other: float = math.nan) -> np.ndarray:
        return np.array([row.get(name, other) for _, row in rows], dtype=np.float64)

    height, angle, x = column("height_mm"), column("angle_deg"), column("x_mm")
    height = np.where(np.isnan(height), column("z_mm"), height)
    angle = (SIDES.get(zero, 0.0) + (angle if turn == "ccw" else -angle)) % 360.0
    return Marks(
        height=height, angle=angle, x=x, y=column("y_mm"), height_err=column("height_err_mm", HEIGHT_ERR_MM),
        angle_err=column("angle_err_deg", ANGLE_ERR_DEG), place_err=np.where(np.isnan(x), np.nan, PLACE_ERR_MM),
        size=column("size"), row=np.array([number for number, _ in rows], np.int32),
        zero_known=zero != "unknown" or bool(np.isnan(angle).all()),
    )  # fmt: skip
