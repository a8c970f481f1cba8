"""``plan``: what to try next, with every caution, and what follows from remedies tried."""

from __future__ import annotations

import pytest

from diagnose.triage import knowledge_from
from tests.cli.run import run

STRINGS = "plan", "--answer", "defect=strings"


def test_every_step_shown_shows_its_caution(capsys: pytest.CaptureFixture[str]) -> None:
    knowledge = knowledge_from()
    entries = {**knowledge.tests, **knowledge.remedies}
    for arguments in (STRINGS, (*STRINGS, "--quiet")):
        out = run(capsys, *arguments).out
        told = " ".join(out.split())
        shown = [e for id, e in entries.items() if f"[{id}]" in out]
        assert len(shown) > 3 and any(e.caution for e in shown)
        for entry in shown:
            if entry.caution:
                assert f"CAUTION: {' '.join(entry.caution.split())}" in told, entry.id
    steps = run(capsys, *STRINGS, "--json").json["steps"]
    assert all(step["caution"] == entries[step["id"]].caution for step in steps)


def test_a_remedy_that_failed_is_not_proposed_again_and_its_causes_fall(capsys: pytest.CaptureFixture[str]) -> None:
    first = next(s["id"] for s in run(capsys, *STRINGS, "--json").json["steps"] if s["kind"] == "remedy")
    tried = ("--tried", f"{first}=no-change")
    assert first not in [s["id"] for s in run(capsys, *STRINGS, *tried, "--json").json["steps"]]
    ranked = run(capsys, "rank", *STRINGS[1:], *tried, "--json").json
    assert ranked["answers"][-1] == {
        "id": first,
        "source": "remedy",
        "answer": ["no-change"],
        "counts": True,
        "why": "",
    }
    before = {c["id"]: c["probability"] for c in run(capsys, "rank", *STRINGS[1:], "--json").json["causes"]}
    met = [c for c in ranked["causes"] if first in c["remedies"]]
    assert met and all(c["probability"] < before[c["id"]] for c in met)
    assert [line["decibans"] < 0 for line in met[0]["ledger"] if line["source"] == "remedy"] == [True]


def test_a_cure_is_told_in_place_of_a_plan(capsys: pytest.CaptureFixture[str]) -> None:
    cured = ("--tried", "dry-filament=cured")
    seen = run(capsys, *STRINGS, *cured)
    assert seen.code == 0 and seen.out.startswith("Cured by: Dry the filament [dry-filament]")
    assert "So the cause was: The filament is wet" in seen.out
    found = run(capsys, *STRINGS, *cured, "--json").json
    assert found["steps"] == [] and found["expected_cost"] == 0
    assert found["cured"] == {"remedy": "dry-filament", "causes": ["wet-filament"]}


@pytest.mark.parametrize(
    ("tried", "words"),
    [
        ("dry-filament=", "does not say what came of a remedy"),
        ("dry-filament=gone", "is not what can come of a remedy"),
        ("dry-filamnt=cured", "did you mean 'dry-filament'"),
    ],
)
def test_a_result_that_makes_no_sense_is_told_with_a_hint(
    capsys: pytest.CaptureFixture[str], tried: str, words: str
) -> None:
    seen = run(capsys, *STRINGS, "--tried", tried)
    assert seen.code == 2 and words in seen.err and seen.out == ""
