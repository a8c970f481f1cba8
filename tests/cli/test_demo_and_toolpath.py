"""``demo`` from end to end, and ``toolpath`` on job files the project writes itself."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from diagnose.coupons.spiral import lamp_shade, write
from tests.cli.run import run


def test_the_demo_reads_asks_ranks_offers_a_test_and_goes_on_to_a_cure(capsys: pytest.CaptureFixture[str]) -> None:
    seen = run(capsys, "demo")
    assert seen.code == 0
    for words in ("invented", "stops", "> ", "Suspects", "Why ", "To confirm it"):
        assert words in seen.out
    first = seen.out[seen.out.index("Suspects") :].splitlines()[1]
    assert "[checkpoint-stalls]" in first
    cure = seen.out[seen.out.index("The plan is followed") :]
    assert "Cured by: " in cure and "So the cause was: Moves run out while the printer saves" in cure
    cost, habit = (
        int(n) for n in re.search(r"It\s+cost\s+(\d+):.*would\s+cost\s+(\d+)\s+on\s+average", cure, re.DOTALL).groups()
    )  # type: ignore[union-attr]
    assert 0 < cost < 0.6 * habit


@pytest.fixture(scope="module")
def shade(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("jobs") / "shade.gcode"
    path.write_text(write(lamp_shade()))
    return path


def test_json_has_the_agreed_keys(capsys: pytest.CaptureFixture[str], shade: Path) -> None:
    got = run(capsys, "toolpath", shade, "--printer", "board-memory-card", "--json").json
    keys = {"job", "bytes", "lines", "moves", "layers", "time_s", "filament_mm", "spiral", "seams", "facets", "reserve",
            "stops", "dips", "findings", "warnings", "risk"}  # fmt: skip
    assert keys <= set(got)
    assert {"share", "from_mm", "to_mm"} <= set(got["spiral"])
    assert {"count", "style"} <= set(got["seams"])
    assert {"median_mm", "p05_mm", "demand_per_s"} <= set(got["facets"])
    assert {"least_ms", "at_line"} <= set(got["reserve"])
    assert {"count", "total_s", "by_why", "list"} <= set(got["stops"])
    assert {"line", "x", "y", "z", "t_s", "length_s", "why"} <= set(got["stops"]["list"][0])
    assert {"id", "answer", "confidence", "because", "value", "unit", "lines"} <= set(got["findings"][0])
    assert got["bytes"] == shade.stat().st_size
    lines = shade.read_text().splitlines()
    assert all(lines[stop["line"] - 1].startswith("G1") for stop in got["stops"]["list"])


def test_without_a_card_nothing_is_said_of_stops(capsys: pytest.CaptureFixture[str], shade: Path) -> None:
    got = run(capsys, "toolpath", shade, "--json").json
    assert got["stops"] is None
    assert got["reserve"] is None
    assert any("printer card" in w for w in got["warnings"])
    both = run(capsys, "toolpath", shade, shade, "--json").json
    assert [j["bytes"] for j in both["jobs"]] == [shade.stat().st_size] * 2


def test_text_names_lines_and_places(capsys: pytest.CaptureFixture[str], shade: Path) -> None:
    out = run(capsys, "toolpath", shade, "--printer", "board-memory-card").out
    for words in ("STOPS ", "one climbing spiral", " of empty at line ", "What stands out", "starves-at-checkpoints"):
        assert words in out
    assert all(len(line) <= 80 for line in out.splitlines())


def test_advice_says_with_what_the_job_would_not_starve(capsys: pytest.CaptureFixture[str], shade: Path) -> None:
    got = run(capsys, "toolpath", shade, "--printer", "board-memory-card", "--advise", "--json").json["advice"]
    assert not got["clean"]
    assert got["checkpoints"] > 100
    assert got["queue"]["clean"] > got["queue"]["now"] == 16
    assert got["speed"]["clean"] < 1
    assert got["save"]["clean"] < got["save"]["now"]
    out = run(capsys, "toolpath", shade, "--printer", "board-memory-card", "--advise", "--quiet").out
    assert "any one of these alone would keep the head moving" in out
    # A generic card names no rating, so the usual 10,000 stands.
    assert got["worn"] == pytest.approx(got["checkpoints"] / 10_000)
    assert f"writes {got['checkpoints']} checkpoints: 7 % of the writes" in " ".join(out.split())


def test_the_plan_tells_what_would_keep_the_job_from_starving(capsys: pytest.CaptureFixture[str], shade: Path) -> None:
    facts = ("plan", "--answer", "defect=blobs", "--job", shade, "--printer")
    told = run(capsys, *facts, "board-memory-card", "--json").json["advice"]
    assert told == run(capsys, "toolpath", shade, "--printer", "board-memory-card", "--advise", "--json").json["advice"]
    assert "one thing changed at a time" in run(capsys, *facts, "board-memory-card").out
    assert run(capsys, *facts, "host-planned", "--json").json["advice"] is None
    assert run(capsys, "plan", "--answer", "defect=blobs", "--json").json["advice"] is None
    assert run(capsys, "toolpath", shade, "--advise").code == 2


@pytest.mark.parametrize("content", [b"", b"\x00\x01\x02\xff" * 100, b"hello\nworld\n"])
def test_a_file_that_is_no_job_is_told_in_one_line(
    capsys: pytest.CaptureFixture[str], tmp_path: Path, content: bytes
) -> None:
    path = tmp_path / "x.gcode"
    path.write_bytes(content)
    seen = run(capsys, "toolpath", path)
    assert seen.code == 2
    assert seen.err.splitlines()[0].startswith(f"diagnose: {path}")


def test_rank_takes_the_job_into_account(capsys: pytest.CaptureFixture[str], shade: Path) -> None:
    told = ("--answer", "defect=blobs", "--answer", "mark-extent=one-region")
    without = run(capsys, "rank", *told, "--json").json
    with_job = run(capsys, "rank", *told, "--job", shade, "--printer", "board-memory-card", "--json").json
    share = {c["id"]: c["probability"] for c in without["causes"]}
    now = {c["id"]: c["probability"] for c in with_job["causes"]}
    assert now["checkpoint-stalls"] > share["checkpoint-stalls"]
    sources = {line["source"] for line in with_job["causes"][0]["ledger"]}
    assert "finding" in sources
