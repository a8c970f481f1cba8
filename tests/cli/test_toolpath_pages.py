"""``toolpath``: the page, the drawing, many jobs, comparison, explanation, the list of stops, the published schema."""

from __future__ import annotations

import csv
import io
import json
import os
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest
from pydantic import BaseModel

from diagnose.cli.toolpath import compare, several, slices, stopsfile, verdict
from diagnose.cli.toolpath.draw import Pen, table
from diagnose.cli.toolpath.reading import Told
from diagnose.coupons.spiral import lamp_shade, write
from diagnose.toolpath.contract import OUTPUT, PUBLISHED, NotRead, Several, schema_text
from diagnose.toolpath.findings import REGISTRY
from diagnose.triage import knowledge_from
from diagnose.triage.meaning import speaks_for, standing_out, usual_of
from tests.cli.run import run

CARD = "board-memory-card"
CARDS = (CARD, "board-cable", "host-planned")
REAL = Path(__file__).parents[3] / "shared" / "gcode"
REAL_JOBS = sorted(REAL.glob("*.gcode"))
WIDE, PLAIN = Pen(80, True), Pen(80, False)


@pytest.fixture(scope="module")
def shade(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("pages") / "shade.gcode"
    path.write_text(write(lamp_shade()))
    return path


@pytest.fixture
def box(tmp_path: Path) -> Path:
    """A square tube of ten layers: calm, without anything to starve on."""
    path = tmp_path / "box.gcode"
    lines = ["G21", "G90", "M83", "M104 S210", "M140 S60", "M106 S128"]
    for layer in range(10):
        lines += [f"G1 Z{0.2 * (layer + 1):.2f} F600", "G1 X0 Y0 F6000", "G1 F1800"]
        lines += [f"G1 X{x} Y{y} E0.7" for x, y in ((20, 0), (20, 20), (0, 20), (0, 0))]
    path.write_text("\n".join(lines) + "\n")
    return path


# The drawing


def test_a_bar_is_as_long_as_its_share_in_eighths_of_a_cell() -> None:
    assert WIDE.bar(0.5, 4) == "██  "
    assert WIDE.bar(5 / 16, 2) == "▋ "
    assert PLAIN.bar(0.5, 4) == "##  "
    assert all(len(WIDE.bar(share / 100, 7)) == 7 for share in range(0, 300, 3))


def test_something_is_never_nothing_and_nothing_is_never_something() -> None:
    assert WIDE.bar(1e-9, 5).strip() and PLAIN.bar(1e-9, 5).strip()
    assert not WIDE.bar(0.0, 5).strip() and not PLAIN.bar(0.0, 5).strip()


def test_a_bar_beyond_its_end_says_so_and_a_mark_shows_where_it_is_not_reached() -> None:
    assert WIDE.bar(3.0, 4) == "███▶"
    assert PLAIN.bar(3.0, 4) == "###>"
    assert WIDE.bar(0.25, 8, mark=0.5) == "██  ┊   "
    assert WIDE.bar(0.75, 8, mark=0.5) == "██████  "


def test_slices_are_joined_from_the_top_and_keep_the_worst() -> None:
    profile: dict[str, Any] = {name: [None] * 5 for name in ("speed_mm_s", "nozzle_c", "fan")}
    profile |= {
        "to_mm": [1.0, 2.0, 3.0, 4.0, 5.0], "reserve_ms": [9.0, 4.0, None, 7.0, 1.0],
        "demand_per_s": [1.0, 5.0, 2.0, None, 3.0], "stops": [0, 1, 2, 0, 4], "dips": [0, 0, 0, 0, 0],
    }  # fmt: skip
    rows = slices.rows_of(profile, 3)
    assert [row["to_mm"] for row in rows] == [5.0, 4.0, 2.0]
    assert [row["reserve_ms"] for row in rows] == [1.0, 7.0, 4.0]
    assert [row["demand_per_s"] for row in rows] == [3.0, 2.0, 5.0]
    assert [row["stops"] for row in rows] == [4, 2, 1]


def test_control_characters_of_a_job_never_reach_the_terminal() -> None:
    assert WIDE.plain("a\x1b[31mb\x07") == "a?[31mb?"
    assert PLAIN.plain("20 °C") == "20 ?C"


def test_columns_of_a_table_stand_under_each_other() -> None:
    assert list(table([("a", "1"), ("bbb", "22")], (False, True))) == ["a     1", "bbb  22"]


@pytest.mark.parametrize("width", [60, 80, 120, 160])
def test_no_line_of_the_page_is_wider_than_the_terminal(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, shade: Path, width: int
) -> None:
    monkeypatch.setenv("COLUMNS", str(width))
    for arguments in ((), ("--all",), ("--explain", "starves-at-checkpoints"), ("--advise", "--quiet")):
        seen = run(capsys, "toolpath", shade, "--printer", CARD, *arguments)
        assert seen.code == 0
        assert max(map(len, seen.out.splitlines())) <= width


def test_plain_characters_are_enough(capsys: pytest.CaptureFixture[str], shade: Path) -> None:
    for arguments in (("--all",), ("--compare", "board-cable"), ("--explain", "link-load")):
        assert run(capsys, "toolpath", shade, "--printer", CARD, "--ascii", *arguments).out.isascii()


@pytest.mark.parametrize("told", [{"PYTHONIOENCODING": "ascii"}, {"LC_ALL": "C"}, {"TERM": "dumb"}])
def test_a_terminal_without_block_characters_gets_plain_ones_by_itself(told: dict[str, str], box: Path) -> None:
    done = subprocess.run(
        [sys.executable, "-m", "diagnose", "toolpath", str(box), "--printer", CARD],
        capture_output=True, env={**os.environ, **told}, check=True,
    )  # fmt: skip
    assert done.stdout.isascii()
    assert b"#####" in done.stdout


# The page


def test_the_page_says_at_once_what_happens_where_and_why(capsys: pytest.CaptureFixture[str], shade: Path) -> None:
    s = run(capsys, "toolpath", shade, "--printer", CARD, "--json").json
    out = run(capsys, "toolpath", shade, "--printer", CARD).out
    top = " ".join(" ".join(out.splitlines()[:5]).split())
    assert f"The head stands still {s['stops']['count']} times for want of moves" in top
    assert f"between {verdict.number(s['stops']['from_mm'])} and {verdict.mm(s['stops']['to_mm'])} of height" in top
    assert "while a checkpoint is saved" in top
    # The rows of the profile add up to all stops.
    drawn = [line for line in out.splitlines() if " mm ▕" in line]
    assert sum(int(line.split()[-1]) for line in drawn if "▲" in line) == s["stops"]["count"]


def test_a_calm_job_is_called_calm(capsys: pytest.CaptureFixture[str], box: Path) -> None:
    out = run(capsys, "toolpath", box, "--printer", "host-planned").out
    assert "RUNS ON" in out
    assert "10 layers" in out
    assert "nozzle 210 °C · bed 60 °C · fan 50 %" in out
    assert "20 x 20 mm wide, 2 mm high" in out


def test_without_a_card_the_page_says_what_is_missing(capsys: pytest.CaptureFixture[str], box: Path) -> None:
    out = run(capsys, "toolpath", box).out
    assert "NOT RUN" in out and "--printer" in out
    assert "reserve, least" not in out and "▲" not in out


def test_heat_that_changes_with_height_is_drawn_beside_the_height(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    path = tmp_path / "tower.gcode"
    lines = ["G21", "G90", "M83"]
    for layer in range(24):
        lines += [f"M104 S{230 - 2 * layer}", f"G1 Z{0.2 * (layer + 1):.2f} F600", "G1 X0 Y0 F6000", "G1 F1800"]
        lines += [f"G1 X{x} Y{y} E0.7" for x, y in ((20, 0), (20, 20), (0, 20), (0, 0))]
    path.write_text("\n".join(lines) + "\n")
    s = run(capsys, "toolpath", path, "--json").json
    assert s["heat"]["nozzle_c"] == {"first": 230.0, "least": 184.0, "most": 230.0, "changes": 23}
    assert s["profile"]["nozzle_c"] == [230.0 - 2 * layer for layer in range(24)]
    out = run(capsys, "toolpath", path).out
    assert "  nozzle" in out and " 185 C" in out and "184 to 230 °C" in out


def test_what_stands_out_is_away_from_the_usual_and_speaks_most_first() -> None:
    knowledge = knowledge_from()
    findings = [
        {"id": id, "answer": a.id, "because": f"{id} {a.id}", "confidence": 0.5}
        for id, entry in knowledge.findings.items()
        for a in entry.answers
    ]
    odd = standing_out(knowledge, findings)
    for f in findings:
        usual = usual_of(knowledge, f["id"], f["answer"])
        assert (f in odd) == (usual is not None and usual <= 0.2)
    order = [
        (not REGISTRY[f["id"]].rests_on, -max([0.0, *(s.decibans for s in speaks_for(knowledge, f["id"], f["answer"]))]))
        for f in odd
    ]  # fmt: skip
    assert order == sorted(order)
    assert order[0][1] < -3


# Many jobs


def test_one_bad_file_does_not_spoil_the_others(capsys: pytest.CaptureFixture[str], shade: Path, box: Path) -> None:
    bad = box.with_name("bad.gcode")
    bad.write_text("hello\nworld\n")
    seen = run(capsys, "toolpath", box, bad, shade, "--printer", CARD)
    assert seen.code == 2
    names = [line.split()[0] for line in seen.out.splitlines() if line.startswith((" box", " bad", " shade"))]
    assert names == ["shade.gcode", "box.gcode", "bad.gcode"]
    assert "NOT READ" in seen.out
    assert f"diagnose: {bad}: no line of this file moves anything" in seen.err and "hint: " in seen.err
    got = run(capsys, "toolpath", box, bad, shade, "--printer", CARD, "--json")
    assert got.code == 2
    assert [job["job"] for job in got.json["jobs"]] == [str(box), str(bad), str(shade)]
    assert got.json["jobs"][1]["error"]["what"] == "no line of this file moves anything"


def test_jobs_are_told_in_the_order_of_risk() -> None:
    def told(name: str, **changed: Any) -> Told:
        s = {
            "stops": {"count": 0, "total_s": 0.0, "by_why": {}, "from_mm": None, "to_mm": None},
            "dips": {"count": 0, "from_mm": None, "to_mm": None, "list": []},
            "risk": {"expected_stops": 0.0, "stall_ms": 100.0, "low": 0, "high": 0, "any": 0.0},
            "reserve": {"least_ms": 900.0, "z": 1.0}, "checkpoints": {"count": 9, "share_that_stops": 0.0},
        }  # fmt: skip
        return Told(Path(name), CARD, {**s, **changed})

    stops = {"count": 3, "total_s": 0.2, "by_why": {"checkpoint": 3}, "from_mm": 1.0, "to_mm": 2.0}
    dips = {"count": 3, "from_mm": 1.0, "to_mm": 2.0, "list": [{"why": "link-rate"}]}
    risk = {"expected_stops": 2.0, "stall_ms": 100.0, "low": 0, "high": 5, "any": 0.86}
    near = {"checkpoints": {"count": 10, "share_that_stops": 0.1}}
    ordered = [
        told("long", stops={**stops, "total_s": 9.0}), told("stops", stops=stops), told("dips", dips=dips),
        told("risk", risk=risk), told("near", **near), told("calm"),
    ]  # fmt: skip
    assert [t.path.name for t in several.by_risk(ordered[::-1])] == [t.path.name for t in ordered]
    words = [verdict.verdict(t.summary).word for t in ordered]
    assert words == ["STOPS", "STOPS", "BRAKES", "AT RISK", "AT RISK", "RUNS ON"]


@pytest.mark.skipif(not REAL_JOBS, reason="the real jobs are not on this machine")
def test_every_real_job_gets_its_line_and_keeps_the_contract(capsys: pytest.CaptureFixture[str]) -> None:
    seen = run(capsys, "toolpath", *REAL_JOBS, "--printer", CARD, "--json")
    jobs = seen.json["jobs"]
    assert [job["job"] for job in jobs] == [str(path) for path in REAL_JOBS]
    parsed = OUTPUT.validate_python(seen.json)
    assert isinstance(parsed, Several)
    for job in parsed.jobs:
        assert not list(_undocumented(job))
    refused = [job.job for job in parsed.jobs if isinstance(job, NotRead)]
    assert all("broken" in name for name in refused)
    assert seen.code == (2 if refused else 0)


# Comparison


def test_three_printers_stand_side_by_side_in_one_screen(capsys: pytest.CaptureFixture[str], shade: Path) -> None:
    seen = run(capsys, "toolpath", shade, *(word for card in CARDS for word in ("--printer", card)))
    lines = seen.out.splitlines()
    assert seen.code == 0
    assert len(lines) <= 40 and max(map(len, lines)) <= 80
    row = {line[1:14].strip(): line[14:].split("  ") for line in lines if line[1:2].isalpha()}
    assert [c.strip() for c in row["stands still"] if c.strip()] == ["54 times", "never", "never"]
    assert "while saving" in seen.out and "none" in seen.out
    together = " ".join(seen.out.split())
    assert f"{CARD}: The head stands still 54 times" in together
    assert "Nothing is saved while it runs" in together


def test_compare_takes_a_card_or_a_job(capsys: pytest.CaptureFixture[str], shade: Path, box: Path) -> None:
    cards = run(capsys, "toolpath", shade, "--printer", CARD, "--compare", "board-cable", "--json").json["jobs"]
    assert [(j["job"], j["printer"]) for j in cards] == [(str(shade), CARD), (str(shade), "board-cable")]
    jobs = run(capsys, "toolpath", shade, "--printer", CARD, "--compare", box, "--json").json["jobs"]
    assert [(j["job"], j["printer"]) for j in jobs] == [(str(shade), CARD), (str(box), CARD)]
    assert "shade.gcode" in run(capsys, "toolpath", shade, "--compare", box).out
    one = run(capsys, "toolpath", shade, "--printer", "board-cable", "--json").json
    assert one == cards[1]


def test_comparing_with_itself_or_too_many_is_refused_with_a_hint(
    capsys: pytest.CaptureFixture[str], box: Path
) -> None:
    seen = run(capsys, "toolpath", box, "--printer", CARD, "--compare", CARD)
    assert seen.code == 2 and "nothing to compare" in seen.err
    copies = []
    for i in range(7):
        copies.append(box.with_name(f"b{i}.gcode"))
        copies[-1].write_text(box.read_text())
    seen = run(capsys, "toolpath", *copies, "--compare", box)
    assert seen.code == 2 and "columns do not fit" in seen.err and not seen.out


# Explanation


def test_an_explanation_quotes_the_lines_and_names_the_causes(capsys: pytest.CaptureFixture[str], shade: Path) -> None:
    x = run(capsys, "toolpath", shade, "--printer", CARD, "--explain", "starves-at-checkpoints", "--json").json
    lines = shade.read_text().splitlines()
    assert x["quoted"] and all(lines[q["line"] - 1] == q["text"] for q in x["quoted"])
    assert {n["name"] for n in x["rests_on"]} >= {"motion.queue_moves", "checkpoint.takes_ms"}
    assert "generic" in x["caps"] and x["confidence"] == 0.5
    knowledge = knowledge_from()
    using = {c.id for c in knowledge.causes.values() for e in c.evidence if e.about == x["id"] and e.answer == x["answer"]}
    assert {s["cause"] for s in x["speaks_for"]} == using != set()
    out = run(capsys, "toolpath", shade, "--printer", CARD, "--explain", "starves-at-checkpoints").out
    assert x["quoted"][0]["text"] in out and x["speaks_for"][0]["name"] in " ".join(out.split())


@pytest.mark.parametrize("finding", sorted(knowledge_from().findings))
def test_every_finding_explains_itself(capsys: pytest.CaptureFixture[str], shade: Path, finding: str) -> None:
    seen = run(capsys, "toolpath", shade, "--printer", CARD, "--explain", finding)
    assert seen.code == 0 or "gives no answer" in seen.err
    assert max(map(len, seen.out.splitlines()), default=0) <= 80


def test_a_finding_that_does_not_exist_or_needs_a_card_is_refused(
    capsys: pytest.CaptureFixture[str], box: Path
) -> None:
    seen = run(capsys, "toolpath", box, "--explain", "job-spira")
    assert seen.code == 2 and "did you mean 'job-spiral'?" in seen.err
    seen = run(capsys, "toolpath", box, "--explain", "least-reserve")
    assert seen.code == 2 and "needs a printer card" in seen.err


# The list of stops


def test_the_list_of_stops_holds_them_all(capsys: pytest.CaptureFixture[str], shade: Path, tmp_path: Path) -> None:
    path = tmp_path / "stops.csv"
    s = run(capsys, "toolpath", shade, "--printer", CARD, "--csv", path, "--json").json
    rows = list(csv.DictReader(io.StringIO(path.read_text())))
    assert len(rows) == s["stops"]["count"] > 0
    assert [int(r["line"]) for r in rows] == [stop["line"] for stop in s["stops"]["list"]]
    assert sum(float(r["length_s"]) for r in rows) == pytest.approx(s["stops"]["total_s"], rel=1e-5)
    assert tuple(rows[0]) == stopsfile.COLUMNS
    # A second run replaces its own list, and standard output takes it too.
    out = run(capsys, "toolpath", shade, "--printer", CARD, "--csv", path).out
    assert "STOPS" in out
    printed = run(capsys, "toolpath", shade, "--printer", CARD, "--csv", "-").out
    assert list(csv.DictReader(io.StringIO(printed))) == rows
    assert [p.name for p in tmp_path.iterdir()] == ["stops.csv"]


def test_the_list_of_stops_never_lies_over_something_else(
    capsys: pytest.CaptureFixture[str], box: Path, tmp_path: Path
) -> None:
    before = box.read_bytes()
    assert "this is the job itself" in run(capsys, "toolpath", box, "--printer", CARD, "--csv", box).err
    other = tmp_path / "notes.txt"
    other.write_text("mine")
    assert "holds no stops" in run(capsys, "toolpath", box, "--printer", CARD, "--csv", other).err
    assert "no such folder" in run(capsys, "toolpath", box, "--printer", CARD, "--csv", tmp_path / "no" / "x.csv").err
    assert "need a printer card" in run(capsys, "toolpath", box, "--csv", tmp_path / "x.csv").err
    assert box.read_bytes() == before and other.read_text() == "mine"
    assert sorted(p.name for p in tmp_path.iterdir()) == ["box.gcode", "notes.txt"]


def test_a_full_disk_leaves_neither_a_half_list_nor_a_scrap(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, box: Path, tmp_path: Path
) -> None:
    def full(handle: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    seen = run(capsys, "toolpath", box, "--printer", CARD, "--csv", tmp_path / "x.csv")
    assert seen.code == 2 and "No space left on device" in seen.err
    assert [p.name for p in tmp_path.iterdir()] == ["box.gcode"]


# The contract


def _undocumented(model: BaseModel) -> list[str]:
    """Return keys of the output that the published models do not name."""
    found = list(model.model_extra or {})
    for value in dict(model).values():
        for part in value if isinstance(value, list) else [value]:
            if isinstance(part, BaseModel):
                found += _undocumented(part)
    return found


def test_real_output_keeps_the_published_contract(capsys: pytest.CaptureFixture[str], shade: Path, box: Path) -> None:
    for arguments in (
        (shade, "--printer", CARD, "--advise"), (box,), (shade, box, "/nowhere", "--printer", "board-cable"),
    ):  # fmt: skip
        got = run(capsys, "toolpath", *arguments, "--json").json
        parsed = OUTPUT.validate_python(got)
        assert not _undocumented(parsed)
        # Nothing was bent to fit a type: the models give back what was printed.
        assert json.loads(parsed.model_dump_json()) == got


def test_the_published_schema_is_that_of_the_models(capsys: pytest.CaptureFixture[str]) -> None:
    assert PUBLISHED.read_text() == schema_text()
    printed = run(capsys, "toolpath", "--schema").out
    assert printed == schema_text()
    schema = json.loads(printed)
    assert {"Summary", "Several", "Stop", "Found"} <= set(schema["$defs"])
    assert "rank" not in schema["$defs"]["Stop"]["required"] and "why" in schema["$defs"]["Stop"]["required"]


def test_why_in_the_contract_is_why_in_the_engine() -> None:
    from diagnose.cli.toolpath.compare import WHY as CELLS
    from diagnose.toolpath.starvation import WHY

    assert set(WHY) <= set(verdict.WHILE) == set(verdict.SHORT) == set(CELLS)


# Wrong use


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        ((), "no job was named"), (("x.gcode", "--advise"), "advice needs a printer card"),
        (("a.gcode", "b.gcode", "--explain", "job-spiral"), "one job"), (("/",), "this is a folder"),
        (("x.gcode", "--printer", "board-memory-crd"), "did you mean 'board-memory-card'?"),
        (("x.gcode", "--compare", "x.gcode"), "both sides are the same"),
    ],
)  # fmt: skip
def test_wrong_use_is_told_in_a_line_with_a_hint(
    capsys: pytest.CaptureFixture[str], arguments: tuple[str, ...], said: str
) -> None:
    seen = run(capsys, "toolpath", *arguments)
    assert seen.code == 2
    assert said in seen.err and "hint: " in seen.err and not seen.out


def test_a_reader_that_leaves_ends_it_quietly(box: Path) -> None:
    command = f"{sys.executable} -m diagnose toolpath {box} --printer {CARD} --all | head -c 1"
    done = subprocess.run(["bash", "-o", "pipefail", "-c", command], capture_output=True)
    assert done.returncode == 0
    assert done.stderr == b""


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="this system has no full device")
def test_a_full_disk_at_the_other_end_is_told(box: Path) -> None:
    command = [sys.executable, "-m", "diagnose", "toolpath", str(box), "--printer", CARD]
    with Path("/dev/full").open("w") as full:
        done = subprocess.run(command, stdout=full, stderr=subprocess.PIPE, text=True)
    assert done.returncode == 2
    assert done.stderr.startswith("diagnose: the output cannot be written") and "Traceback" not in done.stderr


def test_the_job_of_the_demo_can_be_kept_but_lies_over_nothing(
    capsys: pytest.CaptureFixture[str], tmp_path: Path, shade: Path
) -> None:
    kept = tmp_path / "kept.gcode"
    assert run(capsys, "demo", "--quiet", "--keep", kept).code == 0
    assert kept.read_text() == shade.read_text()
    kept.write_text("mine")
    seen = run(capsys, "demo", "--quiet", "--keep", kept)
    assert seen.code == 2 and kept.read_text() == "mine"


def test_a_low_terminal_gets_a_page_of_its_size(shade: Path) -> None:
    knowledge = knowledge_from()
    from diagnose.cli.toolpath.page import page
    from diagnose.toolpath.job import read_job
    from diagnose.toolpath.summary import summary
    from diagnose.triage import card, machine_of

    s = summary(read_job(shade, machine_of(card(knowledge, CARD))), printer=CARD)
    lines = list(page(s, knowledge, WIDE, low=True))
    assert len(lines) < 24 and max(map(len, lines)) <= 80
    told = [Told(shade, name, summary(read_job(shade, machine_of(card(knowledge, name))), printer=name)) for name in CARDS]
    lines = list(compare.screen(told, WIDE, low=True))
    assert len(lines) < 24 and max(map(len, lines)) <= 80


def test_a_job_that_draws_nothing_says_so(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    path = tmp_path / "walk.gcode"
    path.write_text("G28\nG1 X10 Y10 F3000\nG1 X20\n")
    for arguments in ((), ("--printer", CARD)):
        seen = run(capsys, "toolpath", path, *arguments)
        assert seen.code == 0 and "nothing is drawn" in seen.out
