"""Learning: the Dirichlet sums by hand, exact where it should be, and no more than counts allow."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from scipy import stats

from diagnose.knowledge.builtin import rules_folder
from diagnose.knowledge.check import load_checked
from diagnose.knowledge.learnt import Cell, Learnt
from diagnose.knowledge.pack import Knowledge
from diagnose.reasoning.learning import FEW_CASES, RATE_CASES_EACH, best_temper, blend, worth_of_rules
from diagnose.reasoning.network import compile_network

RULES = """
questions:
  - {id: look, ask: Which?, role: defect, effort: glance, answers: [{id: a, say: A}, {id: b, say: B}]}
  - {id: fed, ask: Fed?, effort: glance, answers: [{id: card, say: Card}, {id: cable, say: Cable}]}
  - {id: sound, ask: Sound?, effort: glance, slips: 0.1, answers: [{id: pop, say: Pops, usual: 0.1}, {id: "no", say: None}]}
  - {id: signs, ask: Signs?, kind: several, effort: glance, missed: 0.2, answers: [{id: dust, say: D, usual: 0.1}, {id: heat, say: H}]}
causes:
  - id: wet
    name: Wet
    family: f
    about: x
    rate: common
    defects: {a: 0.8}
    evidence:
      - {question: sound, answer: pop, seen: 0.8, given: {fed: card}, because: x}
      - {question: sound, answer: pop, seen: 0.3, given: {fed: cable}, because: x}
      - {question: signs, answer: dust, seen: 0.5, because: x}
  - {id: hot, name: Hot, family: f, about: x, rate: rare, defects: {b: 0.8}}
"""


@pytest.fixture
def rules(tmp_path: Path) -> Knowledge:
    (tmp_path / "r.yaml").write_text(RULES)
    return load_checked([tmp_path / "r.yaml"])


def taught(rules: Knowledge, *cells: Cell, cases: int = 100, **more: object) -> Knowledge:
    return replace(rules, learnt=Learnt.model_validate({"cases": cases, "cells": cells, **more}))


def test_the_blend_is_the_mean_of_a_dirichlet_posterior() -> None:
    """Against scipy's Dirichlet distribution."""
    prior, counts, n0 = np.array([0.7, 0.2, 0.1]), np.array([3.0, 0.0, 9.0]), 20.0
    assert blend(prior, counts, n0) == pytest.approx(stats.dirichlet(n0 * prior + counts).mean())


def test_a_cell_is_learnt_as_reported_answers_in_its_context_alone(rules: Knowledge) -> None:
    cell = Cell(cause="wet", about="sound", given={"fed": ("card",)}, counts={"pop": 2, "no": 8}, of=10)
    before, after = compile_network(rules), compile_network(taught(rules, cell))
    fed, sound, row = before.index["fed"], before.index["sound"], before.row("wet")
    n0 = worth_of_rules(100)
    reported = 0.9 * 0.8 + 0.1 * 0.1
    expected = (n0 * reported + 2) / (n0 + 10)
    assert after.reported(sound, {fed: 0})[0][row, 0] == pytest.approx(expected)
    assert after.reported(sound, {})[0][row, 0, 0] == pytest.approx(expected)  # with the context still open, too
    cable = before.reported(sound, {fed: 1})[0]
    assert after.reported(sound, {fed: 1})[0] == pytest.approx(cable)
    others = np.delete(before.reported(sound, {fed: 0})[0], row, axis=0)
    assert np.delete(after.reported(sound, {fed: 0})[0], row, axis=0) == pytest.approx(others)


def test_options_of_a_question_of_kind_several_are_learnt_each(rules: Knowledge) -> None:
    cell = Cell(cause="wet", about="signs", counts={"dust": 9}, of=10)
    before, after = compile_network(rules), compile_network(taught(rules, cell))
    n0, row = worth_of_rules(100), before.row("wet")
    for option, count in (("dust", 9), ("heat", 0)):
        node = before.index[f"signs:{option}"]
        told = before.reported(node, {})[0][row, 0]
        assert after.reported(node, {})[0][row, 0] == pytest.approx((n0 * told + count) / (n0 + 10))


def test_rates_are_learnt_and_those_of_a_printer_lean_on_the_shop_s(rules: Knowledge) -> None:
    k = taught(rules, rates={"hot": 30, "wet": 10}, cases=40, printers={"red": {"hot": 8}})
    before, after = compile_network(rules), compile_network(k)
    n1 = RATE_CASES_EACH * 2
    shares = np.exp(before.log_prior)
    whole = shares[1:].sum()
    shop = (n1 * shares[1:] / whole + np.array([10, 30])) / (n1 + 40)
    assert np.exp(after.log_prior[1:]) == pytest.approx(whole * shop)
    assert np.exp(after.log_prior[0]) == pytest.approx(shares[0])
    red = (n1 * shop + np.array([0, 8])) / (n1 + 8)
    assert np.exp(after.for_print("red", None).log_prior) == pytest.approx([shares[0], *(whole * red)])
    assert after.for_print("blue", None) is after


def test_what_the_rules_no_longer_know_is_passed_over(rules: Knowledge) -> None:
    cells = (
        Cell(cause="gone", about="sound", counts={"pop": 1}, of=1), Cell(cause="wet", about="gone", counts={"x": 1}, of=1),
        Cell(cause="wet", about="sound", counts={"pop": 9}, of=9),  # without the context it hangs on
        Cell(cause="wet", about="sound", given={"gone": ("x",)}, counts={"pop": 9}, of=9),
        Cell(cause="wet", about="sound", given={"fed": ("air",)}, counts={"pop": 9}, of=9),
    )  # fmt: skip
    before, after = compile_network(rules), compile_network(taught(rules, *cells, rates={"gone": 5}))
    for i, node in enumerate(before.nodes):
        known = dict.fromkeys(node.contexts, 0)
        assert after.reported(i, known)[0] == pytest.approx(before.reported(i, known)[0])


def test_few_cases_leave_the_rules_their_weight() -> None:
    assert worth_of_rules(3) > 10 * worth_of_rules(1000)
    assert worth_of_rules(0) == worth_of_rules(1) == 60 + FEW_CASES


def test_the_temper_is_found_again_and_without_cases_it_is_one() -> None:
    """Answers told twice make their weight twice too large: an exponent of one half puts that right."""
    draw = np.random.default_rng(1)
    grid = tuple(np.arange(0.3, 1.31, 0.05))
    likelihoods, truths = [], []
    for _ in range(4000):
        truth = int(draw.integers(3))
        shown = draw.choice(3, p=np.where(np.arange(3) == truth, 0.6, 0.2))
        once = np.log(np.where(np.arange(3) == shown, 0.6, 0.2))
        likelihoods.append(2 * once)
        truths.append(truth)
    prior = [np.log(np.full(3, 1 / 3))] * len(truths)
    assert best_temper(likelihoods, prior, truths, grid) == pytest.approx(0.5, abs=0.051)
    assert best_temper([], [], [], grid) == pytest.approx(1.0)


def test_a_learnt_file_is_laid_over_the_built_in_rules(tmp_path: Path) -> None:
    (tmp_path / "learnt.yaml").write_text("learnt:\n  cases: 3\n  temper: 0.9\n  cells:\n    - {cause: wet-filament, about: popping, counts: {'yes': 3}, of: 3}\n")
    k = load_checked([rules_folder(), tmp_path])
    network = compile_network(k)
    assert network.temper == 0.9 and k.learnt is not None and k.learnt.cases == 3
    row, node = network.row("wet-filament"), network.index["popping"]
    plain = compile_network(replace(k, learnt=None))
    assert network.reported(node, {})[0][row, 0] > plain.reported(node, {})[0][row, 0]
