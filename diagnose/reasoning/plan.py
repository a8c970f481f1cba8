"""What to try next: the order of remedies and tests with the least expected cost.

One cause is at work. A remedy costs something whether it cures or not, cures its causes with a known chance, and shows at
once whether it did, by a print that is paid for too; what failed once is not tried again. At any moment one may give up
and pay for help. For sure remedies of one cause each, the order of falling probability over cost is optimal (Kadane &
Simon 1977; Heckerman, Breese & Rommelse 1995). Remedies that share causes or fail now and then break that rule, so few of
them are ordered by exact search over the sets already tried, many by that rule made greedy and then improved by exchange.

A test comes first where its cost plus the mean cost after its results is less than the cost without it (Jensen et al. 2001).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from diagnose.reasoning.network import Array

MOST_EXACT = 10
"""Remedies ordered by exact search over sets; with more the search would take seconds."""
ROUNDS = 4
"""Times that all exchanges are looked through; each round keeps what lowers the cost."""
DEPTH = 2
"""Tests looked ahead, one after the result of the other."""
WIDTH = 4
"""Tests that are looked at further after one step ahead."""
LEAST_SAVED = 1e-9


@dataclass(frozen=True, slots=True)
class Trial:
    """One remedy: what trying it costs, its verifying print included, and how likely it cures each cause."""

    id: str
    cost: float
    cures: Array
    """(rows,) chance of a cure where the cause of the row is at work."""


@dataclass(frozen=True, slots=True)
class Look:
    """One confirming test: what it costs, and how likely each result is under each cause."""

    id: str
    cost: float
    results: tuple[str, ...]
    likelihood: Array
    """(rows, results), each row sums to 1."""


@dataclass(frozen=True, slots=True)
class Order:
    """Remedies in order, by index; afterwards help is called for."""

    trials: tuple[int, ...]
    cost: float
    """Expected, until the cure or the call for help, that included."""


@dataclass(frozen=True, slots=True)
class Course:
    """What to do next and after that: a test with a course for each result, or remedies one by one."""

    cost: float
    """Expected cost of all of it."""
    without: float
    """The same without any test."""
    test: int | None
    """Index of the test to do first, or None."""
    after: tuple[tuple[str, float, Course], ...]
    """For each result of the test: its name, its probability, and what follows."""
    trials: tuple[int, ...]
    """Without a test: the remedies in order."""
    ends: tuple[float, ...]
    """For each of these, the chance that it cures, given that those before it failed."""


def order(
    shares: Array, trials: Sequence[Trial], help_cost: float, starts: Sequence[Sequence[int]] = ()
) -> Order:
    """Return the remedies worth trying, in the order of least expected cost, and that cost.

    Where there are too many for the exact search, the order is never dearer than the cheapest first, the likeliest cure
    first, or one of ``starts``.

    Parameters
    ----------
    shares
        (rows,) probability of each cause, *something not in the rules* among them; sums to 1.
    help_cost
        What giving up costs: somebody else takes over, and is sure to cure it.
    """
    if not trials:
        return Order((), help_cost)
    costs, cures = np.array([t.cost for t in trials]), np.array([t.cures for t in trials])
    if len(trials) <= MOST_EXACT:
        return _exact(shares, costs, cures, help_cost)
    naive = (by_cost(trials), by_chance(shares, trials), *starts)
    return _improved(shares, costs, cures, help_cost, naive)


def expected(shares: Array, trials: Sequence[Trial], sequence: Sequence[int], help_cost: float) -> float:
    """Return the expected cost of trying all of a sequence in this order, whatever it may be, and then calling for help."""
    costs, cures = np.array([t.cost for t in trials]), np.array([t.cures for t in trials])
    left, total = shares.astype(float), 0.0
    for r in sequence:
        total += float(left.sum()) * float(costs[r])
        left = left * (1.0 - cures[r])
    return total + float(left.sum()) * help_cost


def course(
    shares: Array,
    trials: Sequence[Trial],
    looks: Sequence[Look],
    help_cost: float,
    depth: int = DEPTH,
    starts: Sequence[Sequence[int]] = (),
) -> Course:
    """Return what to do next: the test that lowers the expected cost most, if any does, or else the remedies in order.

    ``starts`` are orders than which it is never dearer, as in `order`.
    """
    best = order(shares, trials, help_cost, starts)
    bare = Course(best.cost, best.cost, None, (), best.trials, _ends(shares, trials, best.trials))
    if depth == 0 or not looks:
        return bare
    ahead = sorted((_mean_after(shares, trials, look, help_cost), k) for k, look in enumerate(looks))
    found = bare
    for near, k in ahead[:WIDTH]:
        if depth == 1 and near > found.cost:
            continue
        after = []
        for name, chance, then in _results(shares, looks[k]):
            rest = [look for j, look in enumerate(looks) if j != k] if depth > 1 else []
            follow = course(then, trials, rest, help_cost, depth - 1)
            after.append((name, chance, _renumbered(follow, k)))
        cost = looks[k].cost + sum(chance * follow.cost for _, chance, follow in after)
        if cost < found.cost - LEAST_SAVED:
            found = Course(cost, best.cost, k, tuple(after), (), ())
    return found


def _renumbered(course: Course, gone: int) -> Course:
    """Return a course whose tests are numbered as before one was taken out."""
    test = course.test if course.test is None or course.test < gone else course.test + 1
    after = tuple((name, chance, _renumbered(then, gone)) for name, chance, then in course.after)
    return Course(course.cost, course.without, test, after, course.trials, course.ends)


def _results(shares: Array, look: Look) -> list[tuple[str, float, Array]]:
    """Return each result that can come: its name, its probability, and the shares after it."""
    found = []
    for name, column in zip(look.results, look.likelihood.T, strict=True):
        joint = shares * column
        chance = float(joint.sum())
        if chance > 0.0:
            found.append((name, chance, joint / chance))
    return found


def _mean_after(shares: Array, trials: Sequence[Trial], look: Look, help_cost: float) -> float:
    """Return the cost of a test and the mean cost after it, with the remedies in the greedy order."""
    costs, cures = np.array([t.cost for t in trials]), np.array([t.cures for t in trials])
    if not len(trials):
        return look.cost + help_cost
    mean = look.cost
    for _, chance, then in _results(shares, look):
        mean += chance * _cut(then, costs, cures, _greedy(then, costs, cures), help_cost).cost
    return mean


def _ends(shares: Array, trials: Sequence[Trial], sequence: Sequence[int]) -> tuple[float, ...]:
    left, ends = shares.astype(float), []
    for r in sequence:
        before = float(left.sum())
        left = left * (1.0 - trials[r].cures)
        ends.append(1.0 - float(left.sum()) / before if before > 0.0 else 0.0)
    return tuple(ends)


def _exact(shares: Array, costs: Array, cures: Array, help_cost: float) -> Order:
    """Search over the sets of remedies already tried: what is left to expect depends on nothing else."""
    count = len(costs)
    left = np.empty((1 << count, len(shares)))
    left[0] = shares
    for r in range(count):  # a set that ends with r is one of the sets before it, and r
        left[1 << r : 2 << r] = left[: 1 << r] * (1.0 - cures[r])
    mass = left.sum(axis=1)
    least, choice = mass * help_cost, np.full(1 << count, -1)
    for tried in range((1 << count) - 2, -1, -1):
        for r in range(count):
            if not tried >> r & 1:
                cost = mass[tried] * costs[r] + least[tried | 1 << r]
                if cost < least[tried]:
                    least[tried], choice[tried] = cost, r
    sequence, tried = [], 0
    while choice[tried] >= 0:
        sequence.append(int(choice[tried]))
        tried |= 1 << int(choice[tried])
    return Order(tuple(sequence), float(least[0]))


def _greedy(shares: Array, costs: Array, cures: Array) -> list[int]:
    """Return all remedies by falling chance of a cure over cost, each given that those before it failed."""
    left, sequence, open_ = shares.astype(float), [], np.ones(len(costs), bool)
    price = np.maximum(costs, 1e-12)
    for _ in range(len(costs)):
        worth = np.where(open_, cures @ left / price, -1.0)
        best = int(np.argmax(worth))
        if worth[best] <= 0.0:
            break
        sequence.append(best)
        open_[best] = False
        left = left * (1.0 - cures[best])
    return sequence


def _cut(shares: Array, costs: Array, cures: Array, sequence: Sequence[int], help_cost: float) -> Order:
    """Return the sequence up to where calling for help is cheaper than going on, with its expected cost."""
    chosen = list(sequence)
    left = np.vstack([shares, np.cumprod(1.0 - cures[chosen], axis=0) * shares]) if chosen else shares[None, :]
    mass = left.sum(axis=1)
    after, stop = float(mass[-1]) * help_cost, len(chosen)
    for k in range(len(chosen) - 1, -1, -1):
        after += float(mass[k] * costs[chosen[k]])
        if after >= mass[k] * help_cost:
            after, stop = float(mass[k]) * help_cost, k
    return Order(tuple(chosen[:stop]), after)


def _improved(
    shares: Array, costs: Array, cures: Array, help_cost: float, naive: Sequence[Sequence[int]]
) -> Order:
    """Take the greedy order, or a naive one if that is cheaper, then let single remedies change places while it pays."""
    starts = (_greedy(shares, costs, cures), *naive)
    best = min((_cut(shares, costs, cures, start, help_cost) for start in starts), key=lambda found: found.cost)
    for _ in range(ROUNDS):
        before = best.cost
        for a in range(len(best.trials)):
            for b in range(max(0, a - MOST_EXACT), min(len(best.trials), a + MOST_EXACT)):
                moved = list(best.trials)
                if a >= len(moved) or a == b:
                    continue
                moved.insert(b, moved.pop(a))
                other = _cut(shares, costs, cures, moved, help_cost)
                if other.cost < best.cost - LEAST_SAVED:
                    best = other
        if before - best.cost <= LEAST_SAVED:
            break
    return best


def until_help(shares: Array, trials: Sequence[Trial], sequence: Sequence[int], help_cost: float) -> Order:
    """Return a given sequence up to where calling for help is cheaper than going on, with its expected cost."""
    costs, cures = np.array([t.cost for t in trials]), np.array([t.cures for t in trials])
    return _cut(shares, costs, cures, sequence, help_cost)


def by_cost(trials: Sequence[Trial]) -> tuple[int, ...]:
    """Return the naive order: the cheapest first."""
    return tuple(sorted(range(len(trials)), key=lambda k: (trials[k].cost, k)))


def by_chance(shares: Array, trials: Sequence[Trial]) -> tuple[int, ...]:
    """Return the naive order: the likeliest cure first, whatever it costs."""
    return tuple(sorted(range(len(trials)), key=lambda k: (-float(trials[k].cures @ shares), k)))
