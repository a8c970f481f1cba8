"""From suspects to a cure: what to try next on a case, at what cost, and how much cheaper that is than habit."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from diagnose.knowledge.models import ConfirmingTest, Costed, Remedy
from diagnose.reasoning import plan as planning
from diagnose.reasoning.inquiry import View, predictive
from diagnose.reasoning.plan import Course, Look, Trial
from diagnose.triage import explain

if TYPE_CHECKING:
    from diagnose.triage.case import Triage

LEAST_SHARE = 0.002
"""Causes less likely than this bring no remedy into the plan: trying one would cost more than it can save."""
LATE = 6
"""Where a remedy comes in habit whose file does not say how early people try it: after all others."""
TESTED_SHARE = 0.02
"""Causes less likely than this bring no confirming test."""


@dataclass(frozen=True, slots=True)
class Step:
    """One thing to do."""

    kind: str
    """``test`` or ``remedy``."""
    id: str
    name: str
    what: Costed
    cost: float
    """In the shop's currency, the verifying print of a remedy included."""
    probability: float
    """Chance that this step ends the search, given that those before it did not; 0 for a test."""
    cures: tuple[tuple[str, float], ...]
    """Names of the causes it would cure, with their share, likeliest first."""


@dataclass(frozen=True, slots=True)
class Branch:
    """What follows a result of the test that comes first."""

    say: str
    """The result in words."""
    probability: float
    plan: Plan


@dataclass(frozen=True, slots=True)
class Plan:
    """What to do, in order. Costs are in the shop's currency."""

    steps: tuple[Step, ...]
    """A test that comes first stands alone; then `branches` say what follows."""
    branches: tuple[Branch, ...]
    cost: float
    """Expected until the cure, the call for help where all fails included."""
    without_tests: float

    def along(self) -> list[Step]:
        """Return the steps on the likeliest way."""
        steps = list(self.steps)
        if self.branches:
            steps += max(self.branches, key=lambda b: b.probability).plan.along()
        return steps


@dataclass(frozen=True, slots=True)
class Compared:
    """Expected costs of other orders from here, without tests, each up to where help is cheaper than going on."""

    popularity: float | None
    """What people commonly try first; None where the rules do not say of any of these remedies how early it is tried."""
    chance: float
    cheapest: float


class Planner:
    """The plan of a case as it stands."""

    def __init__(self, triage: Triage) -> None:
        self._triage = triage
        self._rates = triage.knowledge.rates
        self._shares = triage.standing.shares
        self._remedies = self._worth(LEAST_SHARE, "remedies")
        self._tests = [] if triage.alarms() else self._open_tests()
        self._view = View.of(triage.network, triage.standing.observed)
        self._trials = [self.trial(r) for r in self._remedies]
        self._looks = [self._look(t) for t in self._tests]

    def plan(self) -> Plan:
        """Return the plan with the least expected cost; an empty one that costs nothing once the case is closed."""
        if self._triage.case.cured:
            return Plan((), (), 0.0, 0.0)
        habit = self._habit()
        return self._told(
            planning.course(self._shares, self._trials, self._looks, self._rates.help, starts=[habit] if habit else [])
        )

    def compared(self) -> Compared:
        """Return what the same remedies would cost in naive orders."""
        def cost(sequence: Sequence[int]) -> float:
            if self._triage.case.cured:
                return 0.0
            if not self._trials:
                return self._rates.help
            return planning.until_help(self._shares, self._trials, sequence, self._rates.help).cost

        habit = self._habit()
        return Compared(
            cost(habit) if habit else None, cost(planning.by_chance(self._shares, self._trials)),
            cost(planning.by_cost(self._trials)),
        )  # fmt: skip

    def _habit(self) -> list[int]:
        """Return the remedies as people commonly try them, the cheaper of two first; empty where no file tells."""
        ranks = [remedy.tried_for(self._triage.defect) for remedy in self._remedies]
        if all(rank is None for rank in ranks):
            return []
        return sorted(range(len(ranks)), key=lambda k: (ranks[k] or LATE, self._trials[k].cost))

    def _worth(self, least: float, field: str) -> list[Any]:
        """Return the remedies or tests of all causes of such a share at least, likeliest cause first, each once."""
        knowledge = self._triage.knowledge
        listed: dict[str, None] = {}
        for suspect in self._triage.ranking():
            if suspect.probability >= least:
                listed.update(dict.fromkeys(getattr(knowledge.causes[suspect.id], field)))
        entries = knowledge.remedies if field == "remedies" else knowledge.tests
        tried = self._triage.case.tried  # a remedy that failed is not worth a second time
        return [entries[id] for id in listed if field != "remedies" or id not in tried]

    def _open_tests(self) -> list[ConfirmingTest]:
        tests = self._worth(TESTED_SHARE, "confirm")
        answered = self._triage.case.answers
        first: dict[str, ConfirmingTest] = {}
        for test in tests:  # of tests that answer the same question the cheapest counts
            one = self._triage.knowledge.questions[test.question].kind == "one"
            if one and test.question not in answered and (
                test.question not in first or self._rates.cost(test) < self._rates.cost(first[test.question])
            ):
                first[test.question] = test
        return list(first.values())

    def trial(self, remedy: Remedy) -> Trial:
        """Return a remedy as the reasoning takes it: its cost with the verifying print, and what it cures."""
        cures = np.zeros(len(self._shares))
        for cause in self._triage.knowledge.causes.values():
            if remedy.id in cause.remedies:
                cures[self._triage.network.row(cause.id)] = remedy.sure.value
        return Trial(remedy.id, self._rates.cost(remedy) + self._rates.verifying_print, cures)

    def _look(self, test: ConfirmingTest) -> Look:
        table = predictive(self._triage.network, test.question, self._view)
        states = tuple(answer.id for answer in self._triage.knowledge.questions[test.question].answers)
        return Look(test.id, self._rates.cost(test), states, table)

    def _told(self, course: Course) -> Plan:
        if course.test is None:
            steps = tuple(
                self._step("remedy", self._remedies[k], self._trials[k].cost, chance)
                for k, chance in zip(course.trials, course.ends, strict=True)
            )
            return Plan(steps, (), course.cost, course.without)
        test = self._tests[course.test]
        branches = tuple(
            Branch(self._say(test, result), chance, self._told(then)) for result, chance, then in course.after
        )
        return Plan((self._step("test", test, self._looks[course.test].cost, 0.0),), branches, course.cost, course.without)

    def _say(self, test: ConfirmingTest, result: str) -> str:
        return explain.say(self._triage.knowledge, test.question, (result,))

    def _step(self, kind: str, what: Any, cost: float, chance: float) -> Step:
        knowledge, network = self._triage.knowledge, self._triage.network
        field = "remedies" if kind == "remedy" else "confirm"
        cures = sorted(
            (
                (cause.name, float(self._shares[network.row(cause.id)]))
                for cause in knowledge.causes.values()
                if what.id in getattr(cause, field) and self._shares[network.row(cause.id)] >= LEAST_SHARE
            ),
            key=lambda named: -named[1],
        )
        return Step(kind, what.id, what.name, what, cost, chance, tuple(cures))


def cured_json(triage: Triage) -> dict[str, Any] | None:
    """Return the remedy that closed a case, with the causes it was against; None while the case is open."""
    cured = triage.case.cured
    return {"remedy": cured.remedy, "causes": list(cured.causes)} if cured else None


def plan_json(triage: Triage) -> dict[str, Any]:
    """Return the JSON of `plan`: keys may be added, never changed.

    ``steps`` are those on the likeliest way; ``first`` is the whole tree: its steps, or a test with what follows each
    result. ``advice`` is that of `toolpath`, null unless the job on the case starves. Costs are in the shop's currency
    (`rates` of the rules). ``expected_cost_by_popularity`` is null where no remedy says how early people try it. ``tried`` is
    each remedy tried and what came of it; ``cured`` is null while the case is open.
    """
    planner = Planner(triage)
    plan, compared = planner.plan(), planner.compared()
    return {
        "steps": [_step_json(step) for step in plan.along()],
        "first": _plan_json(plan),
        "expected_cost": plan.cost,
        "expected_cost_without_tests": plan.without_tests,
        "expected_cost_by_popularity": compared.popularity,
        "expected_cost_by_chance": compared.chance,
        "expected_cost_by_cheapest": compared.cheapest,
        "rates": triage.knowledge.rates.model_dump(),
        "tried": dict(triage.case.tried),
        "cured": cured_json(triage),
        "alarms": triage.alarms(),
        "advice": triage.advice(),
    }


def _plan_json(plan: Plan) -> dict[str, Any]:
    return {
        "steps": [_step_json(step) for step in plan.steps],
        "results": [
            {"say": b.say, "probability": b.probability, "expected_cost": b.plan.cost, "then": _plan_json(b.plan)}
            for b in plan.branches
        ],
    }


def _step_json(step: Step) -> dict[str, Any]:
    return {
        "kind": step.kind, "id": step.id, "name": step.name, "minutes": step.what.minutes,
        "machine_minutes": step.what.machine_minutes, "grams": step.what.grams, "money": step.what.money,
        "cost": step.cost, "probability": step.probability, "wear": step.what.wear, "gives_up": step.what.gives_up,
        "caution": step.what.caution,
    }  # fmt: skip


def likeliest(plan: Plan) -> Sequence[Branch]:
    """Return the branches of a plan, likeliest first."""
    return sorted(plan.branches, key=lambda b: -b.probability)
