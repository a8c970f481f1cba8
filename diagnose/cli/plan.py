"""``diagnose plan``: what to try next, at what cost, until the print is cured."""

from __future__ import annotations

from collections.abc import Callable, Iterator

import click

from diagnose.cli import words
from diagnose.cli.common import json_option, print_json, quiet_option
from diagnose.cli.facts import facts_options
from diagnose.triage import Triage
from diagnose.triage.plan import Plan, Planner, Step, likeliest, plan_json
from diagnose.triage.wording import percent

SHOWN = 5
"""Steps told in full; later ones have a line each."""
AHEAD = 3
"""Steps told of what follows a result that is not known yet."""


@click.command()
@facts_options
@json_option
@quiet_option
def plan(load: Callable[[bool], Triage], as_json: bool, quiet: bool) -> None:
    """Show what to try next, at what cost.

    Remedies come in the order that costs least on average until the print is cured, what each gives up beside it; a test
    comes first where it saves more than it costs. Costs count your time, the machine, filament and parts by the rates of
    the rules (`rates:` in a pack of your own), and the print that shows whether a remedy cured.

    \b
    diagnose plan --answer defect=blobs --answer mark-spacing=even
    diagnose plan facts.yaml --job part.gcode --printer my-printer.yaml
    diagnose plan facts.yaml --tried dry-filament=no-change
    """
    triage = load(quiet or as_json)
    if as_json:
        print_json(plan_json(triage))
        return
    for line in _page(triage, quiet):
        click.echo(line)
    for line in _advice(triage) if not quiet else ():
        click.echo(line)


def _page(triage: Triage, quiet: bool) -> Iterator[str]:
    for alarm in triage.alarms():
        yield from words.indented(f"! {alarm}", 0, 2)
        yield ""
    if triage.case.cured:
        yield from words.closing(triage)
        return
    planner = Planner(triage)
    found, compared = planner.plan(), planner.compared()
    if quiet:
        for number, step in enumerate(found.along(), 1):
            yield f"{number}. {step.name} [{step.id}]"
            if step.what.caution:
                yield from words.indented(f"CAUTION: {step.what.caution}", 3)
        return
    if not found.steps:
        yield from words.indented(
            "Nothing that the rules know is worth trying before asking for help: answer more questions first "
            "(diagnose ask), or attach the job file.", 0,
        )  # fmt: skip
        return
    yield from _way(found, 0)
    yield ""
    yield from words.indented(_costs(found, compared.popularity, triage.knowledge.rates.help), 0)


def _advice(triage: Triage) -> Iterator[str]:
    """Yield what would keep the job on the case from starving, where it does."""
    from diagnose.cli.toolpath.advised import advice_lines
    from diagnose.cli.toolpath.draw import pen

    told = triage.advice()
    if told:
        yield ""
        yield "The job file, run again on this printer with one thing changed at a time:"
        yield from advice_lines(told, pen())


def _way(plan: Plan, depth: int) -> Iterator[str]:
    """Yield the steps, and after a test what follows each of its results."""
    shown = plan.steps if depth == 0 else plan.steps[:AHEAD]
    for number, step in enumerate(shown, 1):
        yield from step_lines(step, number, depth, depth > 0 or number > SHOWN)
    if len(plan.steps) > len(shown):
        yield from words.indented(f"and {len(plan.steps) - len(shown)} more", 2 * depth + 2)
    for branch in likeliest(plan):
        yield ""
        yield from words.indented(f"If it shows: {branch.say}  ({percent(branch.probability)})", 2 * depth, 2)
        if not branch.plan.steps:
            yield from words.indented("nothing the rules know is worth trying before asking for help", 2 * depth + 4)
        yield from _way(branch.plan, depth + 1)


def step_lines(step: Step, number: int, depth: int = 0, brief: bool = False) -> Iterator[str]:
    """Yield one step: what to do, what it costs and gives up, what it is against; its caution always."""
    pad = 2 * depth
    chance = "" if step.kind == "test" else f"  ends it with {percent(step.probability)}"
    kind = "Test" if step.kind == "test" else "Try"
    yield from words.indented(f"{number}. {kind}: {step.name} [{step.id}]{chance}", pad + 2, 3)
    if brief:
        if step.what.caution:
            yield from words.indented(f"CAUTION: {step.what.caution}", pad + 5)
        return
    yield from words.indented(step.what.do, pad + 5)
    if reads := getattr(step.what, "reads", None):
        yield from words.indented(f"How to read it: {reads}", pad + 5)
    if step.cures:
        named = ", ".join(f"{name.lower()} ({percent(share)})" for name, share in step.cures[:3])
        yield from words.indented(f"{'Tells of' if step.kind == 'test' else 'Against'}: {named}", pad + 5)
    yield from words.costs(step.what, pad + 5)


def _costs(plan: Plan, popularity: float | None, help_cost: float) -> str:
    """Return what the plan is expected to cost, and what other ways would."""
    said = f"Expected to cost {plan.cost:.0f} until it is cured"
    if plan.without_tests > plan.cost + 0.5:
        said += f", {plan.without_tests:.0f} without tests"
    if popularity is not None:
        said += f", {popularity:.0f} when remedies are tried in the order people commonly do"
    return said + f". Where all fails, help is counted with {help_cost:g}."
