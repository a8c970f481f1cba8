"""Learning from a shop that differs from the rules: better for it, never much worse, and nothing from three cases."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pytest

from diagnose.cases.journal import Case
from diagnose.errors import BadInput
from diagnose.knowledge.learnt import Learnt
from diagnose.knowledge.pack import Knowledge
from diagnose.reasoning.inference import log_likelihood, posterior
from diagnose.reasoning.network import Array, Network, compile_network
from diagnose.triage import knowledge_from
from diagnose.triage.examples import open_example
from diagnose.triage.learn import Lesson, changes, count, fit_temper, learn, left_out, lessons
from tests.cases.shop import closed_cases, shop

SEEDS = (1, 2, 3)


@pytest.fixture(scope="module")
def rules() -> Knowledge:
    return knowledge_from()


@pytest.fixture(scope="module")
def network(rules: Knowledge) -> Network:
    return compile_network(rules)


def shares(network: Network, lesson: Lesson) -> Array:
    return posterior(network, log_likelihood(network, lesson.observed), network.temper)


def compared(before: Network, after: Network, new: Sequence[Lesson]) -> tuple[Array, float, float]:
    """Return what each case gains in the log score, and the share of causes within three before and after."""
    gains, within = [], []
    for lesson in new:
        p, q = shares(before, lesson), shares(after, lesson)
        gains.append(np.log(q[lesson.row]) - np.log(p[lesson.row]))
        within.append([int((s[1:] > s[lesson.row]).sum()) < 3 for s in (p, q)])
    was, now = np.mean(within, axis=0)
    return np.array(gains), float(was), float(now)


@pytest.mark.parametrize("seed", SEEDS)
def test_two_hundred_cases_of_a_shop_improve_the_next_five_hundred(rules: Knowledge, network: Network, seed: int) -> None:
    theirs = shop(rules, seed)
    learnt = learn(rules, closed_cases(rules, theirs, 200, seed))
    new = lessons(rules, network, closed_cases(rules, theirs, 500, seed + 1000))
    gains, was, now = compared(network, compile_network(replace(rules, learnt=learnt)), new)
    assert gains.mean() - 1.96 * gains.std() / np.sqrt(len(gains)) > 0
    assert now >= was - 0.01


def test_three_cases_move_no_worked_example_by_two_decibans(rules: Knowledge, network: Network) -> None:
    learnt = learn(rules, closed_cases(rules, shop(rules, 1), 3, 1))
    after = compile_network(replace(rules, learnt=learnt))
    assert after.temper == 1.0
    most = 0.0
    for example in rules.examples:
        one = open_example(rules, network, example).standing.log_odds[1:]
        other = open_example(rules, after, example).standing.log_odds[1:]
        most = max(most, float(np.abs(one - other).max()))
    assert 0 < most < 2.0


def test_what_changes_is_told_with_its_counts_and_an_interval_that_holds_it(rules: Knowledge) -> None:
    cases = list(closed_cases(rules, shop(rules, 2), 60, 2))
    learnt = learn(rules, cases)
    assert learnt.cases == 60 and sum(learnt.rates.values()) == 60
    found = changes(rules, learnt)
    assert all(c.learnt.low <= c.learnt.share <= c.learnt.high and 0 <= c.count <= c.of for c in found)
    ratios = [abs(np.log(c.learnt.share / c.rules)) for c in found]
    assert ratios == sorted(ratios, reverse=True)
    defect = [cell for cell in learnt.cells if cell.about == "defect"]
    assert sum(cell.of for cell in defect) == 60


def test_cases_still_open_without_a_cause_or_of_another_shop_s_causes_teach_nothing(rules: Knowledge, network: Network) -> None:
    (good,) = closed_cases(rules, shop(rules, 3), 1, 3)
    still_open = Case("o", answers=dict(good.answers))
    unsolved = Case("u", outcome="unsolved", answers=dict(good.answers))
    unknown = Case("x", outcome="cured", cause="their-own", answers=dict(good.answers))
    stranger = Case("s", outcome="cured", cause=good.cause, answers={"gone": ("a",), "defect": ("gone",)})
    found = lessons(rules, network, [good, still_open, unsolved, unknown, stranger])
    assert [lesson.id for lesson in found] == [good.id, "s"] and found[1].reports == ()
    with pytest.raises(BadInput, match="no closed case"):
        learn(rules, [still_open, unsolved, unknown])


def test_an_answer_and_its_order_of_coming_teach_the_same(rules: Knowledge) -> None:
    cases = list(closed_cases(rules, shop(rules, 1), 20, 5))
    one: Learnt = learn(rules, cases)
    for case in cases:
        case.answers = dict(reversed(case.answers.items()))
    assert learn(rules, reversed(cases)).cells == one.cells


def test_leaving_one_out_is_learning_from_all_the_others(rules: Knowledge, network: Network) -> None:
    """Against the slow way: for each case a network taught by every other one."""
    cases = list(closed_cases(rules, shop(rules, 4), 25, 4))
    taught = lessons(rules, network, cases)
    temper = fit_temper(rules, network, taught)
    for lesson, alone, learnt in left_out(rules, taught):
        others = [other for other in taught if other.id != lesson.id]
        slow = compile_network(replace(rules, learnt=count(network, others, temper)))
        expected = posterior(slow.for_print(lesson.printer, lesson.material), log_likelihood(slow, lesson.observed), temper)
        assert learnt == pytest.approx(expected, rel=1e-9)
        assert alone == pytest.approx(posterior(network, log_likelihood(network, lesson.observed)))
