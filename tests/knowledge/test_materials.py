"""Plastics of the pack and of a shop: drying below softening, sources known, numbers that no plastic has."""

from __future__ import annotations

import copy
from pathlib import Path
from typing import Any

import pytest
import yaml

from diagnose.knowledge.builtin import rules_folder
from diagnose.knowledge.check import check
from diagnose.knowledge.pack import load
from diagnose.knowledge.reader import Problem
from tests.cli.run import run

HELD = {"pla", "petg", "abs", "asa", "pa", "pc", "tpu", "pp"}


def shop(folder: Path, dotted: str, value: Any) -> list[Problem]:
    """Faults of a pack that changes one number of the first built-in plastic."""
    entries = yaml.safe_load((rules_folder() / "materials" / "common.yaml").read_text())["materials"]
    plastic = {**copy.deepcopy(entries[0]), "replaces": True}
    *above, last = dotted.split(".")
    part = plastic
    for name in above:
        part = part[name]
    part[last] = value
    (folder / "plastic.yaml").write_text(yaml.safe_dump({"materials": [plastic]}))
    knowledge, problems = load([rules_folder(), folder])
    return sorted(problems + check(knowledge))


def test_the_pack_holds_the_eight_plastics_people_print() -> None:
    knowledge, _ = load([rules_folder()])
    assert set(knowledge.materials) == HELD


def test_every_plastic_is_dried_below_the_point_where_it_softens_with_room_for_a_poor_dryer() -> None:
    knowledge, _ = load([rules_folder()])
    for plastic in knowledge.materials.values():
        assert plastic.drying.at_c <= plastic.softens_c.least - 5, plastic.id


def test_every_source_of_the_pack_is_cited_and_every_number_of_a_plastic_has_one() -> None:
    knowledge, problems = load([rules_folder()])
    assert [p for p in problems + check(knowledge) if p.what == "no entry cites it"] == []
    for plastic in knowledge.materials.values():
        assert sum(1 for _ in plastic.figures()) >= 7
        assert all(figure.source for _, figure in plastic.figures())


@pytest.mark.parametrize(("celsius", "hard"), [(55, True), (71, True), (52, False)])
def test_drying_at_the_softening_point_is_a_fault_and_near_it_advice(tmp_path: Path, celsius: int, hard: bool) -> None:
    (problem,) = shop(tmp_path, "drying.at_c", celsius)
    assert problem.hard is hard
    assert f"{celsius} °C" in problem.what
    assert "at most 50" in problem.instead
    line = (tmp_path / "plastic.yaml").read_text().splitlines()[problem.line - 1]
    assert "at_c" in line


@pytest.mark.parametrize(
    ("dotted", "value", "what"),
    [
        ("density_g_cm3.value", 1240, "`density_g_cm3` cannot be '1240'"),
        ("density_g_cm3.source", "a-leaflet", "the source 'a-leaflet' is not known"),
        ("softens_c.measure", "feel", "`measure` cannot be 'feel'"),
        ("softens_c", {"measure": "vicat", "from": 80, "to": 60, "source": "from memory"}, "goes from 80 to 60"),
        ("drying.hours", 0, "`hours` cannot be '0'"),
        ("nozzle_c", {"from": 50, "to": 220, "source": "from memory"}, "no hotter than 60 °C"),
        ("water.limit_percent.source", "drying-sheets", "the source 'drying-sheets' is not known"),
        ("nozzle_c", {"from": 190, "to": 220}, "`source` is missing"),
    ],
)
def test_a_number_no_plastic_has_is_told_with_its_place(tmp_path: Path, dotted: str, value: Any, what: str) -> None:
    (problem,) = [p for p in shop(tmp_path, dotted, value) if p.hard]
    assert what in problem.what
    assert problem.file == str(tmp_path / "plastic.yaml")


def test_a_source_that_nobody_cites_is_told(tmp_path: Path) -> None:
    (tmp_path / "s.yaml").write_text("sources:\n  - {id: old-book, cite: An old book}\n")
    knowledge, problems = load([rules_folder(), tmp_path])
    (problem,) = problems + check(knowledge)
    assert (problem.id, problem.hard) == ("old-book", False)


def test_a_plastic_is_listed_and_shown_with_its_sources(capsys: pytest.CaptureFixture[str]) -> None:
    listed = run(capsys, "rules", "list", "--json").json
    assert {m["id"] for m in listed["materials"]} == HELD
    assert {"id", "cite"} <= set(listed["sources"][0])
    assert len(run(capsys, "rules", "list", "materials").out.splitlines()) == 1 + len(HELD)
    page = run(capsys, "rules", "show", "pla").out
    for words in ("at 45 °C for 6 h [resin-drying-sheets]", "55 to 60 °C, glass transition", "335 m long"):
        assert words in page
    assert run(capsys, "rules", "show", "pla", "--json").json["softens_c"]["from"] == 55
