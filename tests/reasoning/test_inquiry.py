"""The next question against brute force, and published values of information."""

from __future__ import annotations

import numpy as np
import pytest

from diagnose.reasoning.answers import Found, reports
from diagnose.reasoning.doubt import conflict, surprise
from diagnose.reasoning.inference import Seen, applies, log_likelihood, posterior, standing
from diagnose.reasoning.inquiry import gains, information_bits, is_worth, job_gain, pace
from diagnose.reasoning.ledger import chain
from diagnose.reasoning.network import compile_network, entropy_bits
from tests.reasoning.by_hand import line, pack
from tests.reasoning.packs import random_pack
from tests.reasoning.test_exact import sample


def entropy(shares: np.ndarray) -> float:
    return float(-sum(p * np.log2(p) for p in shares if p > 0))


def brute_gain(net, k, about: str, observed: dict[int, Seen]) -> float:  # type: ignore[no-untyped-def]
    """H(cause) minus the mean H(cause | answer), every combination of answers tried one by one."""
    base = log_likelihood(net, observed)
    now = posterior(net, base)
    nodes = net.of[about]
    total, mean = 0.0, 0.0
    for combo in np.ndindex(*(len(net.nodes[i].states) for i in nodes)):
        tried = {**observed, **{i: Seen(s) for i, s in zip(nodes, combo, strict=True)}}
        if standing(net, tried)[1] - standing(net, observed)[1]:
            continue  # it would shut the gate of a question that has been answered: chance 0
        after = log_likelihood(net, tried)
        weight = float(now @ np.exp(after - base))
        total += weight
        mean += weight * entropy(posterior(net, after))
    assert total == pytest.approx(1.0, abs=1e-9)
    return entropy(now) - mean


@pytest.mark.parametrize("seed", range(3))
def test_the_gain_of_every_open_question_equals_brute_force(seed: int) -> None:
    rng = np.random.default_rng(40 + seed)
    k = random_pack(rng, causes=10, questions=16)
    net = compile_network(k)
    answers, _ = sample(k, rng, 5)
    lined, _, _ = reports(k, net, answers)
    observed = {i: s for r in lined for i, s in r.seen}
    shares = posterior(net, log_likelihood(net, observed))
    known, _ = standing(network=net, observed=observed)
    asked = [q for q in k.questions if q not in answers]
    found = gains(net, asked, observed, shares)
    assert {g.about for g in found} == {q for q in asked if applies(net, q, known)}
    assert len(found) >= 3
    for gain in found:
        assert gain.bits == pytest.approx(brute_gain(net, k, gain.about, observed), abs=1e-9)
    assert [g.bits for g in found] == sorted((g.bits for g in found), reverse=True)


def test_information_agrees_with_a_published_table() -> None:
    # Quinlan 1986 / Mitchell 1997, section 3.4: 14 days, gains 0.2467498, 0.1518355, 0.0481270, 0.0292226 bits
    # (the printed 0.246 and 0.151 are cut, not rounded); H = 0.9402860. Rows: not play (5), play (9).
    shares = np.array([5 / 14, 9 / 14])
    assert float(entropy_bits(shares)) == pytest.approx(0.9402860, abs=5e-8)
    outlook = np.array([[3 / 5, 0, 2 / 5], [2 / 9, 4 / 9, 3 / 9]])
    humidity = np.array([[4 / 5, 1 / 5], [3 / 9, 6 / 9]])
    wind = np.array([[3 / 5, 2 / 5], [3 / 9, 6 / 9]])
    temperature = np.array([[2 / 5, 2 / 5, 1 / 5], [2 / 9, 4 / 9, 3 / 9]])
    for table, want in ((outlook, 0.2467498), (humidity, 0.1518355), (wind, 0.0481270), (temperature, 0.0292226)):
        assert information_bits(shares, table) == pytest.approx(want, abs=5e-8)


def test_reading_the_job_is_worth_no_less_than_its_best_finding() -> None:
    rng = np.random.default_rng(9)
    k = random_pack(rng, causes=10, questions=8, findings=5)
    net = compile_network(k)
    shares = np.exp(net.log_prior)
    together = job_gain(net, dict.fromkeys(k.findings, 1.0), {}, shares)
    alone = gains(net, list(k.findings), {}, shares)
    assert alone[0].bits <= together <= entropy(shares)


def test_answers_that_contradict_each_other_are_in_conflict_and_named() -> None:
    k = pack(line("q", "x", "0.97"), line("where", "in", "0.97"), line("f", "hi", "0.97"),
             b=(line("q", "y", "0.97"), line("where", "out", "0.97"), line("f", "lo", "0.97")), slips="0.01")  # fmt: skip
    net = compile_network(k)

    def of(q: str, where: str) -> float:
        lined, _, _ = reports(k, net, {"q": (q,), "where": (where,)})
        return conflict(net, lined).bits

    # By hand: log2 of the product of the single probabilities over the joint one, mixtures over the rates.
    p = np.exp(net.log_prior)
    x = np.array([0.2, 0.99 * 0.97 + 0.002, 0.99 * 0.03 * 0.5 + 0.002])
    out = np.array([0.5, 0.99 * 0.03 + 0.005, 0.99 * 0.97 + 0.005])
    want = np.log2(p @ x) + np.log2(p @ out) - np.log2(p @ (x * out))
    assert of("x", "out") == pytest.approx(want, abs=1e-9)
    assert of("x", "out") > 2
    assert of("x", "in") < 0


def test_the_odd_one_out_is_the_first_answer_to_look_at_again() -> None:
    # Three answers speak for a, one for b; taking that one away leaves answers that go together.
    k = pack(line("q", "x", "0.99"), line("where", "in", "0.99"), line("f", "hi", "0.99"), line("ticks", "t1", "0.99"),
             b=(line("q", "y", "0.99"), line("where", "out", "0.99"), line("f", "lo", "0.99")), slips="0.005")  # fmt: skip
    net = compile_network(k)
    answers = {"q": ("x",), "ticks": ("t1",), "where": ("out",)}
    lined, _, _ = reports(k, net, answers, [Found("f", "hi", 0.95)])
    named = conflict(net, lined)
    assert named.bits >= 3
    assert named.spoken
    assert named.answers[0] == "where"
    fall = {r.id: named.bits - conflict(net, [other for other in lined if other is not r]).bits for r in lined}
    assert list(named.answers) == sorted((id for id in fall if fall[id] > 0), key=lambda id: -fall[id])[:2]
    quiet = conflict(net, [r for r in lined if r.id != "where"])
    assert (quiet.spoken, quiet.answers) == (False, ())


def test_the_answer_that_gates_another_is_taken_as_given() -> None:
    # `where` opens `gated`; with both answered there is nothing left that could conflict with it.
    k = pack(line("where", "in", "0.97"), b=(line("where", "out", "0.97"),))
    net = compile_network(k)
    lined, _, _ = reports(k, net, {"where": ("in",), "gated": ("yes",)})
    assert conflict(net, lined).bits == pytest.approx(0.0, abs=1e-12)


def test_surprise_is_the_standard_score_of_the_answers_under_the_leader() -> None:
    # One answer: log P is ln 0.865 with chance 0.865, ln 0.10125, ln 0.03375; mean and sd by hand.
    k = pack(line("q", "x", "0.9"))
    net = compile_network(k)
    p = np.array([0.865, 0.10125, 0.03375])
    mean, sd = p @ np.log(p), np.sqrt(p @ np.log(p) ** 2 - (p @ np.log(p)) ** 2)
    for state, answer in enumerate("xyz"):
        lined, _, _ = reports(k, net, {"q": (answer,)})
        want = (np.log(p[state]) - mean) / sd
        assert surprise(net, chain(net, lined), 1) == pytest.approx(want, abs=1e-9)
    lined, _, _ = reports(k, net, {"q": ("z",)})
    assert surprise(net, chain(net, lined), 1) < -2.3


def test_a_look_that_tells_little_gives_way_to_a_measurement_that_tells_much() -> None:
    # Reading costs a minute too: half a minute's glance at 0.06 bits is slower than three minutes' work at 0.2 bits.
    assert pace(0.2, 3.0) > pace(0.06, 0.5)
    assert 0.2 / 3.0 < 0.06 / 0.5
    assert is_worth(0.03, 0.5)
    assert not is_worth(0.03, 3.0)
    assert not is_worth(0.02, 0.5)
