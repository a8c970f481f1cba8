"""Each cause in the case that speaks plainest for it."""

from __future__ import annotations

import numpy as np

from diagnose.knowledge.models import Cause
from diagnose.reasoning.inference import applies, log_likelihood, standing
from diagnose.reasoning.network import compile_network
from diagnose.triage.reach import _parents_first, plain_case, reach
from tests.reasoning.by_hand import line, pack
from tests.reasoning.packs import random_pack


def test_a_cause_with_evidence_of_its_own_is_reached_and_its_shadow_is_not() -> None:
    k = pack(line("q", "x", "0.9"), line("where", "in", "0.9"), b=(line("q", "y", "0.9"), line("where", "out", "0.9")))
    a = next(iter(k.causes.values()))
    k.causes["shadow"] = Cause(**{**a.model_dump(exclude={"defects", "evidence"}), "id": "shadow", "rate": "rare"},
                               defects=a.defects, evidence=a.evidence)  # fmt: skip
    found = {r.cause: r for r in reach(k, compile_network(k))}
    assert found["shadow"].rival == a.id
    assert not found["shadow"].reached
    assert found["shadow"].share < found["shadow"].rival_share
    assert found["shadow"].answers["q"] == ("x",)
    assert {"q", "where"} <= set(found["shadow"].speaking)
    b = next(r for r in found.values() if r.answers["q"] == ("y",))
    assert b.share > found["shadow"].share


def test_in_the_plain_case_no_single_other_answer_is_likelier_under_the_cause() -> None:
    for seed in range(4):
        k = random_pack(np.random.default_rng(seed), causes=6, questions=12)
        net = compile_network(k)
        for row in range(1, 7):
            observed = plain_case(net, row, _parents_first(net), frozenset(k.findings))
            known, asleep = standing(net, observed)
            assert not asleep
            assert {net.nodes[i].about for i in observed} == {a for a in net.of if applies(net, a, known)}
            base = log_likelihood(net, observed)[row]
            hung_on = {c for i in observed for c in net.nodes[i].contexts}
            hung_on |= {m for i in range(len(net.nodes)) for group in net.nodes[i].gates for m, _ in group}
            for i in observed.keys() - hung_on:
                for state in range(len(net.nodes[i].states)):
                    other = {**observed, i: type(observed[i])(state, observed[i].slips)}
                    assert log_likelihood(net, other)[row] <= base + 1e-12
