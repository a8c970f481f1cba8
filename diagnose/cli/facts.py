"""Options that say what is known of a print, shared by the commands that take a case from them."""

from __future__ import annotations

from collections.abc import Callable
from functools import wraps
from pathlib import Path
from typing import Any, TypeVar

import click

from diagnose.cli.common import held_options, printer_option, progress, rules_option
from diagnose.triage import Triage, knowledge_from
from diagnose.triage.facts import Facts, add_options, add_trials, facts_file, triage_from

F = TypeVar("F", bound=Callable[..., Any])


def facts_options(command: F) -> F:
    """Add the arguments and options of known facts; the command takes `load`, which makes a case of them.

    ``load(silent)`` reads job and marks, with a progress line unless silent.
    """

    @wraps(command)
    def wrapped(
        *args: Any, answers_file: Path | None, answers: tuple[str, ...], tried: tuple[str, ...], job: str | None,
        marks: str | None, zero: str | None, turn: str | None, printer: str | None, packs: tuple[Path, ...], **more: Any,
    ) -> Any:  # fmt: skip
        facts = facts_file(answers_file) if answers_file else Facts()
        add_options(facts, answers)
        add_trials(facts, tried)
        facts.job, facts.printer, facts.marks = job or facts.job, printer or facts.printer, marks or facts.marks
        facts.zero, facts.turn = zero or facts.zero, turn or facts.turn

        def load(silent: bool) -> Triage:
            triage = triage_from(knowledge_from(packs), facts)
            if facts.marks:
                triage.put_marks(triage.read_marks(facts.marks, facts.zero, facts.turn), source=facts.marks)
            if facts.job:
                triage.attach(triage.read_job(facts.job, progress(silent)))
            return triage

        return command(*args, load=load, **more)

    options = (
        click.argument("answers_file", metavar="[ANSWERS.yaml]", required=False, type=click.Path(path_type=Path)),
        click.option("--answer", "answers", multiple=True, metavar="Q=A", help="One answer; repeat for more."),
        click.option("--tried", multiple=True, metavar="R=RESULT",
                     help="A remedy tried, and what came of it: cured, better or no-change; repeat for more."),
        click.option("--job", metavar="FILE", help="The job file (G-code) of the print."),
        click.option("--marks", metavar="FILE", help="Marks measured on the part (CSV); they are held against the job file."),
        held_options, printer_option, rules_option,
    )  # fmt: skip
    decorated: Any = wrapped
    for option in reversed(options):
        decorated = option(decorated)
    return decorated  # type: ignore[no-any-return]
