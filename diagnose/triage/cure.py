"""What a cure closes, and the case of what remains after it."""

from __future__ import annotations

from contextlib import suppress
from typing import TYPE_CHECKING

from diagnose.cases.book import Casebook
from diagnose.errors import BadInput
from diagnose.reasoning.trials import NO_CHANGE

if TYPE_CHECKING:
    from diagnose.triage.case import Triage

LEAST_PART = 0.1
"""Of what a remedy cures, a cause must have held this part of the share to be written down as cured."""
WHAT_REMAINS = "What remains"


def causes_met(triage: Triage, remedy: str) -> tuple[str, ...]:
    """Return the causes a remedy is against, likeliest first, those that were much less likely than others left out."""
    found = [s for s in triage.ranking() if remedy in triage.knowledge.causes[s.id].remedies]
    least = LEAST_PART * sum(s.probability for s in found)
    return tuple(s.id for s in found if s.probability >= least)


def follow_up(triage: Triage, casebook: Casebook, title: str = "") -> Triage:
    """Start the case of what remains after a cure.

    It keeps the printer card and the answers that tell of the machine, but for those on which a cured cause hangs: the
    cure may have changed them. That the fault which remains outlived the remedy is evidence too. Raises BadInput where
    nothing was cured yet.
    """
    case, knowledge = triage.case, triage.knowledge
    if case.cured is None:
        raise BadInput("nothing is cured yet in this case", "record first which remedy cured it")
    changed = {e.about for c in case.cured.causes if c in knowledge.causes for e in knowledge.causes[c].evidence}
    named = title or (f"{WHAT_REMAINS}: {case.title}" if case.title else WHAT_REMAINS)
    rest = type(triage).start(knowledge, casebook, named, triage.compiled, follows=case.id)
    if case.printer is not None:
        with suppress(BadInput):  # a card that has gone is chosen anew by the user
            rest.choose_printer(case.printer)
    for question, given in case.answers.items():
        if given is not None and knowledge.questions[question].tells_of == "machine" and question not in changed:
            rest.answer(question, *given)
    if case.cured.remedy in knowledge.remedies:
        rest.try_remedy(case.cured.remedy, NO_CHANGE)
    return rest
