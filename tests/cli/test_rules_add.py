"""``rules add``: told by options or asked for line by line; nothing is written that does not hold."""

from __future__ import annotations

from pathlib import Path

import pytest

from diagnose.knowledge.settings import own_pack
from tests.cli.run import run

CAUSE = [
    "rules", "add", "cause", "--name", "The fan duct drooped", "--about", "It melted, so the fan blows past the part.",
    "--rate", "rare", "--defect", "overhangs-rough=6 in 10", "--evidence", "part-fan=weak, mostly, the air goes by",
]  # fmt: skip


@pytest.fixture(autouse=True)
def user(own_settings: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path / "config"))
    monkeypatch.chdir(tmp_path)
    return tmp_path


def test_a_question_is_asked_for_line_by_line(capsys: pytest.CaptureFixture[str]) -> None:
    typed = "How does the dryer smell?\ndryer smell\nHold a hand before it.\nloud\n1\nMusty\n12 in 10\n1 in 20\nOf nothing\n\n\n"
    seen = run(capsys, "rules", "add", "question", typed=typed)
    assert seen.code == 0, seen.out + seen.err
    assert "'loud' is no effort of this list" in seen.out and "is not a share" in seen.out
    shown = run(capsys, "rules", "show", "dryer-smell", "--json").json
    assert shown["ask"] == "How does the dryer smell?" and shown["effort"] == "glance"
    assert [(a["id"], a["say"], a.get("usual")) for a in shown["answers"]] == [("musty", "Musty", "1 in 20"), ("of-nothing", "Of nothing", None)]


def test_a_cause_is_asked_for_line_by_line_and_its_questions_are_searched_for(
    capsys: pytest.CaptureFixture[str],
) -> None:
    typed = "\n".join([
        "The dryer blows damp air", "Its filter is spent.", "5", "strings blobs", "5", "3 of 10",
        "pops or hisses in the nozzle", "popping", "1", "7", "water flashes to steam",
        "", "It was in the dryer, so nobody suspects water.", "",
    ])  # fmt: skip
    seen = run(capsys, "rules", "add", "cause", typed=typed)
    assert seen.code == 0, seen.out + seen.err
    shown = run(capsys, "rules", "show", "dryer-blows-damp-air", "--json").json
    assert shown["rate"] == "rare" and shown["defects"] == {"strings": "5 in 10", "blobs": "3 in 10"}
    assert shown["evidence"][0]["question"] == "popping" and shown["evidence"][0]["seen"] == "7 in 10"
    assert "of all bad prints" in seen.out  # what a rate means, in numbers
    assert "fewer than 3 lines of evidence" in " ".join(seen.out.split())


def test_input_that_ends_too_soon_writes_nothing(capsys: pytest.CaptureFixture[str]) -> None:
    seen = run(capsys, "rules", "add", "cause", typed="The dryer blows damp air\n")
    assert seen.code == 2 and "nothing was written" in seen.err
    assert not own_pack().exists()


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["cause", "--name", "X"], "--about is missing"),
        ([*CAUSE[2:-2], "--evidence", "part-fan=weak"], "no line of evidence"),
        ([*CAUSE[2:-2], "--evidence", "part-fam=weak, half, x"], "did you mean 'part-fan'"),
        ([*CAUSE[2:-2], "--evidence", "popping=yes, 12 in 10, x"], "not a share"),
        ([*CAUSE[2:], "--defect", "overhang=half"], "--defect"),
        ([*CAUSE[2:], "--remedy", "pray"], "--remedy"),
        ([*CAUSE[2:], "--id", "wet-filament"], "there is a cause 'wet-filament' already"),
        (["question", "--ask", "Why?", "--effort", "glance", "--answer", "a=A"], "single answer"),
        (["question", "--ask", "Why?", "--effort", "glance", "--answer", "a", "--answer", "b=B"], "no answer"),
        (["evidence", "wet-filamant", "--sign", "popping=yes", "--seen", "half", "--because", "x"], "did you mean 'wet-filament'"),
        (["evidence", "wet-filament", "--sign", "popping=loud", "--seen", "half", "--because", "x"], "its answers are"),
        (["evidence", "wet-filament", "--sign", "popping=yes", "--seen", "half", "--counted", "3 of 4", "--because", "x"], "in two ways"),
        (["evidence", "wet-filament", "--sign", "popping=yes", "--counted", "many", "--because", "x"], "is no count"),
        (["evidence", "wet-filament", "--sign", "popping=yes", "--counted", "5 of 4", "--because", "x"], "cannot be"),
        (["evidence", "card-slow-or-fragmented", "--sign", "fed-by=card", "--counted", "99 of 100", "--because", "x"], "cannot come from this sign alone"),
        (["evidence", "wet-filament", "--sign", "popping=yes", "--seen", "half"], "--because is missing"),
        (["example", "--name", "X", "--answer", "defect=strings", "--first", "wet"], "--first"),
        (["example", "--name", "X", "--answer", "defect=stringz", "--first", "wet-filament"], "did you mean 'strings'"),
        (["printer", "board-memory-card"], "already"),
    ],
)  # fmt: skip
def test_what_cannot_be_is_told_and_nothing_is_written(
    capsys: pytest.CaptureFixture[str], arguments: list[str], words: str
) -> None:
    if arguments[0] == "evidence" and arguments[1] == "card-slow-or-fragmented":
        causes = [c["id"] for c in run(capsys, "rules", "list", "--json").json["causes"] if c["rate"] == "rare" and "blobs" in c["defects"]]
        arguments = [arguments[0], causes[0], *arguments[2:]]
    seen = run(capsys, "rules", "add", *arguments)
    assert seen.code == 2, seen.out
    assert words in " ".join(f"{seen.err} {seen.out}".split())
    assert not own_pack().exists()


def test_a_dry_run_shows_what_would_be_written_and_writes_nothing(
    capsys: pytest.CaptureFixture[str], user: Path
) -> None:
    seen = run(capsys, *CAUSE, "--dry-run")
    assert seen.code == 0 and "id: fan-duct-drooped" in seen.out and "would get" in seen.out
    assert "In a print that shows all its signs" in " ".join(seen.out.split())
    assert not own_pack().exists()
    kept = run(capsys, *CAUSE, "--into", "shop")
    assert kept.code == 0 and (user / "shop" / "causes.yaml").exists() and not own_pack().exists()
    assert "fan-duct-drooped" in run(capsys, "rules", "list", "causes", "--rules", "shop").out


def test_an_example_that_does_not_hold_is_told_when_it_is_written(capsys: pytest.CaptureFixture[str]) -> None:
    seen = run(capsys, "rules", "add", "example", "--name", "A wrong hope", "--answer", "defect=blobs", "--answer", "popping=no", "--first", "wet-filament")
    assert seen.code == 0 and "BREAKS  A wrong hope" in seen.out and "1 worked example does not come out as it says" in " ".join(seen.out.split())


def test_a_context_is_written_with_the_line(capsys: pytest.CaptureFixture[str]) -> None:
    seen = run(capsys, "rules", "add", "evidence", "wet-filament", "--sign", "between-marks=flawless", "--seen", "2", "--given", "popping=no", "--because", "little water")
    assert seen.code == 0, seen.err
    text = (own_pack() / "adjust.yaml").read_text()
    assert 'given: {popping: "no"}' in text and "seen: 2 in 10" in text


def test_a_printer_card_is_added_under_its_id(capsys: pytest.CaptureFixture[str]) -> None:
    seen = run(capsys, "rules", "add", "printer", "the-red-one", "--like", "board-memory-card", "--name", "The red one")
    assert seen.code == 0, seen.err
    assert (own_pack() / "printers" / "the-red-one.yaml").exists()
    assert "the-red-one" in run(capsys, "printers", "list").out
    assert run(capsys, "rank", "--printer", "the-red-one", "--answer", "defect=blobs").code == 0


def test_a_pack_that_has_a_fault_already_is_mended_first(capsys: pytest.CaptureFixture[str]) -> None:
    own_pack().mkdir(parents=True)
    (own_pack() / "mine.yaml").write_text("causes:\n  - {id: x}\n")
    seen = run(capsys, "rules", "add", "example", "--name", "X", "--answer", "defect=strings", "--first", "wet-filament")
    assert seen.code == 2 and "mine.yaml:2" in seen.err
    assert [p.name for p in own_pack().iterdir()] == ["mine.yaml"]
