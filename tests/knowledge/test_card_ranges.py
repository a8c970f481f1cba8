"""Printer cards with numbers that no printer has."""

from __future__ import annotations

import copy
from pathlib import Path
from typing import Any

import pytest
import yaml

from diagnose.knowledge.builtin import rules_folder
from diagnose.knowledge.pack import load


def problems(tmp_path: Path, dotted: str, value: Any) -> list[tuple[str, str]]:
    printer = copy.deepcopy(yaml.safe_load((rules_folder() / "printers" / "generic.yaml").read_text())["printers"][0])
    *above, last = dotted.split(".")
    part = printer
    for name in above:
        part = part[name]
    part[last] = value
    (tmp_path / "card.yaml").write_text(yaml.safe_dump({"printers": [printer]}))
    return [(p.what, p.instead) for p in load([tmp_path / "card.yaml"])[1]]


@pytest.mark.parametrize(
    ("dotted", "value", "what", "instead"),
    [
        # A job on a machine that slow once took minutes to work out.
        ("motion.acceleration_mm_s2", 1e-9, "`acceleration_mm_s2` cannot be", "from 1 to 200000 mm/s2"),
        ("motion.axis_acceleration_mm_s2.z", 0, "`z` cannot be", "no less than 1"),
        ("motion.axis_speed_mm_s.x", -300, "`x` cannot be", "no less than 0.01"),
        ("motion.queue_moves", 0, "`queue_moves` cannot be", "no less than 1"),
        ("motion.queue_moves", 16.5, "`queue_moves` cannot be", "whole number"),
        ("motion.queue_moves", {"value": "many", "from": "measured"}, "`queue_moves` cannot be 'many'", "whole number"),
        ("motion.queue_seen", 17, "`queue_seen` is 17, more than the queue holds", "one fewer"),
        ("motion.corner.rule", "radius", "`corner` has the rule 'radius'", "deviation_mm"),
        ("supply.bytes_per_s", 0, "`bytes_per_s` cannot be", "above 0"),
        ("supply.hiccup_takes_ms", "inf", "`hiccup_takes_ms` cannot be 'inf'", "write a number"),
        ("checkpoint.takes_ms", "nan", "`takes_ms` cannot be 'nan'", "write a number"),
        ("hot_end.nozzle_mm", 1e10, "`nozzle_mm` cannot be", "no more than"),
    ],
)  # fmt: skip
def test_a_number_no_printer_has_is_told_by_the_name_of_its_field(
    tmp_path: Path, dotted: str, value: Any, what: str, instead: str
) -> None:
    (found,) = problems(tmp_path, dotted, value)
    assert what in found[0]
    assert instead in found[1]


def test_a_number_may_say_where_it_is_from(tmp_path: Path) -> None:
    assert problems(tmp_path, "motion.acceleration_mm_s2", {"value": 900, "from": "measured"}) == []
