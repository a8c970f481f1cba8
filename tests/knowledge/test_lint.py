"""Advice on packs that hold together but say too little: one fault each, in a pack that has no other of its kind."""

from __future__ import annotations

from pathlib import Path

import pytest

from diagnose.knowledge.builtin import rules_folder
from diagnose.knowledge.check import check
from diagnose.knowledge.hazards import HAZARDS, hazards
from diagnose.knowledge.lint import cautions_stand_where_something_can_hurt, costs_are_stated
from diagnose.knowledge.models import Remedy
from diagnose.knowledge.pack import load

PACK = """
questions:
  - {id: defect, ask: What?, effort: glance, role: defect, answers: [{id: blobs, say: Blobs}, {id: warp, say: Warp}]}
  - {id: popping, ask: Pops?, effort: recall, answers: [{id: "yes", say: "Yes", usual: 0.1}, {id: "no", say: "No", usual: 0.9}]}
  - {id: lifted, ask: Lifts?, effort: glance, ask_if: {defect: warp}, answers: [{id: "yes", say: "Yes"}, {id: "no", say: "No"}]}
  - {id: result, ask: Gone?, effort: reprint, answers: [{id: "yes", say: "Yes"}, {id: "no", say: "No"}]}
tests:
  - {id: dry-it, name: Dry it, do: Dry it., reads: Gone?, question: result, minutes: %(minutes)s, machine_minutes: 60, grams: 5, gives_up: none, %(mind)smoney: %(money)s}
remedies:
  - {id: dryer, name: Dryer, do: %(do)s, minutes: 5, machine_minutes: 0, grams: 0, money: 0, %(cost)s}
causes:
  - id: wet
    name: Wet
    family: material
    about: Wet.
    rate: common
    defects: {blobs: mostly}
    misleads: Looks like heat.
    confirm: dry-it
    remedies: dryer
    evidence:
      - {question: popping, answer: "yes", seen: 0.8, because: steam}
      - {question: result, answer: "yes", seen: 0.9, because: dried}
      - {question: result, answer: "no", seen: %(no)s, because: dried}
%(wet)s
  - id: cold
    name: Cold
    family: heat
    about: Cold.
    rate: common
    defects: {%(defects)s}
    misleads: Looks wet.
    confirm: dry-it
    remedies: dryer
    evidence:
      - {question: popping, answer: "yes", seen: %(cold)s, because: no steam}
      - {question: result, answer: "yes", seen: 0.9, because: warmer}
      - {question: result, answer: "no", seen: 0.1, because: warmer}
      - {question: lifted, answer: "yes", seen: %(lifted)s, because: shrinks}
examples:
  - {name: Wet, answers: {popping: "yes"}, expect: {first: wet}}
%(examples)s
"""
COLD = '  - {name: Cold, answers: {lifted: "yes"}, expect: {first: cold}}'
GOOD = {
    "wet": "", "defects": "blobs: half, warp: sometimes", "cold": "0.1", "lifted": "0.9", "examples": COLD,
    "minutes": "5", "money": "0", "no": "0.1", "mind": "caution: Hot., ", "do": "Store it dry.", "cost": "wear: none, gives_up: Time.",
}  # fmt: skip


def advice(folder: Path, **changes: str) -> list[str]:
    (folder / "p.yaml").write_text(PACK % {**GOOD, **changes})
    knowledge, problems = load([folder])
    found = problems + check(knowledge)
    assert not any(p.hard for p in found), found
    return [f"{p.id}: {p.what}" for p in found]


def test_a_pack_with_nothing_to_say_against_it_gets_no_advice(tmp_path: Path) -> None:
    assert advice(tmp_path) == []


@pytest.mark.parametrize(
    ("changes", "told"),
    [
        pytest.param(
            {"cold": "0.75", "lifted": "0.51"}, ["cold: no question separates it from 'wet'", "lifted: changes nothing: e"],
            id="two causes alike, and the question that could part them says nothing",
        ),
        pytest.param({"cold": "0.75", "defects": "warp: mostly"}, [], id="alike, but they leave different defects"),
        pytest.param({"lifted": "0.5"}, ["lifted: changes nothing: every cause shows"], id="evidence as usual"),
        pytest.param(
            {"no": "0.05", "wet": '      - {question: popping, answer: "no", seen: 0.2, given: {result: "no"}, because: x}'},
            ["wet: another line says that result is hardly ever no here"], id="a context that the cause denies",
        ),
        pytest.param(
            {"wet": '      - {question: popping, answer: "yes", seen: 0.7, given: {defect: [blobs, warp]}, because: x}'},
            ["wet: never counts: other lines on yes cover every answer of defect"], id="a line wholly covered",
        ),
        pytest.param(
            {"defects": "blobs: half"}, ["cold: can never hold"], id="evidence on a question that is not asked for it",
        ),
        pytest.param(
            {"wet": '      - {question: lifted, answer: "yes", seen: 0.7, given: {defect: blobs}, because: x}'},
            ["wet: can never hold"], id="a context against the gate",
        ),
        pytest.param({"examples": ""}, ["cold: comes first in no worked example"], id="no example"),
        pytest.param(
            {"minutes": "22"}, ["cold: has no cheap", "wet: has no cheap"], id="a tenth of the machine's hour counts"
        ),
        pytest.param({"mind": "wear: none, "}, ["dry-it: touches heat, a running machine and has no"], id="a print without a caution"),
        pytest.param({"do": "Put it into an oven."}, ["dryer: touches ovens and has no"], id="an oven without a caution"),
        pytest.param({"cost": "caution: Mind it."}, ["dryer: does not state gives_up"], id="a caution states the risk"),
        pytest.param({"cost": "gives_up: none"}, ["dryer: does not state wear"], id="neither wear nor a caution"),
        pytest.param({"money": "3"}, ["cold: has no cheap", "wet: has no cheap"], id="something to buy"),
    ],
)  # fmt: skip
def test_each_weakness_of_a_pack_is_told(tmp_path: Path, changes: dict[str, str], told: list[str]) -> None:
    got = sorted(advice(tmp_path, **changes))
    assert len(got) == len(told), got
    for line, start in zip(got, sorted(told), strict=True):
        assert line.startswith(start), got


# What people do at a printer, and what of it can hurt (common practice, no source).
TOUCHES = {
    "Heat the nozzle to 200 degrees and push the filament through.": "heat",
    "Pull it out of the hot block.": "heat",
    "Home the printer, fingers away.": "motion",
    "Print a box of 20 mm.": "motion",
    "Tighten the terminals of the power supply.": "mains",
    "Unplug the printer.": "mains",
    "Wipe it with acetone.": "fumes",
    "Put the spool into the oven for a night.": "ovens",
    "Singe the hairs with a lighter.": "fire",
    "Read the label of the spool.": "",
    "Switch the smoothing off and write the job anew.": "",
    "Look up how wide the heat sink is.": "",
    "Clean the fins of the heat sink.": "motion",
}


@pytest.mark.parametrize(("do", "touched"), TOUCHES.items())
def test_what_can_hurt_is_told_by_the_words(do: str, touched: str) -> None:
    found = hazards(Remedy(id="r", name="R", do=do, minutes=1))
    assert (touched in found) if touched else not found


def test_every_test_and_remedy_that_can_hurt_has_a_caution_and_states_its_costs() -> None:
    knowledge = load([rules_folder()])[0]
    told = [*costs_are_stated(knowledge), *cautions_stand_where_something_can_hurt(knowledge)]
    assert [f"{p.id}: {p.what}" for p in told] == []
    entries = [*knowledge.tests.values(), *knowledge.remedies.values()]
    touched = [hazards(entry) for entry in entries]
    assert {*HAZARDS} - {name for names in touched for name in names} == {"fire"}  # nothing asks for a flame
    assert sum(map(bool, touched)) > 150
    bare = [e.model_copy(update={"caution": None}) for e in entries if e.caution]
    assert sum(bool(hazards(e)) for e in bare) > 0.85 * len(bare)  # most cautions are called for by the words


def test_a_question_without_evidence_that_opens_nothing_changes_nothing(tmp_path: Path) -> None:
    extra = '\n'.join([
        "questions:",
        '  - {id: idle, ask: Idle?, effort: glance, answers: [{id: "yes", say: "Yes"}, {id: "no", say: "No"}]}',
        '  - {id: smoke, ask: Smoke?, effort: glance, answers: [{id: "yes", say: "Yes", stop: Unplug.}, {id: "no", say: "No"}]}',
        '  - {id: shut, ask: Shut?, effort: glance, ask_if: {idle: "no", open: "yes"}, answers: [{id: "yes", say: "Yes"}, {id: "no", say: "No"}]}',
        '  - {id: open, ask: Open?, effort: glance, ask_if: {idle: "yes"}, answers: [{id: "yes", say: "Yes"}, {id: "no", say: "No"}]}',
    ])  # fmt: skip
    (tmp_path / "q.yaml").write_text(extra)
    got = advice(tmp_path)
    assert "shut: changes nothing: no cause has evidence on it" in got
    assert "shut: can never be asked: idle would have to have two answers at once" in got
    assert not any(line.startswith(("idle", "smoke", "open")) for line in got)
