"""What must hold of any pack and any answers, tried on random ones."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from diagnose.reasoning.answers import Found, Report, reports
from diagnose.reasoning.inference import Observed, log_likelihood, posterior
from diagnose.reasoning.inquiry import information_bits, job_gain
from diagnose.reasoning.ledger import chain, log_odds, weights
from diagnose.reasoning.network import Network, compile_network
from tests.reasoning.by_hand import line, pack, share
from tests.reasoning.packs import random_pack
from tests.reasoning.test_exact import sample

IMPOSSIBLE = "another kind of print"
seeds = st.integers(0, 2**32 - 1)
tried = settings(max_examples=30, deadline=None, derandomize=True)


def observed(lined: list[Report]) -> Observed:
    return {i: s for r in lined for i, s in r.seen}


@tried
@given(seeds)
def test_shares_sum_to_one_and_the_order_of_answering_changes_nothing(seed: int) -> None:
    # Gates may be answered after what they gate, and some answers cannot go together at all.
    rng = np.random.default_rng(seed)
    k = random_pack(rng, causes=5, questions=16)
    net = compile_network(k)
    answers, found = sample(k, rng, 12)
    seen = []
    for _ in range(3):
        turned = {str(id): answers[str(id)] for id in rng.permutation(list(answers))}
        lined, aside, _ = reports(k, net, turned, found)
        assert [r.id for r in lined if r.source == "question"] == [id for id in turned if id in {r.id for r in lined}]
        shares = posterior(net, log_likelihood(net, observed(lined)))
        assert shares.sum() == pytest.approx(1.0, abs=1e-12)
        seen.append((shares, sorted((s.id, s.why) for s in aside)))
        prior, each = weights(net, chain(net, lined))
        np.testing.assert_allclose(
            prior + each.sum(axis=0), 10 * np.log10(shares / (1 - shares)), atol=1e-6
        )
    for shares, aside in seen[1:]:
        np.testing.assert_allclose(shares, seen[0][0], atol=1e-12)
        assert aside == seen[0][1]


def test_an_answer_that_opens_a_gate_outranks_what_an_impossible_gate_asks_for() -> None:
    # Two gated answers that no `where` can open at once: `where`, said last, decides which of them counts.
    k = pack()
    k.questions["other"] = k.questions["gated"].model_copy(update={"id": "other", "ask_if": {"where": ("out",)}})
    net = compile_network(k)
    both = {"gated": ("yes",), "other": ("yes",)}
    lined, aside, _ = reports(k, net, both)
    assert [r.id for r in lined] == ["gated"]
    assert [(s.id, IMPOSSIBLE in s.why) for s in aside] == [("other", True)]
    lined, aside, _ = reports(k, net, {**both, "where": ("out",)})
    assert [r.id for r in lined] == ["other", "where"]
    assert [(s.id, "no longer applies" in s.why) for s in aside] == [("gated", True)]


def test_log_odds_stay_finite_when_hardly_anything_else_is_left() -> None:
    net = compile_network(pack())
    log = np.array([-900.0, 0.0, -2000.0])
    odds = log_odds(net, log)
    assert np.isfinite(odds).all()
    # The others together are as good as the first row alone.
    assert odds[1] == pytest.approx(10 / np.log(10) * (net.log_prior[1] - net.log_prior[0] + 900.0), abs=1e-9)


def gain_of_all(net: Network, found: dict[str, float], shares: np.ndarray) -> float:
    """I(cause; all findings together), every combination worked out."""
    from diagnose.reasoning.inference import Seen

    nodes = {net.of[id][0]: 1.0 - sure for id, sure in found.items()}
    table = [
        np.exp(log_likelihood(net, {i: Seen(s, slips) for (i, slips), s in zip(nodes.items(), states, strict=True)}))
        for states in np.ndindex(*(len(net.nodes[i].states) for i in nodes))
    ]
    return information_bits(shares, np.array(table).T)


def test_a_finding_that_repeats_another_adds_nothing_to_the_worth_of_the_job() -> None:
    same = {"f": ("hi",)}, {"f": ("lo",)}
    k = pack(line("f", "hi", "0.9"), b=(line("f", "hi", "0.1"),))
    k.findings["g"] = k.findings["f"].model_copy(update={"id": "g", "derived_from": ("f",)})
    for id, cause in k.causes.items():
        copies = [
            line("f", answer, "0.99", given).model_copy(update={"finding": "g"})
            for answer, given in zip(("hi", "lo"), same, strict=True)
        ]
        k.causes[id] = cause.model_copy(update={"evidence": (*cause.evidence, *copies)})
    net = compile_network(k)
    shares = np.exp(net.log_prior)
    for sure in (1.0, 0.5):
        found = {"f": sure, "g": sure}
        assert 0 < job_gain(net, found, {}, shares) <= gain_of_all(net, found, shares) + 1e-12
    assert job_gain(net, {"f": 0.5}, {}, shares) < job_gain(net, {"f": 1.0}, {}, shares) / 2
    assert job_gain(net, {"f": 0.7}, {}, shares) == pytest.approx(gain_of_all(net, {"f": 0.7}, shares), abs=1e-12)


@tried
@given(seeds)
def test_the_worth_of_the_job_is_never_more_than_what_all_findings_tell(seed: int) -> None:
    rng = np.random.default_rng(seed)
    k = random_pack(rng, causes=5, questions=8, findings=4)
    net = compile_network(k)
    shares = np.exp(net.log_prior)
    found = {id: float(rng.uniform(0.3, 0.95)) for id in k.findings}
    assert job_gain(net, found, {}, shares) <= gain_of_all(net, found, shares) + 1e-12


def test_a_finding_less_sure_than_the_user_is_set_aside_with_the_reason() -> None:
    k = pack(line("where", "in", "0.9"))
    k.findings["sees"] = k.findings["f"].model_copy(
        update={"id": "sees", "fills": "where", "answers": k.questions["where"].answers}
    )
    k.questions["where"] = k.questions["where"].model_copy(update={"slips": share("0.05")})
    net = compile_network(k)
    lined, aside, warnings = reports(k, net, {"where": ("in",)}, [Found("sees", "out", 0.5)])
    assert [r.id for r in lined] == ["where"]
    assert [(s.id, s.why) for s in aside] == [("sees", "your own answer is the surer one")]
    assert len(warnings) == 1
