"""Marks as people write them down: CSV files, and lines such as ``12.4 @ 35``."""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Sequence
from pathlib import Path

import numpy as np

from diagnose.errors import BadInput, nearest
from diagnose.marks.model import Marks

HEIGHT_ERR, ANGLE_ERR, PLACE_ERR = 0.1, 2.0, 0.5
"""mm, deg, mm: what people reach with a caliper and a protractor on paper (common practice, no source)."""
ZEROS = {"right": 0.0, "back": 90.0, "left": 180.0, "front": 270.0}
"""Where angle 0 is, seen from above with the front of the printer below, in deg counter-clockwise from +x."""
TURNS = ("ccw", "cw")
COLUMNS = ("height_mm", "angle_deg", "x_mm", "y_mm", "z_mm", "height_err_mm", "angle_err_deg", "place_err_mm", "size")
MOST_BYTES = 5_000_000
MOST_MARKS = 5000
HIGHEST_MM = 5000.0
_TYPED = re.compile(
    r"^\s*(?P<h>[-+]?\d*[.,]?\d+)\s*(?:mm)?\s*(?:(?:@|at|/)\s*(?P<a>[-+]?\d*[.,]?\d+)\s*(?:deg|°)?)?\s*"
    r"(?:size\s*(?P<s>\d*[.,]?\d+))?\s*$",
    re.IGNORECASE,
)
EXAMPLE = "write a height in mm, and an angle in degrees after an @, such as 12.4 @ 35"

Mark = tuple[float, float, float]


def parse_mark(text: str, where: str = "") -> Mark:
    """Return height (mm), angle (deg, NaN where none is said) and size (NaN likewise) of a typed mark.

    ``12.4 @ 35``, ``12,4 @ 35 size 2``, ``12.4 mm at 35 deg`` and ``12.4`` are understood.

    Raises
    ------
    BadInput
        Anything else.
    """
    found = _TYPED.match(text)
    if not found:
        raise BadInput(f"{_short(text)} is no mark", EXAMPLE, where)
    height, angle, size = (math.nan if v is None else float(v.replace(",", ".")) for v in found.group("h", "a", "s"))
    _check(height, angle, where)
    return height, angle, size


def typed_marks(lines: Iterable[str], zero: str = "right", turn: str = "ccw", where: str = "") -> Marks:
    """Return marks typed one a line; empty lines and lines that begin with # are skipped. Raises BadInput."""
    rows: list[int] = []
    found: list[Mark] = []
    for number, line in enumerate(lines, 1):
        if not line.strip() or line.lstrip().startswith("#"):
            continue
        found.append(parse_mark(line, f"{where}:{number}" if where else f"mark {number}"))
        rows.append(number)
    height, angle, size = (np.array([mark[k] for mark in found], float) for k in range(3))
    n, nothing = len(found), np.full(len(found), np.nan)
    return Marks(
        height, _turned(angle, zero, turn), nothing, nothing.copy(), np.full(n, HEIGHT_ERR), np.full(n, ANGLE_ERR),
        nothing.copy(), size, np.array(rows, np.int32), zero != "unknown",
    )  # fmt: skip


def read_marks(path: Path | str, zero: str = "right", turn: str = "ccw") -> Marks:
    """Read a file of marks.

    A header names the columns, in any order: ``height_mm`` with optional ``angle_deg``, or ``x_mm y_mm z_mm``; optional
    ``height_err_mm``, ``angle_err_deg``, ``place_err_mm``, ``size``. Values are parted by commas, semicolons or tabs; with
    semicolons and tabs decimal commas are understood. Lines that begin with # are comments. A file without a header holds
    marks as they are typed, one a line.

    Parameters
    ----------
    zero
        Which side of the part angle 0 is at as it lay on the bed: right, back, left, front, or unknown.
    turn
        ccw or cw, the way that angles count seen from above.

    Raises
    ------
    BadInput
        With ``file:line`` and a hint.
    """
    path = Path(path)
    lines = _lines(path)
    numbered = [(k, line) for k, line in enumerate(lines, 1) if line.strip() and not line.lstrip().startswith("#")]
    if not numbered:
        raise BadInput("this file holds no marks", EXAMPLE, str(path))
    first, header = numbered[0]
    if not re.search(r"[a-z]{2}", re.sub(r"\b(mm|at|deg|size)\b", "", header.lower())) and not re.search(r"\b[xyz]\b", header.lower()):
        bare = re.match(r"^\s*\d+,\d+\s*$", header)  # a height of 1,2 mm, or a height and an angle?
        if bare or (not any(_TYPED.match(line) for _, line in numbered) and re.search(r"[;,\t]", header)):
            raise BadInput("the first line does not name the columns", f"begin with {','.join(COLUMNS[:2])}", f"{path}:{first}")
        return typed_marks(lines, zero, turn, str(path))
    part = next((sign for sign in (";", "\t", ",") if sign in header), ",")
    names = [name.strip().strip('"').strip().lower() for name in header.split(part)]
    _check_names(names, f"{path}:{first}")
    rows = [_values(line, part, names, f"{path}:{k}") for k, line in numbered[1:]]
    if not rows:
        raise BadInput("this file names columns but holds no marks", "write one mark a line below them", str(path))
    if len(rows) > MOST_MARKS:
        raise BadInput(f"{len(rows)} marks are more than anybody measures", f"keep the clearest {MOST_MARKS}", str(path))
    column = {name: np.array([row.get(name, math.nan) for row in rows], float) for name in COLUMNS}
    height = np.where(np.isnan(column["height_mm"]), column["z_mm"], column["height_mm"])
    for k, (number, _) in enumerate(numbered[1:]):
        place = f"{path}:{number}"
        if np.isnan(height[k]):
            raise BadInput("this mark has no height", "give its height above the bed in mm, or leave the line out", place)
        if np.isnan(column["x_mm"][k]) != np.isnan(column["y_mm"][k]):
            raise BadInput("this mark has only one of x and y", "give both, or its angle", place)
        _check(float(height[k]), float(column["angle_deg"][k]), place)
    n = len(rows)
    by_place = np.isfinite(column["x_mm"])

    def error(name: str, usual: float) -> np.ndarray:
        return np.where(np.isfinite(column[name]), column[name], usual)

    return Marks(
        height, _turned(np.where(by_place, np.nan, column["angle_deg"]), zero, turn), column["x_mm"], column["y_mm"],
        error("height_err_mm", HEIGHT_ERR), error("angle_err_deg", ANGLE_ERR),
        np.where(by_place, error("place_err_mm", PLACE_ERR), np.nan), column["size"],
        np.array([k for k, _ in numbered[1:]], np.int32)[:n], zero != "unknown" or bool(by_place.all()),
    )  # fmt: skip


def _lines(path: Path) -> list[str]:
    try:
        if path.stat().st_size > MOST_BYTES:
            raise BadInput("this file is too large for a list of marks", "is it the job file?", str(path))
        data = path.read_bytes()
    except OSError as error:
        raise BadInput(f"this file cannot be read ({error.strerror or error})", "check the path", str(path)) from error
    if b"\0" in data[:4000] and not data.startswith((b"\xff\xfe", b"\xfe\xff")):
        raise BadInput("this file is no text", "export the table as CSV", str(path))
    code = "utf-16" if data.startswith((b"\xff\xfe", b"\xfe\xff")) else "utf-8-sig"
    try:
        text = data.decode(code)
    except UnicodeDecodeError:
        text = data.decode("latin-1")
    return text.splitlines()


def _check_names(names: Sequence[str], where: str) -> None:
    for k, name in enumerate(names):
        if name not in COLUMNS:
            hint = nearest(name, COLUMNS) or f"columns are {', '.join(COLUMNS)}"
            raise BadInput(f"there is no column {_short(name)}", hint, where)
        if name in names[:k]:
            raise BadInput(f"the column {name} comes twice", "keep one of them", where)
    if "height_mm" not in names and "z_mm" not in names:
        raise BadInput("no column says how high the marks are", "name one height_mm (or x_mm, y_mm and z_mm)", where)
    if ("x_mm" in names) != ("y_mm" in names):
        raise BadInput("only one of x_mm and y_mm is there", "give both, or angle_deg", where)


def _values(line: str, part: str, names: Sequence[str], where: str) -> dict[str, float]:
    cells = [cell.strip().strip('"').strip() for cell in line.split(part)]
    while len(cells) > len(names) and not cells[-1]:
        cells.pop()
    if len(cells) > len(names):
        hint = "write decimals with a point, or part the columns with semicolons" if part == "," else "is one value too many?"
        raise BadInput(f"{len(cells)} values for {len(names)} columns", hint, where)
    found: dict[str, float] = {}
    for name, cell in zip(names, cells, strict=False):
        if not cell or cell in ("-", "?"):
            continue
        try:
            value = float(cell.replace(",", ".") if part != "," else cell)
        except ValueError:
            raise BadInput(f"{_short(cell)} in {name} is no number", "leave the cell empty if it was not measured", where) from None
        if not math.isfinite(value):
            raise BadInput(f"{_short(cell)} in {name} is no number", "leave the cell empty if it was not measured", where)
        if "err" in name and not 0 < value <= 360:
            raise BadInput(f"an error of {value:g} in {name} cannot be", "give one standard deviation, above zero", where)
        if abs(value) > 1e6:
            raise BadInput(f"{_short(cell)} in {name} is beyond any printer", "give mm and degrees", where)
        found[name] = value
    return found


def _check(height: float, angle: float, where: str) -> None:
    if not -1.0 <= height <= HIGHEST_MM:
        raise BadInput(f"a height of {height:g} mm is not on a part", "measure from the bed, in mm", where)
    if not math.isnan(angle) and abs(angle) > 3600:
        raise BadInput(f"an angle of {angle:g} degrees is beyond any turn", "give 0 to 360", where)


def _turned(angle: np.ndarray, zero: str, turn: str) -> np.ndarray:
    """Return angles counter-clockwise from +x, 0 to 360."""
    if turn not in TURNS:
        raise BadInput(f"{_short(turn)} is no way to turn", "give ccw or cw", "--turn")
    if zero not in (*ZEROS, "unknown"):
        raise BadInput(f"{_short(zero)} is no side", f"give {', '.join(ZEROS)} or unknown", "--zero")
    sense = 1.0 if turn == "ccw" else -1.0
    return np.asarray((ZEROS.get(zero, 0.0) + sense * angle) % 360.0)


def _short(text: str, most: int = 40) -> str:
    clean = "".join(c if c.isprintable() else "?" for c in text.strip())
    return repr(clean if len(clean) <= most else clean[: most - 1] + "…")


def counted(angle: float, zero: str, turn: str) -> float:
    """Return an angle counter-clockwise from +x, deg, as it is counted from another side or the other way round, 0 to 360."""
    sense = 1.0 if turn == "ccw" else -1.0
    return sense * (angle - ZEROS.get(zero, 0.0)) % 360.0
