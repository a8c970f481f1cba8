"""Invented people led to a cure by the plan, beside the same people trying remedies by popularity.

The people are those of `people.py`: their cause is known, one answer in ten is a slip. With the program they answer its
questions, then follow the plan, which is made anew after every result, until their print is cured or the plan says to
ask for help. A remedy cures only its own causes, as often as it is sure; of one that fails it is told in one case of ten
wrongly whether it helped somewhat. By popularity they look at the main defect alone and try the remedies against the
causes that leave it, in the order in which people commonly do (`tried` of the rules, then the cheaper first), and ask
for help where going on would cost more, as far as the defect tells. Everything is paid at the rates of the rules: time,
machine, filament, parts, the print that shows whether a remedy cured, help; with the program the time for its questions
too.
"""

from __future__ import annotations

import statistics
import sys
import time
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from diagnose.knowledge.models import EFFORT_MINUTES, RATES
from diagnose.knowledge.pack import Knowledge
from diagnose.reasoning.inquiry import ENOUGH, READING_MINUTES
from diagnose.reasoning.network import Network, compile_network
from diagnose.reasoning.trials import BETTER, CURED, NO_CHANGE
from diagnose.triage import Triage, knowledge_from
from diagnose.triage.plan import Planner
from diagnose.triage.world import World, cost_by_habit
from tests.bench.people import MOST_QUESTIONS, SLIPS, Person, best_next, people

EACH = 2
SEED = 11
MOST_STEPS = 60
SLACK = 1e-6
"""By how much the plan may be dearer than another order before that counts: rounding."""


@dataclass(frozen=True)
class Way:
    """How one person came to a cure. Costs are in the currency of the rates."""

    cause: str
    cost: float
    """Of tests, remedies and help."""
    questions: float
    """Of the time that the questions took."""
    cured: bool
    """Without help."""
    steps: int
    expected: float
    """What the plan expected when it was first made."""
    naive: tuple[float, ...]
    """What other orders would have cost by the same reckoning: popularity, chance, cheapest."""
    habit: float
    """What trying by popularity costs this person on average, help called for in time."""
    stubborn: float
    """The same, help called for only when everything has failed."""
    rate: int

    @property
    def whole(self) -> float:
        return self.cost + self.questions


def told(person: Person, world: World, remedy: str) -> str:
    """Return what a person tells of a remedy; a cure is seen by everybody."""
    came = world.outcome(remedy)
    if came != CURED and person.drawn_for(f"told {remedy}").random() < SLIPS:
        return NO_CHANGE if came == BETTER else BETTER
    return came


def led(person: Person) -> tuple[float, float, bool, int, float, tuple[float, ...]]:
    """Lead a person to a cure; returns cost, cost of questions, cured without help, steps, expected, naive orders."""
    knowledge = person.knowledge
    rates, triage, minutes = knowledge.rates, Triage(knowledge, network=person.network), 0.0
    for _ in range(MOST_QUESTIONS):
        question = best_next(triage) if triage.standing.shares[1:].max() < ENOUGH else None
        if question is None:
            break
        triage.answer(question, *(person.say(question) or ()))
        minutes += EFFORT_MINUTES[knowledge.questions[question].effort] + READING_MINUTES
    planner = Planner(triage)
    first, other = planner.plan(), planner.compared()
    naive = tuple(c for c in (other.popularity, other.chance, other.cheapest) if c is not None)
    world = World(knowledge, person.network, person.network.causes[person.row - 1], person.drawn_for("remedies"))
    plan, cost, steps = first, 0.0, 0
    while plan.steps and steps < MOST_STEPS:
        step = plan.steps[0]
        cost, steps = cost + step.cost, steps + 1
        if step.kind == "test":
            question = knowledge.tests[step.id].question
            triage.answer(question, *(person.say(question) or ()))
        else:
            triage.try_remedy(step.id, told(person, world, step.id))
        if triage.case.cured:
            break
        plan = Planner(triage).plan()
    cured = triage.case.cured is not None
    return cost + (0.0 if cured else rates.help), minutes / 60 * rates.hour, cured, steps, first.cost, naive


def way(knowledge: Knowledge, network: Network, person: Person) -> Way:
    """Return how one person fares with the program and by popularity."""
    cause, defect = network.causes[person.row - 1], knowledge.by_role("defect")
    assert defect is not None
    (said,) = person.say(defect.id)  # the same to the program and to habit
    habit, _ = cost_by_habit(knowledge, network, said, cause)
    stubborn, _ = cost_by_habit(knowledge, network, said, cause, stubborn=True)
    cost, questions, cured, steps, expected, naive = led(person)
    rate = RATES[knowledge.causes[cause].rate]
    return Way(cause, cost, questions, cured, steps, expected, naive, habit, stubborn, rate)


def ways(each: int = EACH, seed: int = SEED) -> list[Way]:
    """Return as many people as that for every cause of the built-in pack, all led to a cure."""
    knowledge = knowledge_from()
    network = compile_network(knowledge)
    return [way(knowledge, network, person) for person in people(knowledge, network, each, seed)]


def share(found: Sequence[Way], by: str = "habit", *, questions: bool = True, weighed: bool = False) -> float:
    """Return the mean cost with the program over that by popularity; ``weighed``: causes as often as they come."""
    weights = [w.rate if weighed else 1 for w in found]
    own = sum(n * (w.whole if questions else w.cost) for n, w in zip(weights, found, strict=True))
    return own / sum(n * getattr(w, by) for n, w in zip(weights, found, strict=True))


def spread(found: Sequence[Way], draws: int = 2000) -> tuple[float, float]:
    """Return the interval in which the share lies with 95 %, by drawing people anew (bootstrap, Efron 1979)."""
    own, habit = np.array([w.whole for w in found]), np.array([w.habit for w in found])
    drawn = np.random.default_rng(0).integers(len(found), size=(draws, len(found)))
    low, high = np.percentile(own[drawn].sum(axis=1) / habit[drawn].sum(axis=1), [2.5, 97.5])
    return float(low), float(high)


def table(each: int = EACH, seed: int = SEED) -> None:
    """Print what a cure costs with the plan and by popularity."""
    begun = time.perf_counter()
    found = ways(each, seed)
    print(f"{each} people for each of {len({w.cause for w in found})} causes, seed {seed}", flush=True)
    print(f"  ({time.perf_counter() - begun:.0f} s)", file=sys.stderr)

    def mean(name: str) -> float:
        return statistics.fmean(getattr(w, name) for w in found)

    low, high = spread(found)
    print(f"a cure costs {mean('whole'):.1f} with the program ({mean('questions'):.1f} of it the time for questions), "
          f"{mean('habit'):.1f} by popularity")  # fmt: skip
    print(f"  that is {100 * share(found):.0f} % ({100 * low:.0f} to {100 * high:.0f}; goal 60), "
          f"{100 * share(found, questions=False):.0f} % without the time for questions")  # fmt: skip
    print(f"  causes as often as they come: {100 * share(found, weighed=True):.0f} %")
    print(
        f"  beside people who try everything before they ask for help ({mean('stubborn'):.1f}): {100 * share(found, 'stubborn'):.0f} %"
    )
    cured = sum(w.cured for w in found)
    print(
        f"  cured without help: {100 * cured / len(found):.0f} %, after {statistics.median(w.steps for w in found):g} steps in the middle"
    )
    dearer = sum(any(w.expected > other + SLACK for other in w.naive) for w in found)
    print(
        f"  plans that expect more than an order by popularity, by chance or by price: {dearer} of {len(found)} (goal 0)"
    )
    print(f"  the plan expected {mean('expected'):.1f} on average, and it came to {mean('cost'):.1f}")
    dear = sorted({w.cause for w in found}, key=lambda c: -sum(w.whole - w.habit for w in found if w.cause == c))
    print(f"  gains least over popularity: {', '.join(dear[:10])}")
