"""``printers``: cards explained, and cards of one's own made from what a job says."""

from __future__ import annotations

import os
import stat
from pathlib import Path
from typing import Any

import pytest

from diagnose.coupons.spiral import lamp_shade, write
from diagnose.knowledge.cards import Printer
from diagnose.toolpath.jobfile import read_file
from diagnose.toolpath.settings import implied_width, lines_of, settings
from diagnose.triage import card, knowledge_from, machine_of
from diagnose.triage.newcard import _plain
from tests.cli.run import run

REAL = Path(__file__).parents[3] / "shared" / "gcode"
REAL_JOBS = sorted(REAL.glob("*.gcode"))
SAYS = [
    "M201 X1100 Y1200 Z90 E4000", "M203 X250 Y240 Z9 E50", "M204 P1300 T1700 ; P of the walls", "M205 X7 Y7 Z0.3 E4",
    "M413 S0", "M104 S215", "M140 S60",
]  # fmt: skip


def tube(*says: str, e: float = 0.665, layers: int = 8, extra: str = "") -> str:
    """A square tube, 20 mm wide, layers of 0.2 mm, lines of 0.4 mm with filament of 1.75 mm."""
    lines = [*says, "G21", "G90", "M83"]
    for layer in range(layers):
        lines += [f"G1 Z{0.2 * (layer + 1):.2f} F600", "G1 E-4.5 F2700", "G1 X0 Y0 F6000", "G1 E4.5 F2700", extra, "G1 F1800"]
        lines += [f"G1 X{x} Y{y} E{e}" for x, y in ((20, 0), (20, 20), (0, 20), (0, 0))]
    return "\n".join(lines) + "\n"


@pytest.fixture
def job(tmp_path: Path) -> Path:
    path = tmp_path / "tube.gcode"
    path.write_text(tube(*SAYS))
    return path


def said(path: Path) -> dict[tuple[str, str], float]:
    return {(s.field, s.axis): s.value for s in settings(read_file(path))}


# What a job says


def test_the_settings_of_a_job_are_found_with_their_lines(job: Path) -> None:
    found = {(s.field, s.axis): s for s in settings(read_file(job))}
    assert found["axis_acceleration", "y"].value == 1200 and found["axis_acceleration", "y"].line == 1
    assert found["axis_speed", "z"].value == 9 and found["axis_speed", "z"].because == "M203 X250 Y240 Z9 E50"
    assert found["acceleration", ""].value == 1300 and found["travel_acceleration", ""].value == 1700
    assert found["acceleration", ""].because == "M204 P1300 T1700"  # without the comment
    assert found["corner_step", "e"].value == 4
    assert found["checkpoint_every", ""].value == 0 and found["checkpoint_every", ""].line == 5
    assert found["retract_length", ""].value == 4.5 and found["retract_speed", ""].value == 45
    assert ("filament_diameter", "") not in found


def test_a_job_that_says_nothing_sets_nothing(tmp_path: Path) -> None:
    path = tmp_path / "bare.gcode"
    path.write_text("\n".join(line for line in tube().splitlines() if "4.5" not in line) + "\n")
    assert said(path) == {}


def test_comments_and_other_numbers_state_nothing(tmp_path: Path) -> None:
    path = tmp_path / "talk.gcode"
    path.write_text(tube(";M201 X5000", "(M203 X900)", "M2010 X1", "M117 M204 P9000"))
    assert {field for field, _ in said(path)} == {"retract_length", "retract_speed"}


def test_the_value_under_which_most_is_drawn_counts(tmp_path: Path) -> None:
    path = tmp_path / "steps.gcode"
    head = tube("M204 P900", "M205 J0.01", layers=2)
    path.write_text(head + "M204 P2500\nM205 J0.05\n" + tube(layers=9))
    found = {(s.field, s.axis): s for s in settings(read_file(path))}
    assert found["acceleration", ""].value == 2500
    assert found["corner_deviation", ""].value == 0.05
    assert found["corner_deviation", ""].line == len(head.splitlines()) + 2


def test_speeds_in_mm_a_minute_are_taken_as_such(tmp_path: Path) -> None:
    path = tmp_path / "minutes.gcode"
    path.write_text(tube("M203 X15000 Y15000 Z600 E3000"))
    found = {(s.field, s.axis): s for s in settings(read_file(path))}
    assert [found["axis_speed", axis].value for axis in "xyze"] == [250, 250, 10, 50]
    assert found["axis_speed", "x"].line == 1


def test_saving_switched_on_says_nothing_of_how_often(tmp_path: Path) -> None:
    path = tmp_path / "on.gcode"
    path.write_text(tube("M413 S0", "M413 S1"))
    assert ("checkpoint_every", "") not in said(path)


@pytest.mark.parametrize("diameter", [1.75, 2.85])
def test_the_filament_is_told_from_the_width_of_the_lines(tmp_path: Path, diameter: float) -> None:
    path = tmp_path / "thick.gcode"
    path.write_text(tube(e=0.665 * (1.75 / diameter) ** 2))
    file = read_file(path)
    # 20 mm of line, 0.2 mm high: width = area of filament * e / (20 * 0.2), by hand 0.3999 mm.
    assert implied_width(file, diameter) == pytest.approx(0.4, rel=2e-3)
    found = said(path).get(("filament_diameter", ""))
    assert found == (2.85 if diameter == 2.85 else None)


def test_a_stated_filament_wins(tmp_path: Path) -> None:
    path = tmp_path / "stated.gcode"
    path.write_text(tube("M200 D1.80"))
    assert said(path)["filament_diameter", ""] == 1.8


def test_lines_are_quoted_from_archives_too(job: Path, tmp_path: Path) -> None:
    import zipfile

    packed = tmp_path / "tube.zip"
    with zipfile.ZipFile(packed, "w") as archive:
        archive.write(job, "tube.gcode")
    assert lines_of(packed, [2, 1, 10**9]) == lines_of(job, [1, 2]) == [(1, SAYS[0]), (2, SAYS[1])]
    assert said(packed) == said(job)


# The card


def test_a_card_of_ones_own_holds_what_the_job_says(
    capsys: pytest.CaptureFixture[str], job: Path, tmp_path: Path
) -> None:
    path = tmp_path / "mine.yaml"
    seen = run(capsys, "printers", "add", "cafe-one", "--from", job, "-o", path, "--like", "board-memory-card", "--name", 'Bench "3"')
    assert seen.code == 0
    assert "17 of its" in seen.out and "line 2: M203" in " ".join(seen.out.split())
    knowledge = knowledge_from()
    start, made = knowledge.printers["board-memory-card"], card(knowledge, str(path))
    assert (made.id, made.name) == ("cafe-one", 'Bench "3"')
    before = {n: (v, o) for n, v, o in start.numbers()}
    after = {n: (v, o) for n, v, o in made.numbers()}
    changed = {n: v for n, v in after.items() if v[1] == "job"}
    assert changed["motion.axis_speed_mm_s.x"] == (250, "job") and changed["checkpoint.every_s"] == (0, "job")
    assert len(changed) == 17
    assert {n: v for n, v in after.items() if n not in changed} == {n: v for n, v in before.items() if n not in changed}
    machine = machine_of(made)
    assert machine.axis_acceleration == (1100, 1200, 90, 4000) and machine.checkpoint_every == 0
    assert machine.confidence_cap("axis_speed") == 0.8 and machine.confidence_cap("queue_moves") == 0.5
    # The card is used like any other.
    got = run(capsys, "toolpath", job, "--printer", path, "--json").json
    assert got["supply"]["save_every_s"] == 0


def test_every_number_of_a_new_card_is_explained(capsys: pytest.CaptureFixture[str], job: Path) -> None:
    text = run(capsys, "printers", "add", "--from", job).out
    comments = " ".join(line.strip().removeprefix("# ") for line in text.splitlines() if line.strip().startswith("#"))
    explained = Printer.explain()
    for name, _, _ in knowledge_from().printers["board-memory-card"].numbers():
        name = name.rpartition(".")[0] if name[-2:] in (".x", ".y", ".z", ".e") else name
        assert " ".join(explained[name].split()) in comments, name


def test_the_corner_rule_follows_the_job(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    path, knowledge = tmp_path / "j.gcode", knowledge_from()

    def corner(like: str, *says: str) -> dict[str, Any]:
        path.write_text(tube(*says))
        out = tmp_path / "c.yaml"
        assert run(capsys, "printers", "add", "--from", path, "--like", like, "-o", out, "--force").code == 0
        made = card(knowledge, str(out)).motion.corner
        return made.model_dump(exclude_none=True)

    to_radius = corner("board-memory-card", "M205 J0.03")
    assert to_radius["rule"] == "radius" and to_radius["deviation_mm"] == {"value": 0.03, "origin": "job"}
    to_step = corner("board-cable", "M205 X9")
    assert to_step["rule"] == "step" and to_step["step_mm_s"]["x"] == {"value": 9, "origin": "job"}
    assert to_step["step_mm_s"]["z"]["value"] > 0 and "origin" not in to_step["step_mm_s"]["z"]
    assert corner("board-cable", "M205 X9 J0.03")["rule"] == "radius"


def test_a_file_that_is_there_stays_unless_forced(
    capsys: pytest.CaptureFixture[str], job: Path, tmp_path: Path
) -> None:
    path = tmp_path / "mine.yaml"
    path.write_text("precious")
    seen = run(capsys, "printers", "add", "--from", job, "-o", path)
    assert seen.code == 2 and "--force" in seen.err and path.read_text() == "precious"
    assert run(capsys, "printers", "add", "--from", job, "-o", path, "--force").code == 0
    assert "printers:" in path.read_text()
    assert stat.S_IMODE(path.stat().st_mode) & 0o077 == stat.S_IMODE(job.stat().st_mode) & 0o077
    assert sorted(p.name for p in tmp_path.iterdir()) == ["mine.yaml", "tube.gcode"]


def test_a_full_disk_leaves_no_card(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, job: Path, tmp_path: Path
) -> None:
    def full(handle: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    seen = run(capsys, "printers", "add", "--from", job, "-o", tmp_path / "mine.yaml")
    assert seen.code == 2 and "No space left" in seen.err
    assert [p.name for p in tmp_path.iterdir()] == ["tube.gcode"]


def test_a_card_that_would_not_read_back_is_not_written(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    path, out = tmp_path / "odd.gcode", tmp_path / "mine.yaml"
    path.write_text(tube("M204 P900000"))
    seen = run(capsys, "printers", "add", "--from", path, "-o", out)
    assert seen.code == 2 and "no sound card" in seen.err and "hint: " in seen.err
    assert not out.exists()


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (("My Printer",), "is not an id"), (("--like", "board-memory-crd"), "did you mean"),
        (("-o", "card.txt"), "YAML"), (("-o", "/nowhere/card.yaml"), "no such folder"), (("--from", "/nowhere"), "no such file"),
    ],
)  # fmt: skip
def test_wrong_use_is_told_with_a_hint(
    capsys: pytest.CaptureFixture[str], arguments: tuple[str, ...], said: str
) -> None:
    seen = run(capsys, "printers", "add", *arguments)
    assert seen.code == 2 and said in seen.err + seen.out and "hint: " in seen.err


@pytest.mark.parametrize("value", [1e-5, 0.1, 3, 200.0, 1e8, 0.0026, 22.9])
def test_numbers_are_written_so_that_yaml_reads_numbers(value: float) -> None:
    import yaml

    read = yaml.safe_load(_plain(value))
    assert isinstance(read, int | float) and read == pytest.approx(value, rel=1e-9)


def test_the_shade_of_the_demo_makes_a_card_of_the_generic_numbers(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    path = tmp_path / "shade.gcode"
    path.write_text(write(lamp_shade()))
    got = run(capsys, "printers", "add", "--from", path, "--json").json
    assert got["from_job"] == [] and got["id"] == "my-printer"
    assert any("210 degrees" in line for line in got["told"])


@pytest.mark.skipif(not REAL_JOBS, reason="the real jobs are not on this machine")
@pytest.mark.parametrize("path", REAL_JOBS, ids=lambda p: p.stem)
def test_every_real_job_makes_a_sound_card_or_says_why_not(
    capsys: pytest.CaptureFixture[str], tmp_path: Path, path: Path
) -> None:
    out = tmp_path / "card.yaml"
    seen = run(capsys, "printers", "add", "--from", path, "-o", out, "--like", "host-planned")
    assert seen.code == (2 if "garbage" in path.name else 0), seen.err
    if not seen.code:
        machine_of(card(knowledge_from(), str(out)))


# Lists


def test_the_list_says_what_matters_for_the_queue(capsys: pytest.CaptureFixture[str]) -> None:
    out = run(capsys, "printers", "list").out
    text = " ".join(out.split())
    assert "plans 16 moves ahead on the board; fed from a memory card" in text
    assert max(map(len, out.splitlines())) <= 80


def test_show_explains_each_number_and_what_it_changes(capsys: pytest.CaptureFixture[str]) -> None:
    out = run(capsys, "printers", "show", "board-memory-card").out
    text, explained = " ".join(out.split()), Printer.explain()
    for name in ("motion.queue_moves", "checkpoint.takes_ms", "hot_end.ooze_mm3_s", "motion.axis_speed_mm_s"):
        assert " ".join(explained[name].split()) in text
    assert max(map(len, out.splitlines())) <= 80
    short = run(capsys, "printers", "show", "board-memory-card", "--quiet").out
    assert "queue_moves" in short and len(short) < len(out) / 2
    data = run(capsys, "printers", "show", "board-memory-card", "--json").json
    assert data["explain"] == explained and data["choices"]["motion.planning"] == "board"
