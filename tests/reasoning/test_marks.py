"""Measured marks in the posterior: last, untempered, exact; and what measuring them is expected to tell."""

from __future__ import annotations

import numpy as np
import pytest

from diagnose.reasoning.answers import reports
from diagnose.reasoning.inference import posterior
from diagnose.reasoning.inquiry import TOLD_RIGHT, marks_gain
from diagnose.reasoning.ledger import chain, log_odds, weights
from diagnose.reasoning.network import compile_network
from tests.reasoning.packs import random_pack
from tests.reasoning.test_exact import sample


@pytest.mark.parametrize("temper", [1.0, 0.6])
def test_marks_multiply_the_odds_untempered_and_the_ledger_still_sums(temper: float) -> None:
    rng = np.random.default_rng(5)
    k = random_pack(rng, causes=8, questions=12)
    net = compile_network(k)
    answers, found = sample(k, rng, 6)
    lined, _, _ = reports(k, net, answers, found)
    said = {net.causes[0]: 21.0, net.causes[3]: -12.5}
    links = chain(net, lined, temper, said)
    prior, each = weights(net, links)
    assert each.shape == (len(lined) + 1, 9)
    # By hand: shares from rates, tempered likelihoods, and 10 to the decibans over ten.
    plain = np.exp(net.log_prior + temper * links.log_likelihoods[-1])
    for cause, decibans in said.items():
        plain[net.row(cause)] *= 10 ** (decibans / 10)
    plain /= plain.sum()
    np.testing.assert_allclose(posterior(net, links.log_likelihoods[-1], temper, links.marks), plain, atol=1e-12)
    np.testing.assert_allclose(prior + each.sum(axis=0), 10 * np.log10(plain / (1 - plain)), atol=1e-8)
    np.testing.assert_allclose(log_odds(net, links.log_likelihoods[-1], temper, links.marks), prior + each.sum(axis=0), atol=1e-9)
    without = chain(net, lined, temper)
    np.testing.assert_allclose(each[:-1], weights(net, without)[1], atol=1e-12)


def test_measuring_tells_nothing_where_no_cause_says_where_its_marks_lie() -> None:
    net = compile_network(random_pack(np.random.default_rng(1), causes=4, questions=4))
    shares = np.full(5, 0.2)
    assert marks_gain(net, {}, shares) == (0.0, ())


def test_the_gain_of_measuring_is_the_information_of_its_table() -> None:
    net = compile_network(random_pack(np.random.default_rng(1), causes=3, questions=4))
    shares = np.array([0.1, 0.4, 0.3, 0.2])
    a, b = net.causes[:2]
    got, apart = marks_gain(net, {a: "height", b: "time"}, shares)
    seldom = (1 - TOLD_RIGHT) / 10
    rows = {0: [seldom / 2] * 2 + [1 - seldom], 3: [seldom / 2] * 2 + [1 - seldom]}
    rows |= {1: [TOLD_RIGHT, (1 - TOLD_RIGHT) / 2, (1 - TOLD_RIGHT) / 2], 2: [(1 - TOLD_RIGHT) / 2, TOLD_RIGHT, (1 - TOLD_RIGHT) / 2]}
    table = np.array([rows[i] for i in range(4)])
    joint = shares[:, None] * table
    want = float(np.sum(joint * np.log2(joint / (shares[:, None] * joint.sum(axis=0)))))
    assert got == pytest.approx(want, abs=1e-12)
    assert set(apart) == {a, b}
    same, _ = marks_gain(net, {a: "time", b: "time"}, shares)
    assert same < got, "causes that leave marks alike are not told apart"


def test_a_certain_case_has_nothing_to_gain() -> None:
    net = compile_network(random_pack(np.random.default_rng(1), causes=3, questions=4))
    shares = np.array([0.0, 1.0, 0.0, 0.0])
    assert marks_gain(net, {net.causes[0]: 1, net.causes[1]: 2}, shares)[0] == pytest.approx(0.0, abs=1e-12)
