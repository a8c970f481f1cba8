"""Each rule of the model on numbers small enough to work out on paper; the working stands beside each check."""

from __future__ import annotations

import numpy as np
import pytest

from diagnose.knowledge.pack import Knowledge
from diagnose.reasoning.answers import Found, reports
from diagnose.reasoning.inference import log_likelihood, posterior
from diagnose.reasoning.ledger import DECIBANS_PER_NAT, chain, strength, weights
from diagnose.reasoning.network import compile_network
from tests.reasoning.by_hand import line, pack

OTHER, A, B = 0, 1, 2


def likelihood(k: Knowledge, answers: dict[str, tuple[str, ...]], *found: Found) -> np.ndarray:
    net = compile_network(k)
    lined, _, _ = reports(k, net, answers, found)
    return np.exp(log_likelihood(net, {i: s for r in lined for i, s in r.seen}))


def test_with_nothing_answered_the_shares_are_the_rates() -> None:
    # common : occasional = 8 : 4, sharing 0.95; 0.05 for something not in the rules.
    net = compile_network(pack())
    np.testing.assert_allclose(posterior(net, np.zeros(3)), [0.05, 0.95 * 2 / 3, 0.95 / 3], atol=1e-15)


def test_what_is_not_stated_is_shared_as_usual_and_slips_are_mixed_in() -> None:
    # usual: x 0.2, y 0.6, z the rest, 0.2. Stated for a: x 0.9, so y and z share 0.1 as 0.6 : 0.2 -> 0.075, 0.025.
    # Slips 0.05: 0.95 * P* + 0.05 * usual.
    k = pack(line("q", "x", "0.9"))
    got = [likelihood(k, {"q": (v,)}) for v in "xyz"]
    np.testing.assert_allclose([g[A] for g in got], [0.865, 0.10125, 0.03375], atol=1e-12)
    np.testing.assert_allclose([g[B] for g in got], [0.2, 0.6, 0.2], atol=1e-12)
    np.testing.assert_allclose([g[OTHER] for g in got], [0.2, 0.6, 0.2], atol=1e-12)


def test_all_answers_stated_are_scaled_to_one() -> None:
    # 0.5 + 0.3 + 0.24 = 1.04, within the slack of 0.05: each divided by 1.04, then slips.
    k = pack(line("q", "x", "0.5"), line("q", "y", "0.3"), line("q", "z", "0.24"))
    want = 0.95 * np.array([0.5, 0.3, 0.24]) / 1.04 + 0.05 * np.array([0.2, 0.6, 0.2])
    np.testing.assert_allclose([likelihood(k, {"q": (v,)})[A] for v in "xyz"], want, atol=1e-12)


def test_always_of_one_answer_says_what_never_of_its_opposite_says() -> None:
    # always 0.99 of `in` against never 0.01 of `out`: 0.95 * 0.01 + 0.05 * 0.5 = 0.0345 both ways, no difference
    # between saying the one or the other; with the usual 0.5 the weight of the contrary answer is -11.6 dB.
    always = likelihood(pack(line("where", "in", "always")), {"where": ("out",)})
    never = likelihood(pack(line("where", "out", "never")), {"where": ("out",)})
    np.testing.assert_allclose([always[A], never[A]], [0.0345, 0.0345], atol=1e-12)
    assert 10 * np.log10(0.0345 / 0.5) == pytest.approx(-11.61, abs=0.01)


def test_of_several_options_what_is_not_ticked_counts_as_no_but_may_have_been_missed() -> None:
    # a: t1 true in 0.75. Reported true: 0.95 * 0.75 + 0.05 * 0.2 = 0.7225, ticked 0.7 * 0.7225 = 0.50575.
    # Usual t1 0.2: ticked 0.14. t2 usual 0.5: ticked 0.35 for everybody.
    k = pack(line("ticks", "t1", "0.75"))
    np.testing.assert_allclose(likelihood(k, {"ticks": ("t1",)})[[A, OTHER]], [0.50575 * 0.65, 0.14 * 0.65], atol=1e-12)
    np.testing.assert_allclose(likelihood(k, {"ticks": ()})[[A, OTHER]], [0.49425 * 0.65, 0.86 * 0.65], atol=1e-12)
    np.testing.assert_allclose(likelihood(k, {"ticks": ("t1", "t2")})[A], 0.50575 * 0.35, atol=1e-12)


def test_evidence_given_a_context_holds_only_there_and_is_summed_out_once_when_unanswered() -> None:
    k = pack(line("q", "x", "0.9", {"where": ("in",)}), line("where", "in", "0.8"))
    inside, outside = 0.95 * 0.9 + 0.05 * 0.2, 0.2
    p_in = 0.95 * 0.8 + 0.05 * 0.5
    np.testing.assert_allclose(likelihood(k, {"where": ("in",), "q": ("x",)})[A], p_in * inside, atol=1e-12)
    np.testing.assert_allclose(likelihood(k, {"where": ("out",), "q": ("x",)})[A], (1 - p_in) * outside, atol=1e-12)
    np.testing.assert_allclose(likelihood(k, {"q": ("x",)})[A], p_in * inside + (1 - p_in) * outside, atol=1e-12)
    # Two answers that hang on one unanswered context are summed out jointly, not one by one.
    both = pack(line("q", "x", "0.9", {"where": ("in",)}), line("f", "hi", "0.9", {"where": ("in",)}))
    found = Found("f", "hi", 0.9)
    f_in, f_out = 0.9 * 0.9 + 0.1 * 0.3, 0.3
    joint = 0.5 * inside * f_in + 0.5 * outside * f_out
    np.testing.assert_allclose(likelihood(both, {"q": ("x",)}, found)[A], joint, atol=1e-12)


def test_the_more_specific_line_wins() -> None:
    k = pack(line("q", "x", "0.5"), line("q", "x", "0.9", {"where": ("in",)}))
    np.testing.assert_allclose(likelihood(k, {"where": ("in",), "q": ("x",)})[A] / 0.5, 0.865, atol=1e-12)
    np.testing.assert_allclose(likelihood(k, {"where": ("out",), "q": ("x",)})[A] / 0.5, 0.485, atol=1e-12)


def test_a_finding_counts_as_far_as_it_is_believed() -> None:
    # confidence 0.8: 0.8 * 0.9 + 0.2 * 0.3 = 0.78 against the usual 0.3.
    got = likelihood(pack(line("f", "hi", "0.9")), {}, Found("f", "hi", 0.8))
    np.testing.assert_allclose(got, [0.3, 0.78, 0.3], atol=1e-12)
    nothing = likelihood(pack(line("f", "hi", "0.9")), {}, Found("f", "hi", 0.0))
    np.testing.assert_allclose(nothing, [0.3, 0.3, 0.3], atol=1e-12)


def test_an_answer_behind_an_unanswered_gate_implies_that_the_gate_is_open() -> None:
    # P(where = in | a) = 0.95 * 0.8 + 0.025 = 0.785; b and other: 0.5. The gated answer itself says nothing (0.5).
    k = pack(line("where", "in", "0.8"))
    np.testing.assert_allclose(likelihood(k, {"gated": ("yes",)}), [0.25, 0.785 / 2, 0.25], atol=1e-12)
    np.testing.assert_allclose(likelihood(k, {"where": ("out",), "gated": ("yes",)})[OTHER], 0.5, atol=1e-12)


def test_the_ledger_of_the_design_toy_sums_where_leave_one_out_does_not() -> None:
    k = pack(line("q", "x", "0.9"), line("where", "in", "0.8"), b=(line("q", "x", "0.7"),))
    net = compile_network(k)
    lined, _, _ = reports(k, net, {"q": ("x",), "where": ("in",)})
    prior, each = weights(net, chain(net, lined))
    joint = likelihood(k, {"q": ("x",), "where": ("in",)}) * np.exp(net.log_prior)
    odds = 10 * np.log10(joint[A] / (joint[OTHER] + joint[B]))
    assert prior[A] + each[:, A].sum() == pytest.approx(odds, abs=1e-10)
    # The first weight is taken with nothing known, by hand: 0.865 against the mixture of the others.
    rest = (0.05 * 0.2 + 0.95 / 3 * (0.95 * 0.7 + 0.01)) / (0.05 + 0.95 / 3)
    assert each[0, A] == pytest.approx(10 * np.log10(0.865 / rest), abs=1e-10)


def test_decibans_and_their_names() -> None:
    # Good 1950: 10 log10 of a factor, 1 nat = 4.342945 dB. Jeffreys 1961, app. B: bounds at 10^0.5, 10, 10^1.5, 100.
    assert pytest.approx(4.342945, abs=1e-6) == DECIBANS_PER_NAT
    assert 10 * np.log10(8 / 3) == pytest.approx(4.26, abs=0.005)  # Good's example
    names = [strength(x) for x in (4.9, 5.1, 10.1, 15.1, 20.1, -4.9, -12.0)]
    assert names == [
        "barely worth mentioning", "substantial", "strong", "very strong", "decisive", "barely worth mentioning",
        "strong against",
    ]  # fmt: skip
