"""``diagnose demo``: the whole job on an invented case, unattended."""

from __future__ import annotations

import tempfile
from pathlib import Path

import click

from diagnose.cli import words
from diagnose.cli.common import progress, quiet_option, rules_option
from diagnose.cli.whole import write_whole
from diagnose.coupons.spiral import lamp_shade, write
from diagnose.knowledge.builtin import casebook_folder
from diagnose.triage import Triage, knowledge_from
from diagnose.triage.facts import facts_file
from diagnose.triage.wording import decibans, percent

SCENARIO = "lamp-shade.yaml"
MOST_STEPS = 40


@click.command()
@click.option("--keep", metavar="FILE", type=click.Path(path_type=Path), help="Keep the invented job file here.")
@rules_option
@quiet_option
def demo(keep: Path | None, packs: tuple[Path, ...], quiet: bool) -> None:
    """Run the whole job on an invented case, unattended.

    A repair cafe that does not exist prints a lamp shade. The job file is written here, read, and run on a generic
    printer; the invented person answers what is asked.
    """
    if keep:
        write_whole(keep, write(lamp_shade()), f"--keep {keep}", new=True)
    scenario = facts_file(casebook_folder() / SCENARIO)
    triage = Triage(knowledge_from(packs))
    click.echo("An invented case: a repair cafe prints a lamp shade and finds blobs on its flared rim.")
    triage.choose_printer(scenario.printer)
    for _ in range(MOST_STEPS):
        steps = triage.next_steps(1)
        if not steps or triage.enough:
            break
        if steps[0].kind == "job":
            _attach(triage, quiet)
        else:
            _put(triage, steps[0].id, steps[0].ask, scenario.answers)
    if triage.case.job is None:
        _attach(triage, quiet)
    click.echo()
    for line in words.verdict(triage):
        click.echo(line)


def _attach(triage: Triage, quiet: bool) -> None:
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
