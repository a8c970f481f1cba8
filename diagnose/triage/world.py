"""An invented print whose cause is known: what comes of the remedies and tests tried on it, and what habit would cost.

For the demo and for measuring the plan. The plan itself never sees the cause, only what comes of its steps.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from diagnose.knowledge.models import Remedy
from diagnose.knowledge.pack import Knowledge
from diagnose.reasoning import plan as planning
from diagnose.reasoning.inquiry import View, predictive
from diagnose.reasoning.network import Network
from diagnose.reasoning.trials import BETTER, BETTER_OF_FAILURES, BY_CHANCE, CURED, NO_CHANGE
from diagnose.triage.case import Triage
from diagnose.triage.plan import LATE, Planner


@dataclass(frozen=True)
class World:
    """One print at a printer where one known cause is at work."""

    knowledge: Knowledge
    network: Network
    cause: str
    rng: np.random.Generator

    def outcome(self, remedy: str) -> str:
        """Return what comes of a remedy: it cures only its own causes, as often as it is sure."""
        met = remedy in self.knowledge.causes[self.cause].remedies
        if met and self.rng.random() < self.knowledge.remedies[remedy].sure.value:
            return CURED
        better = BETTER_OF_FAILURES if met else BY_CHANCE[1] / (BY_CHANCE[1] + BY_CHANCE[2])
        return BETTER if self.rng.random() < better else NO_CHANGE

    def result(self, question: str) -> str:
        """Return the answer of a question of kind one, drawn as often as the cause shows it."""
        shares = predictive(self.network, question, View.of(self.network, {}), 0.0)[self.network.row(self.cause)]
        states = self.network.nodes[self.network.of[question][0]].states
        return states[int(self.rng.choice(len(states), p=shares / shares.sum()))]


def habit(knowledge: Knowledge, defect: str | None) -> list[Remedy]:
    """Return the remedies against all causes that leave a defect, in the order in which people commonly try them."""
    known = dict.fromkeys(r for c in knowledge.causes.values() if defect in c.defects for r in c.remedies)
    return sorted(
        (knowledge.remedies[r] for r in known), key=lambda r: (r.tried_for(defect) or LATE, knowledge.rates.cost(r))
    )


def cost_by_habit(
    knowledge: Knowledge, network: Network, defect: str, cause: str, *, stubborn: bool = False
) -> tuple[float, int]:
    """Return what a cure costs on average somebody who looks at the defect alone and goes by habit, and how many remedies.

    Help is called for where going on would cost more, as far as the defect tells; ``stubborn``: when all have failed.
    The number is that of remedies tried at most.
    """
    question = knowledge.by_role("defect")
    triage = Triage(knowledge, network=network)
    if question is not None:
        triage.answer(question.id, defect)
    planner, help_cost = Planner(triage), knowledge.rates.help
    trials = [planner.trial(remedy) for remedy in habit(knowledge, defect)]
    order = tuple(range(len(trials)))
    if not stubborn:
        order = planning.until_help(triage.standing.shares, trials, order, help_cost).trials
    truth = np.eye(len(network.log_prior))[network.row(cause)]
    return planning.expected(truth, trials, order, help_cost), len(order)
