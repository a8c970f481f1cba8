"""``ease`` as a user meets it: the page, the JSON, what is refused, and that nothing is left half done."""

from __future__ import annotations

import json
import zipfile
from pathlib import Path

import pytest

from diagnose.coupons import spiral
from diagnose.toolpath.ease_contract import PUBLISHED, Report, schema_text
from tests.cli.run import run


@pytest.fixture(scope="module")
def shade(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("jobs") / "shade.gcode"
    path.write_text(spiral.write(spiral.lamp_shade()))
    return path


def test_the_shade_stops_no_more_once_it_is_eased(
    shade: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = tmp_path / "eased.gcode"
    seen = run(capsys, "ease", shade, "-o", out, "--printer", "board-memory-card", "--json")
    assert seen.code == 0 and not seen.err
    told = Report.model_validate(seen.json)
    assert told.runs and told.runs.before.stops == 54 and told.runs.after.stops == 0
    assert told.runs.before.saves_that_stop and told.runs.after.saves_that_stop == 0
    assert told.deviation_mm <= told.tolerance_mm == 0.02
    assert told.bytes.after == out.stat().st_size < told.bytes.before
    # What was written is what the rest of the program reads.
    read = run(capsys, "toolpath", out, "--printer", "board-memory-card", "--json").json
    assert read["counts"]["moving"] == told.moves.after and read["stops"]["count"] == 0
    assert read["filament_mm"] == pytest.approx(told.filament_mm.before, rel=1e-6)


def test_the_page_tells_moves_deviation_and_what_to_mind(
    shade: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    seen = run(capsys, "ease", shade, "-o", tmp_path / "eased.gcode", "--tolerance", "0.05")
    assert "48,826 before, 17," in seen.out and "by 0.0500 mm at most" in seen.out and "CAUTION" in seen.out
    assert all(len(line) <= 80 for line in seen.out.splitlines())
    brief = run(capsys, "ease", shade, "-o", tmp_path / "again.gcode", "--quiet")
    assert "fewer moves" in brief.out and "filament" not in brief.out


def test_a_job_without_needless_moves_is_copied_and_told_so(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    job, out = tmp_path / "job.gcode", tmp_path / "out.gcode"
    job.write_bytes(b"G90\r\nM83\r\nG1 X0 Y0 Z1 F600\r\nG1 X9 E1\r\n; end")
    seen = run(capsys, "ease", job, "-o", out)
    assert seen.code == 0 and "is the same job" in " ".join(seen.out.split())
    assert out.read_bytes() == job.read_bytes()


def test_a_job_in_an_archive_is_written_as_plain_text(
    shade: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    with zipfile.ZipFile(tmp_path / "job.zip", "w", zipfile.ZIP_DEFLATED) as archive:
        archive.write(shade, "shade.gcode")
    assert run(capsys, "ease", tmp_path / "job.zip", "-o", tmp_path / "a.gcode", "--quiet").code == 0
    run(capsys, "ease", shade, "-o", tmp_path / "b.gcode", "--quiet")
    assert (tmp_path / "a.gcode").read_bytes() == (tmp_path / "b.gcode").read_bytes()


DOUBT = "G90\nG1 X0 Y0 Z1\nG1 X1 E.1\nG1 X2 E.2\nG1 X3 E.3\n"


@pytest.mark.parametrize(
    ("text", "options", "said", "hint"),
    [
        (DOUBT, ["-o", "out.gcode"], "places (M82) or lengths (M83)", "M83"),
        ("N1 G90*19\nN2 G1 X1*94\n", ["-o", "out.gcode"], "job.gcode:2: the lines of this job are numbered", "before numbers"),
        (DOUBT, ["-o", "job.gcode", "--force"], "the job itself", "another file"),
        (DOUBT, ["-o", "there.gcode"], "a file of this name already", "--force"),
        (DOUBT, ["-o", "."], "a folder", "name a file"),
        (DOUBT, ["-o", "none/out.gcode"], "no folder", "make it first"),
        (DOUBT, ["-o", "out.gcode", "--tolerance", "nan"], "tolerance of nan mm", "0.2 mm"),
        (DOUBT, ["-o", "out.gcode", "--tolerance", "1"], "tolerance of 1 mm", "0.2 mm"),
        (DOUBT, ["-o", "out.gcode", "--printer", "board-memory-kard"], "no printer card", "board-memory-card"),
        (DOUBT, [], "a place for the new one", "JOB -o OUT"),
        ("", ["-o", "out.gcode"], "empty", "again"),
    ],
)  # fmt: skip
def test_what_is_refused_leaves_everything_as_it_was(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], text: str, options: list[str],
    said: str, hint: str,
) -> None:  # fmt: skip
    monkeypatch.chdir(tmp_path)
    Path("job.gcode").write_text(text)
    Path("there.gcode").write_text("mine")
    seen = run(capsys, "ease", "job.gcode", *options)
    assert seen.code == 2 and said in seen.err and hint in seen.err and not seen.out
    assert sorted(p.name for p in tmp_path.iterdir()) == ["job.gcode", "there.gcode"]
    assert Path("job.gcode").read_text() == text and Path("there.gcode").read_text() == "mine"


def test_the_published_schema_is_that_of_the_models(capsys: pytest.CaptureFixture[str]) -> None:
    printed = run(capsys, "ease", "--schema").out
    assert printed == schema_text() == PUBLISHED.read_text()
    assert "tolerance_mm" in json.loads(printed)["required"]
