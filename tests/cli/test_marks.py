"""``marks``, ``rank --marks`` and the marks of ``ask``, on the invented shade with invented marks."""

from __future__ import annotations

import math
import re
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

from diagnose.coupons.spiral import lamp_shade, write
from diagnose.marks.simulate import At, simulate
from diagnose.toolpath.job import read_job
from diagnose.triage import card, knowledge_from, machine_of
from diagnose.triage.marks_contract import OUTPUT, schema_text
from tests.cli.run import run

CARD = "board-memory-card"


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A job and marks of its saves: counter-clockwise from the right, and the same ones clockwise from the front."""
    folder = tmp_path_factory.mktemp("shade")
    (folder / "shade.gcode").write_text(write(lamp_shade()))
    job = read_job(folder / "shade.gcode", machine_of(card(knowledge_from(), CARD)))
    marks = simulate(job, At("checkpoint-stops"), 2)
    each = list(zip(marks.height, marks.angle, strict=True))
    (folder / "marks.csv").write_text("height_mm,angle_deg\n" + "".join(f"{h:.2f},{a:.1f}\n" for h, a in each))
    (folder / "held.csv").write_text("height_mm;angle_deg\n" + "".join(f"{h:.2f};{(270 - a) % 360:.1f}\n" for h, a in each))
    (folder / "heights.csv").write_text("height_mm\n" + "".join(f"{h:.2f}\n" for h, _ in each))
    (folder / "stray.csv").write_text((folder / "marks.csv").read_text() + "95,10\n")
    (folder / "few.csv").write_text("height_mm,angle_deg\n72,10\n73,20\n")
    return folder


def marks(capsys: pytest.CaptureFixture[str], folder: Path, name: str, *more: object) -> object:
    return run(capsys, "marks", folder / "shade.gcode", folder / name, "--printer", CARD, *more)


def test_json_is_as_published_and_says_what_the_marks_are(capsys: pytest.CaptureFixture[str], folder: Path) -> None:
    got = marks(capsys, folder, "marks.csv", "--json").json  # type: ignore[attr-defined]
    OUTPUT.validate_python(got)
    assert (got["marks"], got["placed"]) == (14, 14)
    assert {"clock", "decibans", "period", "unit", "low", "high", "part"} <= set(got["clocks"][0])
    assert {"place", "decibans", "hits"} <= set(got["places"][0])
    for name in ("clocks", "places"):
        weights = [row["decibans"] for row in got[name]]
        assert weights == sorted(weights, reverse=True)
    assert got["places"][0]["place"] == "checkpoint-stops"
    assert max(e["decibans"] for e in got["evidence"]) <= 40.0 + 1e-9
    assert all(m["on_part"] and m["line"] > 0 for m in got["list"])
    assert got["map"]["stops"] and run(capsys, "marks", "--schema").out == schema_text()


def test_the_page_says_it_first_and_fits(capsys: pytest.CaptureFixture[str], folder: Path) -> None:
    out = marks(capsys, folder, "marks.csv").out  # type: ignore[attr-defined]
    assert out.splitlines()[2].startswith((" PLACES  ", " TIED  ", " BEAT  "))
    for words in ("keeps time with", "lies at", "stops by saves", "Folded on", "The surface unrolled", "predicted stop"):
        assert words in out
    assert all(len(line) <= 80 for line in out.splitlines())
    plain = marks(capsys, folder, "marks.csv", "--ascii").out  # type: ignore[attr-defined]
    assert plain.isascii() and len(plain.splitlines()) == len(out.splitlines())
    brief = marks(capsys, folder, "marks.csv", "--quiet").out  # type: ignore[attr-defined]
    assert "unrolled" not in brief and "keeps time with" in brief


def test_the_way_the_part_was_held_is_undone(capsys: pytest.CaptureFixture[str], folder: Path) -> None:
    straight = marks(capsys, folder, "marks.csv", "--json").json  # type: ignore[attr-defined]
    held = marks(capsys, folder, "held.csv", "--zero", "front", "--turn", "cw", "--json").json  # type: ignore[attr-defined]
    np.testing.assert_allclose([m["angle"] for m in held["list"]], [m["angle"] for m in straight["list"]], atol=0.2)
    wrong = marks(capsys, folder, "held.csv", "--json").json  # type: ignore[attr-defined]
    assert wrong["places"][0]["decibans"] < straight["places"][0]["decibans"] - 10
    unknown = marks(capsys, folder, "held.csv", "--zero", "unknown", "--turn", "cw", "--json").json  # type: ignore[attr-defined]
    assert unknown["places"][0]["decibans"] > wrong["places"][0]["decibans"]


def test_heights_alone_stand_in_the_margin(capsys: pytest.CaptureFixture[str], folder: Path) -> None:
    seen = marks(capsys, folder, "heights.csv")
    assert "all by height alone" in seen.out and "known by height alone" in seen.out  # type: ignore[attr-defined]
    got = marks(capsys, folder, "heights.csv", "--json").json  # type: ignore[attr-defined]
    assert all(m["angle"] is None for m in got["list"])


def test_a_mark_off_the_part_is_told_with_how_far(capsys: pytest.CaptureFixture[str], folder: Path) -> None:
    out = " ".join(marks(capsys, folder, "stray.csv").out.split())  # type: ignore[attr-defined]
    assert re.search(r"mark 16.*: it lies 15\.\d mm off the surface\. Is the height from the bed", out)
    assert "15 measured, 14 on the part" in out


def test_too_few_marks_are_an_answer(capsys: pytest.CaptureFixture[str], folder: Path) -> None:
    seen = marks(capsys, folder, "few.csv")
    assert seen.code == 0 and " TOO FEW " in seen.out and "too few" in seen.out  # type: ignore[attr-defined]
    OUTPUT.validate_python(marks(capsys, folder, "few.csv", "--json").json)  # type: ignore[attr-defined]


@pytest.mark.parametrize(
    ("text", "words", "line"),
    [
        ("", "holds no marks", ""),
        ("height_mm,angle\n1,2\n", "'angle'", ":1"),
        ("height_mm,angle_deg\n1,2\n1,x\n", "'x'", ":3"),
    ],
)
def test_bad_marks_are_told_with_file_and_line_before_the_job_is_read(
    capsys: pytest.CaptureFixture[str], tmp_path: Path, text: str, words: str, line: str
) -> None:
    (tmp_path / "m.csv").write_text(text)
    seen = run(capsys, "marks", tmp_path / "no-such-job.gcode", tmp_path / "m.csv")
    assert seen.code == 2 and words in seen.err and f"m.csv{line}" in seen.err and "hint:" in seen.err


def test_bad_use_is_told(capsys: pytest.CaptureFixture[str], folder: Path) -> None:
    assert "a job file and a file of marks are needed" in run(capsys, "marks", folder / "shade.gcode").err
    seen = marks(capsys, folder, "marks.csv", "--object", 3)
    assert seen.code == 2 and "object" in seen.err  # type: ignore[attr-defined]


def test_rank_takes_marks_and_their_line_comes_last_in_every_ledger(
    capsys: pytest.CaptureFixture[str], folder: Path
) -> None:
    common = ("--job", folder / "shade.gcode", "--printer", CARD, "--answer", "defect=blobs", "--answer", "mark-spacing=uneven")
    without = run(capsys, "rank", *common, "--json").json
    got = run(capsys, "rank", *common, "--marks", folder / "marks.csv", "--json").json
    assert without["marks"] is None and got["marks"]["placed"] == 14
    assert got["causes"][0]["id"] == "checkpoint-stalls"
    for cause in got["causes"]:
        assert cause["ledger"][-1]["source"] == "marks"
        share = cause["probability"]
        if 1e-9 < share < 1 - 1e-6:
            assert sum(line["decibans"] for line in cause["ledger"]) == pytest.approx(10 * math.log10(share / (1 - share)), abs=1e-4)
    (spacing,) = [a for a in got["answers"] if a["id"] == "mark-spacing"]
    assert (spacing["counts"], spacing["why"]) == (False, "the marks measure it")
    out = run(capsys, "rank", *common, "--marks", folder / "marks.csv").out
    assert "marks lie at stops by saves" in " ".join(out.split())


def test_an_answers_file_names_its_marks_beside_it(capsys: pytest.CaptureFixture[str], folder: Path) -> None:
    head = f"answers: {{defect: blobs}}\njob: shade.gcode\nprinter: {CARD}\n"
    (folder / "a.yaml").write_text(head + "marks: marks.csv\n")
    (folder / "b.yaml").write_text(head + "marks: {file: held.csv, zero: front, turn: cw}\n")
    (folder / "c.yaml").write_text(head + "marks: {file: held.csv, zreo: front}\n")
    a, b = (run(capsys, "rank", folder / name, "--json").json["marks"]["weighed"] for name in ("a.yaml", "b.yaml"))
    assert a["places"][0]["decibans"] == pytest.approx(b["places"][0]["decibans"], abs=1.5)
    seen = run(capsys, "rank", folder / "c.yaml")
    assert seen.code == 2 and "c.yaml:4" in seen.err and "did you mean 'zero'?" in seen.err


def test_rank_keeps_marks_that_wait_for_a_job_and_says_so(capsys: pytest.CaptureFixture[str], folder: Path) -> None:
    got = run(capsys, "rank", "--answer", "defect=blobs", "--marks", folder / "marks.csv", "--json").json
    assert (got["marks"]["marks"], got["marks"]["placed"], got["marks"]["counts"]) == (14, None, False)
    (given,) = [a for a in got["answers"] if a["source"] == "marks"]
    assert "wait for the job file" in given["why"]
    code = (
        "import sys\nfrom diagnose.cli import main\ntry:\n    main(sys.argv[1:])\nexcept SystemExit as end:\n    assert not end.code\n"
        "heavy = {'numba', 'scipy', 'textual'} & set(sys.modules)\nassert not heavy, heavy\n"
    )
    told = subprocess.run(
        [sys.executable, "-c", code, "rank", "--answer", "defect=blobs", "--marks", folder / "marks.csv"],
        capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert told.returncode == 0, told.stderr
    assert "The marks count for nothing yet" in told.stdout


def test_ask_takes_marks_typed_or_from_a_file(capsys: pytest.CaptureFixture[str], folder: Path, tmp_path: Path) -> None:
    rows = (folder / "marks.csv").read_text().split()[1:]
    typed = "\n".join(row.replace(",", " @ ") for row in rows)
    said = f"m\n72.0 at noon\n{typed}\n\nm -\nm {folder / 'marks.csv'}\nd\nq\n"
    seen = run(
        capsys, "ask", "--casebook", tmp_path, "--job", folder / "shade.gcode", "--printer", CARD, typed=said
    )  # fmt: skip
    assert seen.code == 0
    out = " ".join(seen.out.split())
    assert "'72.0 at noon' is no mark" in out
    assert out.count("14 marks taken, 14 on the part") == 2
    assert "the marks are left out" in out
    assert "Marks measured on the part 14 marks, 14 on the part" in out


def test_ask_keeps_marks_until_the_job_comes(capsys: pytest.CaptureFixture[str], folder: Path, tmp_path: Path) -> None:
    said = f"m {folder / 'held.csv'} front cw\np {CARD}\nj {folder / 'shade.gcode'}\nq\n"
    seen = run(capsys, "ask", "--casebook", tmp_path, typed=said)
    out = " ".join(seen.out.split())
    assert "14 marks taken They say something once the job file is attached" in out
    assert "findings" in out and re.search(r"1\d of 14 (marks )?lie where", out)


def test_marks_are_kept_when_the_job_file_has_gone(
    capsys: pytest.CaptureFixture[str], folder: Path, tmp_path: Path
) -> None:
    job = tmp_path / "moved.gcode"
    job.write_text((folder / "shade.gcode").read_text())
    first = run(capsys, "ask", "--casebook", tmp_path / "book", "--job", job, "--printer", CARD, typed="q\n")
    case = re.search(r"case (\S+);", first.out)
    assert case
    job.unlink()
    said = f"m {folder / 'marks.csv'}\nq\n"
    seen = run(capsys, "ask", "--casebook", tmp_path / "book", "--case", case[1], typed=said)
    assert "14 marks taken" in seen.out and "cannot be held against the job file" in " ".join(seen.out.split())
