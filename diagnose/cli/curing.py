"""The plan within the interview: its steps in order, and what came of the one that was done."""

from __future__ import annotations

import click

from diagnose.cases.book import Casebook
from diagnose.cli import words
from diagnose.cli.lines import say, typed
from diagnose.cli.plan import step_lines
from diagnose.errors import BadInput, nearest
from diagnose.reasoning.trials import RESULTS
from diagnose.triage import Triage
from diagnose.triage.cure import follow_up
from diagnose.triage.explain import say_result
from diagnose.triage.plan import Planner, Step

TOLD = 1
"""Steps told in full; later ones have a line each, and their caution."""
REMAINS = "the fault is gone, but something else is wrong: go on with that as a case of its own"


def show(triage: Triage) -> None:
    """Print the steps of the plan on the likeliest way, numbered."""
    steps = _steps(triage)
    if not steps:
        say("Nothing that the rules know is worth trying before asking for help.", 2)
        return
    for number, step in enumerate(steps, 1):
        for line in step_lines(step, number, brief=number > TOLD):
            click.echo(line)
    say("plan and a number records what came of that step: plan 1", 2)


def record(triage: Triage, named: str, book: Casebook | None) -> Triage:
    """Ask what came of a step, named by its number or its id, and record it; returns the case to go on with.

    That is the same one, or the case of what remains. Raises BadInput for a step that there is not.
    """
    kind, id = _named(triage, named)
    if kind == "test":
        _result_of_test(triage, id)
        return triage
    remedy = triage.knowledge.remedies[id]
    say(f"What came of it: {remedy.name}?", 2)
    if remedy.caution:
        say(f"CAUTION: {remedy.caution}", 4)
    choices = [say_result(result) for result in RESULTS] + ([REMAINS] if book else [])
    chosen = _choice(choices)
    if chosen is None:
        return triage
    triage.try_remedy(id, RESULTS[chosen] if chosen < len(RESULTS) else RESULTS[0])
    if chosen < len(RESULTS) or book is None:
        return triage
    return go_on(triage, book)


def go_on(triage: Triage, book: Casebook) -> Triage:
    """Open the case of what remains after a cure and say so."""
    rest = follow_up(triage, book)
    say(f"The case is closed. What remains is case {rest.case.id}; what you said of the machine is kept.", 2)
    return rest


def _steps(triage: Triage) -> list[Step]:
    return Planner(triage).plan().along()


def _named(triage: Triage, named: str) -> tuple[str, str]:
    """Return kind and id of a step, by its number in the plan or by its id."""
    if named.isdecimal():
        steps = _steps(triage)
        if not 1 <= int(named[:9]) <= len(steps):
            raise BadInput(f"the plan has no step {named}", "plan alone shows the steps")
        step = steps[int(named) - 1]
        return step.kind, step.id
    knowledge = triage.knowledge
    for kind, known in (("remedy", knowledge.remedies), ("test", knowledge.tests)):
        if named in known:
            return kind, named
    hint = nearest(named, [*knowledge.remedies, *knowledge.tests])
    raise BadInput(f"there is no step {named!r}", hint or "plan alone shows the steps, each with its number and its id")


def _result_of_test(triage: Triage, id: str) -> None:
    test = triage.knowledge.tests[id]
    question = triage.question(test.question)
    say(question.ask, 2)
    if test.caution:
        say(f"CAUTION: {test.caution}", 4)
    chosen = _choice([answer.say for answer in question.answers])
    if chosen is not None:
        triage.answer(question.id, question.answers[chosen].id)


def _choice(choices: list[str]) -> int | None:
    """Return the index of the choice typed, or None for an empty line."""
    for number, choice in enumerate(choices, 1):
        for line in words.indented(f"{number:>2}  {choice}", 4, 4):
            click.echo(line)
    while True:
        said = typed("    > ")
        if not said:
            say("nothing was recorded", 2)
            return None
        if said.isdecimal() and 1 <= int(said[:9]) <= len(choices):
            return int(said) - 1
        say(f"type a number from 1 to {len(choices)}, or nothing to leave it open", 4)
