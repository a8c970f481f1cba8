"""The plan against brute force over all orders, published exercises, and what must hold of any plan."""

from __future__ import annotations

from itertools import permutations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from diagnose.reasoning import plan
from diagnose.reasoning.plan import Look, Trial


def sure(costs: list[float]) -> list[Trial]:
    """Return remedies of which each cures its own cause for sure."""
    return [Trial(f"r{k}", cost, np.eye(len(costs))[k]) for k, cost in enumerate(costs)]


def drawn(seed: int, count: int, rows: int, *, perfect: bool) -> tuple[np.ndarray, list[Trial], float]:
    random = np.random.default_rng(seed)
    shares = random.dirichlet(np.ones(rows))
    trials = []
    for k in range(count):
        if perfect:
            cures = np.eye(rows)[k % rows]
        else:
            cures = np.where(random.random(rows) < 0.5, random.choice([0.5, 0.9, 0.95, 1.0], rows), 0.0)
        trials.append(Trial(f"r{k}", float(random.uniform(0.5, 20)), cures))
    return shares, trials, float(random.uniform(5, 200))


def brute(shares: np.ndarray, trials: list[Trial], help_cost: float) -> float:
    """The least expected cost over all orders of all subsets, by nothing but the definition."""
    every = range(len(trials))
    return min(
        plan.expected(shares, trials, some, help_cost) for k in range(len(trials) + 1) for some in permutations(every, k)
    )


def test_the_published_four_actions_come_out_in_their_order_and_cost() -> None:
    """p .4 .3 .2 .1, c 8 3 1 2: third, second, first, fourth, 7.6 (Heckerman, Breese & Rommelse 1995; worked figures computed)."""
    shares, trials = np.array([0.4, 0.3, 0.2, 0.1]), sure([8, 3, 1, 2])
    best = plan.order(shares, trials, help_cost=1e6)
    assert best.trials == (2, 1, 0, 3) and best.cost == pytest.approx(7.6)
    assert plan.expected(shares, trials, plan.by_chance(shares, trials), 1e6) == pytest.approx(10.3)
    assert plan.expected(shares, trials, plan.by_cost(trials), 1e6) == pytest.approx(7.9)


def test_of_two_causes_the_second_is_checked_first_when_its_odds_pay() -> None:
    """p .3, C 4 and 8 with repairs 20 and 5 (a textbook exercise, Ross): 19.1 against 18.7, repairs drop out of the order."""
    shares, trials = np.array([0.3, 0.7]), sure([4, 8])
    repairs = 0.3 * 20 + 0.7 * 5
    one, other = (plan.expected(shares, trials, o, 1e6) + repairs for o in ((0, 1), (1, 0)))
    assert (one, other) == (pytest.approx(19.1), pytest.approx(18.7))
    assert plan.order(shares, trials, 1e6).trials == (1, 0)


def test_a_perfect_question_is_asked_when_it_saves_more_than_it_costs() -> None:
    """Faults .6 and .4, repairs 10 and 5: 11 without; a perfect question is worth 3 (Jensen et al. 2001; computed)."""
    shares, trials = np.array([0.6, 0.4]), sure([10, 5])
    without = plan.course(shares, trials, [], 1e6)
    assert without.cost == pytest.approx(11.0)
    for price, asked in ((2.9, True), (3.1, False)):
        look = Look("which", price, ("first", "second"), np.eye(2))
        found = plan.course(shares, trials, [look], 1e6)
        assert (found.test == 0) is asked
        assert found.cost == pytest.approx(8.0 + price if asked else 11.0)
        assert found.without == pytest.approx(11.0)


def test_an_imperfect_question_is_worth_less() -> None:
    """The same faults, a question right in .9 and .8 of the cases: worth 1.9 (computed from the published set-up)."""
    shares, trials = np.array([0.6, 0.4]), sure([10, 5])
    for price, asked in ((1.89, True), (1.91, False)):
        look = Look("which", price, ("first", "second"), np.array([[0.9, 0.1], [0.2, 0.8]]))
        assert (plan.course(shares, trials, [look], 1e6).test == 0) is asked


@settings(max_examples=60, deadline=None, derandomize=True)
@given(st.integers(0, 2**32 - 1), st.integers(1, 6), st.booleans())
def test_the_order_equals_brute_force_over_all_orders(seed: int, count: int, perfect: bool) -> None:
    shares, trials, help_cost = drawn(seed, count, count + 1, perfect=perfect)
    best = plan.order(shares, trials, help_cost)
    assert best.cost == pytest.approx(brute(shares, trials, help_cost), rel=1e-12)
    assert plan.expected(shares, trials, best.trials, help_cost) == pytest.approx(best.cost, rel=1e-12)


def test_seven_sure_remedies_equal_brute_force() -> None:
    for seed in range(3):
        shares, trials, help_cost = drawn(seed, 7, 8, perfect=True)
        assert plan.order(shares, trials, help_cost).cost == pytest.approx(brute(shares, trials, help_cost), rel=1e-12)


@pytest.mark.parametrize("seed", range(20))
def test_many_remedies_come_near_the_exact_order(seed: int, monkeypatch: pytest.MonkeyPatch) -> None:
    shares, trials, help_cost = drawn(seed, 9, 12, perfect=False)
    exact = plan.order(shares, trials, help_cost).cost
    monkeypatch.setattr(plan, "MOST_EXACT", 8)
    near = plan.order(shares, trials, help_cost)
    assert exact - 1e-9 <= near.cost <= 1.02 * exact
    assert plan.expected(shares, trials, near.trials, help_cost) == pytest.approx(near.cost)


@pytest.mark.parametrize("seed", range(10))
def test_no_naive_order_is_cheaper(seed: int) -> None:
    shares, trials, help_cost = drawn(seed, 14, 20, perfect=False)
    habit = tuple(range(len(trials)))
    best = plan.order(shares, trials, help_cost, [habit]).cost
    for naive in (plan.by_cost(trials), plan.by_chance(shares, trials), habit):
        assert best <= plan.until_help(shares, trials, naive, help_cost).cost + 1e-9


def test_help_is_called_for_at_once_where_it_is_cheaper_than_trying() -> None:
    shares, trials, _ = drawn(1, 5, 6, perfect=True)
    assert plan.order(shares, trials, 0.1).trials == ()
    assert plan.order(shares, trials, 0.1).cost == pytest.approx(0.1)
    assert plan.order(shares, [], 7.0).cost == 7.0


def test_the_chances_of_each_step_multiply_to_what_is_left() -> None:
    shares, trials, _ = drawn(3, 6, 8, perfect=False)
    found = plan.course(shares, trials, [], 1e6)
    left = shares.copy()
    for r in found.trials:
        left = left * (1 - trials[r].cures)
    assert np.prod([1 - p for p in found.ends]) == pytest.approx(left.sum())


def test_a_second_test_may_follow_the_result_of_the_first() -> None:
    """Four causes, dear remedies, two questions that halve them: both are asked, the cost adds up by hand."""
    shares, trials = np.full(4, 0.25), sure([100, 100, 100, 100])
    halves = [Look("a", 1.0, ("low", "high"), np.repeat(np.eye(2), 2, axis=0)), Look("b", 1.0, ("even", "odd"), np.tile(np.eye(2), (2, 1)))]
    found = plan.course(shares, trials, halves, 1e6)
    assert found.test is not None and found.cost == pytest.approx(102.0)
    last: set[int] = set()
    for _, chance, then in found.after:
        assert chance == pytest.approx(0.5) and then.test == 1 - found.test
        last |= {course.trials[0] for _, _, course in then.after}
    assert last == {0, 1, 2, 3}
