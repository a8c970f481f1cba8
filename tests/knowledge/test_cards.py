"""Printer cards: every number explained, bounded, and pointed at where it is wrong."""

from __future__ import annotations

import dataclasses
from pathlib import Path

import pytest

from diagnose.errors import BadInput
from diagnose.knowledge.cards import Printer
from diagnose.toolpath.machine import Machine
from diagnose.toolpath.speeds import check_machine
from diagnose.triage.sources import card, knowledge_from, machine_of

OLD = """\
printers:
  - id: an-old-card
    name: An old card
    about: It was written before the newer numbers.
    from: measured
    motion:
      planning: board
      queue_moves: 16
      queue_seen: 16
      acceleration_mm_s2: 1500
      travel_acceleration_mm_s2: 1500
      axis_speed_mm_s: {x: 300, y: 300, z: 12, e: 60}
      axis_acceleration_mm_s2: {x: 3000, y: 3000, z: 100, e: 5000}
      corner: {rule: radius, deviation_mm: 0.02}
    supply: {feed: card, bytes_per_s: 60000, line_time_ms: 1.0, reply_time_ms: 0, reply_bytes: 0, window_lines: 1,
             hiccups_per_min: 0.5, hiccup_takes_ms: 100}
    checkpoint: {every_s: 5, takes_ms: 200}
    hot_end: {nozzle_mm: 0.4, filament_mm: 1.75, melt_rate_mm3_s: 12, retract_mm: 5, retract_mm_s: 40, ooze_mm3_s: 0.5}
    drive: {z_lead_mm: 8, belt_pitch_mm: 2, pulley_teeth: 20, feeder_turn_mm: 22.9}
    source: common practice
"""


def written(tmp_path: Path, text: str) -> str:
    path = tmp_path / "mine.yaml"
    path.write_text(text)
    return str(path)


def test_every_number_of_every_card_is_explained():
    said = Printer.explain()
    for printer in knowledge_from().printers.values():
        for name, _, _ in printer.numbers():
            assert len(said[name]) > 40, name
            assert "sually" in said[name] or any(c.isdigit() for c in said[name]), name
    for name in ("motion.planning", "motion.corner.rule", "motion.obeys_job_limits", "supply.feed"):
        assert len(said[name]) > 40
    assert said["motion.axis_speed_mm_s.z"].startswith("Axis Z")


def test_every_card_makes_a_machine_that_makes_sense():
    fields = {field.name for field in dataclasses.fields(Machine)}
    for printer in knowledge_from().printers.values():
        machine = machine_of(printer)
        check_machine(machine)
        assert set(machine.origin) <= fields


def test_an_old_card_loads_and_what_it_leaves_out_is_generic(tmp_path):
    printer = card(knowledge_from(), written(tmp_path, OLD))
    machine = machine_of(printer)
    assert (machine.least_move, machine.stretch_below, machine.tool_change_time, machine.job_sets_limits) == (
        0,
        0,
        0,
        True,
    )
    assert machine.origin["queue_moves"] == "measured"
    assert machine.origin["least_move"] == "generic"


def test_new_numbers_reach_the_machine_in_its_units(tmp_path):
    text = OLD.replace(
        "      corner:",
        "      buffer_s: 0.7\n      least_speed_mm_s: 2\n      least_travel_speed_mm_s: 3\n      least_move_ms: 20\n"
        "      stretch_below: 8\n      tool_change_s: 12\n      obeys_job_limits: false\n      corner:",
    ).replace("hiccup_takes_ms: 100", "hiccup_takes_ms: 100, resends_per_1000: 2, resend_lines: 4")
    machine = machine_of(card(knowledge_from(), written(tmp_path, text)))
    assert (machine.buffer_time, machine.least_speed, machine.least_travel_speed) == (0.7, 2, 3)
    assert (machine.least_move, machine.stretch_below, machine.tool_change_time) == (0.02, 8, 12)
    assert (machine.job_sets_limits, machine.resends_per_1000, machine.resend_lines) == (False, 2, 4)


@pytest.mark.parametrize(
    ("good", "bad", "what"),
    [
        ("queue_moves: 16", "queue_moves: 0", "queue_moves"),
        ("queue_seen: 16", "queue_seen: 17", "queue_seen"),
        ("queue_seen: 16", "queue_seen: 16\n      stretch_below: 16", "stretch_below"),
        ("queue_seen: 16", "queue_seen: 16\n      least_move_ms: -1", "least_move_ms"),
        ("queue_seen: 16", "queue_seen: 16\n      obeys_job_limits: perhaps", "obeys_job_limits"),
        ("line_time_ms: 1.0", "line_time_ms: 5000", "line_time_ms"),
        ("line_time_ms: 1.0", "line_time_ms: .nan", "line_time_ms"),
        ("line_time_ms: 1.0", "line_time_ms: fast", "line_time_ms"),
        ("bytes_per_s: 60000", "bytes_per_s: 1", "bytes_per_s"),
        ("takes_ms: 200}", "takes_ms: 5000}", "takes_ms"),
        ("nozzle_mm: 0.4", "nozzle_mm: 40", "nozzle_mm"),
        ("nozzle_mm: 0.4", "nozzle_mm: {value: 40, from: measured}", "nozzle_mm"),
        ("deviation_mm: 0.02", "deviation_mm: 0", "deviation_mm"),
        ("pulley_teeth: 20", "pulley_teeth: 20.5", "pulley_teeth"),
        ("z: 12,", "z: -12,", "z"),
    ],
)
def test_a_number_that_cannot_be_is_pointed_at(tmp_path, good, bad, what):
    text = OLD.replace(good, bad, 1)
    assert text != OLD
    with pytest.raises(BadInput) as fault:
        card(knowledge_from(), written(tmp_path, text))
    file, line, column = fault.value.where.rsplit(":", 2)
    assert file.endswith("mine.yaml")
    assert f"{what}" in text.splitlines()[int(line) - 1]
    assert int(column) > 1
    assert f"`{what}`" in fault.value.what
    assert fault.value.hint
