"""``diagnose demo``: the whole job on an invented case, unattended."""

from __future__ import annotations

import tempfile
from pathlib import Path
from typing import TYPE_CHECKING

import click

from diagnose.cases.book import Casebook
from diagnose.cases.solved import read_solved
from diagnose.cli import words
from diagnose.cli.common import progress, quiet_option, rules_option
from diagnose.cli.plan import step_lines
from diagnose.coupons.spiral import lamp_shade, write
from diagnose.knowledge.builtin import casebook_folder
from diagnose.triage import Triage, knowledge_from
from diagnose.triage.explain import say_result
from diagnose.triage.facts import facts_file
from diagnose.triage.plan import Planner
from diagnose.triage.wording import decibans, percent, times
from diagnose.whole import write_whole

if TYPE_CHECKING:
    from diagnose.toolpath.job import Job

TITLE = "Invented: blobs on the rim of a lamp shade"
SCENARIO = "lamp-shade.yaml"
MOST_STEPS = 40
SEED = 7
"""Of the invented marks. Any other would do: the tests try several."""


@click.command()
@click.option("--keep", metavar="FILE", type=click.Path(path_type=Path), help="Keep the invented job file here.")
@click.option("--casebook", type=click.Path(path_type=Path), metavar="DIR", help="Keep the case in this folder, to look at it afterwards.")
@rules_option
@quiet_option
def demo(keep: Path | None, casebook: Path | None, packs: tuple[Path, ...], quiet: bool) -> None:
    """Run the whole job on an invented case, unattended.

    A repair cafe that does not exist prints a lamp shade. The job file is written here, read, and run on a generic
    printer; the invented person answers what is asked, and measures the marks where the eye would have to judge them.
    Then the plan is followed on a simulated printer until the print is cured.
    """
    if keep:
        write_whole(keep, write(lamp_shade()), f"--keep {keep}", new=True)
    scenario = facts_file(casebook_folder() / SCENARIO)
    knowledge = knowledge_from(packs)
    triage = Triage.start(knowledge, Casebook(casebook), TITLE) if casebook else Triage(knowledge)
    click.echo("An invented case: a repair cafe prints a lamp shade and finds blobs on its flared rim.")
    triage.choose_printer(scenario.printer)
    job: Job | None = None
    for _ in range(MOST_STEPS):
        steps = triage.next_steps(1)
        if not steps or triage.enough:
            break
        step = steps[0]
        by_eye = step.kind == "question" and triage.question(step.id).measured_by == "marks"
        if step.kind == "job":
            job = _attach(triage, quiet)
        elif step.kind == "marks" or by_eye:
            job = job or _attach(triage, quiet)
            _measure(triage, job, quiet)
        else:
            _put(triage, step.id, step.ask, scenario.answers)
    job = job or _attach(triage, quiet)
    if triage.case.marks is None:
        _measure(triage, job, quiet)
    click.echo()
    for line in words.verdict(triage):
        click.echo(line)
    _cure(triage, scenario.answers)


def _cure(triage: Triage, answers: dict[str, list[str]]) -> None:
    """Follow the plan until the print is cured. Its true cause is known to the simulated printer alone."""
    from numpy.random import default_rng

    from diagnose.triage.world import World, cost_by_habit

    (told,) = read_solved(casebook_folder() / SCENARIO)
    rates = triage.knowledge.rates
    world = World(triage.knowledge, triage.network, told.case.cause, default_rng(SEED))
    click.echo(f"\nThe plan is followed on a simulated printer; only that knows the true cause (seed {SEED}).")
    spent = 0.0
    for _ in range(MOST_STEPS):
        steps = Planner(triage).plan().steps
        if not steps or triage.case.cured:
            break
        step = steps[0]
        spent += step.cost
        for line in step_lines(step, number=1):
            click.echo(line)
        if step.kind == "test":
            question = triage.knowledge.tests[step.id].question
            triage.answer(question, *(answers.get(question) or [world.result(question)]))
            said = next(g.say for g in triage.given() if g.id == question)
        else:
            triage.try_remedy(step.id, world.outcome(step.id))
            said = say_result(triage.case.tried[step.id])
        click.echo(f"  > {said}")
        _now(triage)
    click.echo()
    if triage.case.cured:
        for line in words.closing(triage):
            click.echo(line)
    else:
        spent += rates.help
        click.echo("Nothing is left that is worth trying, and somebody is asked for help.")
    habit, count = cost_by_habit(triage.knowledge, triage.network, triage.defect or "", told.case.cause)
    for line in words.indented(
        f"It cost {spent:.0f}: time, machine and filament at the rates of the rules. Trying things in the order in which "
        f"people commonly do against this defect would cost {habit:.0f} on average: after {times(count, 'remedy', 'remedies')} "
        f"going on in that order no longer pays, and help is called for {rates.help:g}.", 0,
    ):  # fmt: skip
        click.echo(line)


def _attach(triage: Triage, quiet: bool) -> Job:
    """Write the invented job, read it, and take what was found into the case."""
    from diagnose.toolpath.summary import summary

    with tempfile.TemporaryDirectory(prefix="diagnose-demo-") as folder:
        path = Path(folder) / "lamp-shade.gcode"
        path.write_text(write(lamp_shade()))
        click.echo(f"\nReading the job ({path.stat().st_size:,} bytes) on the card {triage.case.printer}")
        job = triage.read_job(path, progress(quiet))
    triage.attach(job)
    told = summary(job)
    stops, reserve = told["stops"], told["reserve"]
    click.echo(
        f"  {told['moves']:,} moves, {told['time_s'] / 60:.0f} min; the reserve falls to "
        f"{reserve['least_ms']:.0f} ms at line {reserve['at_line']}; {stops['count']} stops, "
        f"{1000 * stops['total_s'] / max(stops['count'], 1):.0f} ms each on average"
    )
    for why, count in stops["by_why"].items():
        heights = [s["z"] for s in stops["list"] if s["why"] == why]
        click.echo(f"  {count} of them for {why}, from {min(heights):.1f} to {max(heights):.1f} mm up the part")
    _now(triage)
    return job


def _measure(triage: Triage, job: Job, quiet: bool) -> None:
    """Have the simulator leave marks where the head stops for saving, and hold them against the job."""
    from diagnose.cli.marks.page import page
    from diagnose.cli.toolpath.draw import pen
    from diagnose.marks.simulate import At, simulate

    marks = simulate(job, At("checkpoint-stops"), SEED)
    weighed = triage.weigh(marks, job)
    triage.put_marks(marks, weighed, "invented")
    click.echo(
        f"\n{len(marks)} marks are measured on the part, heights to 0.1 mm and angles to 2 degrees. They are invented: the "
        f"simulator\nlets the head stop at saves, overlooks one mark in five, and takes other blemishes for marks (seed {SEED})."
    )
    if weighed is not None:
        for line in page({**weighed, "job": "lamp-shade.gcode, invented marks"}, pen(), brief=quiet):
            click.echo(line)
    _now(triage)


def _put(triage: Triage, id: str, ask: str, answers: dict[str, list[str]]) -> None:
    given = answers.get(id, ["unknown"])
    triage.answer(id, *given)
    said = next(g.say for g in triage.given() if g.id == id)
    click.echo(f"\n{ask}\n  > {said}")
    _now(triage)


def _now(triage: Triage) -> None:
    leader = triage.ranking()[0]
    change = decibans(leader.change).replace(" ", "")
    click.echo(f"  first now: {leader.name.lower()}, {percent(leader.probability)} ({change} dB)")
