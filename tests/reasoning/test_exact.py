"""The posterior against a general Bayesian-network library on random packs, to 1e-9, and against hand-worked cases."""

from __future__ import annotations

import warnings

import numpy as np
import pytest

from diagnose.knowledge.frequency import Frequency
from diagnose.knowledge.models import Cause, Remedy
from diagnose.knowledge.pack import Knowledge
from diagnose.reasoning.answers import Found, reports
from diagnose.reasoning.inference import Seen, log_likelihood, posterior
from diagnose.reasoning.ledger import chain, log_odds, weights
from diagnose.reasoning.network import Network, compile_network
from tests.reasoning.packs import RATES, TRIED, cell, contexts, nodes_of, parents_of, random_pack

with warnings.catch_warnings():
    warnings.simplefilter("ignore")
    import pyagrum as gum


def reference(k: Knowledge, slips: dict[str, float]) -> object:
    """The pack as a network of the reference library, with the slips that each report came with."""
    net = gum.BayesNet("pack")
    names = ["other", *k.causes]
    net.add(gum.LabelizedVariable("CAUSE", "", names))
    states = nodes_of(k)
    for node, labels in states.items():
        net.add(gum.LabelizedVariable(node, "", list(labels)))
    for node in states:
        net.addArc("CAUSE", node)
        for parent in parents_of(k, node):
            net.addArc(parent, node)
    rates = [RATES[c.rate] for c in k.causes.values()]
    net.cpt("CAUSE").fillWith([0.05, *(0.95 * r / sum(rates) for r in rates)])
    for node, labels in states.items():
        parents = net.cpt(node).names[2:]
        sizes = [len(states[p]) for p in parents]
        table = [
            cell(k, node, None if name == "other" else name, context, slips.get(node))
            for context in contexts(states, parents[::-1])
            for name in names
        ]
        assert np.shape(table) == (np.prod(sizes, dtype=int) * len(names), len(labels))
        net.cpt(node).fillWith(np.ravel(table).tolist())  # its first variable, the node, runs fastest; CAUSE is second
    return net


def sample(k: Knowledge, rng: np.random.Generator, count: int) -> tuple[dict[str, tuple[str, ...]], list[Found]]:
    """Answers to some questions and findings, drawn without regard to any gate."""
    answers: dict[str, tuple[str, ...]] = {}
    ids = list(k.questions)
    for id in rng.permutation(ids)[:count]:
        q = k.questions[str(id)]
        if q.kind == "several":
            answers[q.id] = tuple(a.id for a in q.answers if rng.random() < 0.4)
        else:
            answers[q.id] = (str(rng.choice([a.id for a in q.answers])),)
    found = [
        Found(f.id, str(rng.choice([a.id for a in f.answers])), float(rng.uniform(0.3, 0.95)))
        for f in k.findings.values()
        if rng.random() < 0.7
    ]
    return answers, found


def ours(k: Knowledge, net: Network, answers: dict[str, tuple[str, ...]], found: list[Found]) -> np.ndarray:
    lined, _, _ = reports(k, net, answers, found)
    observed = {i: s for r in lined for i, s in r.seen}
    return posterior(net, log_likelihood(net, observed))


@pytest.mark.parametrize("seed", range(6))
def test_the_posterior_equals_a_general_library_whatever_the_order(seed: int) -> None:
    # Reference: pyagrum, LazyPropagation (exact). 20 causes, 30 questions with contexts, gates, several-choice
    # questions, usual by defect and findings with a confidence.
    rng = np.random.default_rng(seed)
    k = random_pack(rng, causes=20, questions=30)
    net = compile_network(k)
    answers, found = sample(k, rng, 14)
    slips = {f.id: 1 - f.confidence for f in found}
    bn = reference(k, slips)
    lined, aside, _ = reports(k, net, answers, found)
    asleep = {s.id for s in aside}  # answers behind a shut gate are not evidence, in the reference neither
    assert len(lined) + len(asleep) == len(answers) + len(found)
    evidence: dict[str, str] = {}
    for id, given in answers.items():
        if id in asleep:
            continue
        if k.questions[id].kind == "several":
            evidence |= {f"{id}:{a.id}": "yes" if a.id in given else "no" for a in k.questions[id].answers}
        else:
            evidence[id] = given[0]
    evidence |= {f.id: f.answer for f in found}
    inference = gum.LazyPropagation(bn)
    inference.setEvidence(evidence)
    inference.makeInference()
    want = inference.posterior("CAUSE").toarray()
    got = ours(k, net, answers, found)
    np.testing.assert_allclose(got, want, atol=1e-9, rtol=0)
    answers = {id: given for id, given in answers.items() if id not in asleep}
    shuffled = {id: answers[id] for id in rng.permutation(list(answers))}
    np.testing.assert_allclose(ours(k, net, shuffled, found[::-1]), want, atol=1e-9, rtol=0)


@pytest.mark.parametrize("seed", range(4))
def test_the_ledger_sums_to_the_log_odds(seed: int) -> None:
    rng = np.random.default_rng(100 + seed)
    k = random_pack(rng, causes=20, questions=30)
    net = compile_network(k)
    answers, found = sample(k, rng, 14)
    lined, _, _ = reports(k, net, answers, found)
    for temper in (1.0, 0.7):
        links = chain(net, lined, temper)
        prior, each = weights(net, links)
        want = log_odds(net, links.log_likelihoods[-1], temper)
        np.testing.assert_allclose(prior + each.sum(axis=0), want, atol=1e-9, rtol=0)
        shares = posterior(net, links.log_likelihoods[-1], temper)
        mine = 10 * np.log10(shares / np.array([np.delete(shares, i).sum() for i in range(len(shares))]))
        np.testing.assert_allclose(want, mine, atol=1e-6)
    turned = chain(net, lined[::-1])
    prior_b, each_b = weights(net, turned)
    straight = chain(net, lined)
    prior_a, each_a = weights(net, straight)
    np.testing.assert_allclose(prior_a + each_a.sum(axis=0), prior_b + each_b.sum(axis=0), atol=1e-9)


@pytest.mark.parametrize("seed", range(4))
def test_remedies_tried_equal_a_general_library(seed: int) -> None:
    # Reference: pyagrum, LazyPropagation (exact). Small packs, answers, and half of the remedies tried, in any order.
    rng = np.random.default_rng(300 + seed)
    k = random_pack(rng, causes=8, questions=8, remedies=6)
    net = compile_network(k)
    tried = {f"r{r}": str(rng.choice(["cured", "better", "no-change"])) for r in rng.permutation(6)[:3]}
    answers = {"defect": ("d1",)}
    answers |= {q.id: (q.answers[0].id,) for q in k.questions.values() if not q.ask_if and q.kind == "one" and not q.role}
    lined, aside, _ = reports(k, net, answers, tried=tried)
    assert not aside and len(lined) == len(answers) + 3
    inference = gum.LazyPropagation(reference(k, {}))
    inference.setEvidence({**{id: given[0] for id, given in answers.items()}, **{TRIED + r: t for r, t in tried.items()}})
    inference.makeInference()
    want = inference.posterior("CAUSE").toarray()
    for some in (lined, lined[::-1]):
        links = chain(net, some)
        np.testing.assert_allclose(posterior(net, links.log_likelihoods[-1]), want, atol=1e-9, rtol=0)
    prior, each = weights(net, chain(net, lined))
    np.testing.assert_allclose(prior + each.sum(axis=0), log_odds(net, links.log_likelihoods[-1]), atol=1e-9)


def test_a_failed_remedy_lowers_its_cause_by_how_sure_it_is() -> None:
    """By hand: two causes of one rate and a remedy for the first, sure in 0.9; a failure leaves 0.1 against 0.98."""
    k = Knowledge()
    k.remedies["r"] = Remedy(id="r", name="r", do="r", minutes=1, sure=Frequency(0.9, "0.9"))
    for id, cured_by in (("a", ("r",)), ("b", ())):
        k.causes[id] = Cause(id=id, name=id, family="f", about="a", rate="common", defects={"d": Frequency(0.5, "half")}, remedies=cured_by)
    net = compile_network(k)
    failed = np.zeros(3)
    for result in ("better", "no-change"):
        lined, _, _ = reports(k, net, {}, tried={"r": result})
        failed += np.exp(log_likelihood(net, dict(lined[0].seen)))
    np.testing.assert_allclose(failed, [0.98, 0.1, 0.98])


def test_a_question_that_was_not_asked_says_nothing() -> None:
    rng = np.random.default_rng(7)
    net = compile_network(random_pack(rng, causes=8, questions=12))
    before = posterior(net, np.zeros(9))
    np.testing.assert_allclose(posterior(net, log_likelihood(net, {})), before, atol=1e-15)
    np.testing.assert_allclose(np.exp(net.log_prior), before, atol=1e-15)


def test_every_table_of_reports_sums_to_one() -> None:
    rng = np.random.default_rng(3)
    net = compile_network(random_pack(rng, causes=10, questions=20))
    for i in range(len(net.nodes)):
        np.testing.assert_allclose(net.reported(i, {})[0].sum(axis=-1), 1.0, atol=1e-12)


def test_an_answer_asleep_behind_a_shut_gate_counts_for_nothing() -> None:
    rng = np.random.default_rng(5)
    k = random_pack(rng, causes=8, questions=25)
    net = compile_network(k)
    gated = next(q for q in k.questions.values() if "defect" in q.ask_if and q.kind == "one")
    shut = next(a.id for a in k.questions["defect"].answers if a.id not in gated.ask_if["defect"])
    d, s, g = net.index["defect"], net.index["second"], net.index[gated.id]
    closed = {d: Seen(net.nodes[d].states.index(shut)), s: Seen(net.nodes[s].states.index("none"))}
    np.testing.assert_array_equal(log_likelihood(net, {**closed, g: Seen(0)}), log_likelihood(net, closed))
