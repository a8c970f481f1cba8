"""The dialogue of `diagnose ask`: what is asked, what is typed, what follows."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

import click

from diagnose.cases.book import Casebook
from diagnose.cli import curing, words
from diagnose.cli.ask import orders
from diagnose.cli.ask.saving import save
from diagnose.cli.ask.telling import STEPS, Teller
from diagnose.cli.common import TURNS, ZEROS, progress
from diagnose.cli.lines import say, typed
from diagnose.errors import BadInput, Cancelled
from diagnose.knowledge.models import Question
from diagnose.reasoning.inquiry import ENOUGH
from diagnose.triage import NextStep, Triage
from diagnose.triage.views import Given
from diagnose.triage.wording import times

if TYPE_CHECKING:
    from diagnose.toolpath.job import Job

SAFE = "safe"
LONGEST_SHOWN = 40
"""Characters shown of a line that was not understood."""


class Stop(Exception):
    """The user stops, or the input has ended."""


class Interview:
    """A dialogue over standard input and output; ends with `quit` or the end of the input."""

    def __init__(self, triage: Triage, book: Casebook | None = None, *, spoken: bool = False) -> None:
        self.triage = triage
        self.book = book
        """Where a case of what remains after a cure is started."""
        self.teller = Teller(spoken)
        self.later: set[str] = set()
        self.chosen: str | None = None
        """A question that the user wants asked now."""
        self.acknowledged: set[str] = set()
        self.told_enough = False
        self.told_marks = self.told_plan = False
        self.doubts: list[str] = []

    def run(self) -> None:
        """Ask until nothing is worth asking, the user stops, or the input ends."""
        try:
            while True:
                self._next()
        except Stop:
            return

    def _next(self) -> None:
        """Say what is next, and read what to do until that is done with."""
        self._alarms()
        if self.triage.case.cured and self.chosen is None:
            self._closed()
            return
        steps = self.triage.next_steps()
        step = next((s for s in steps if s.kind == "question" and s.id not in self.later), None)
        if self.chosen is not None:
            step = next((s for s in steps if s.id == self.chosen), None)
            question = self.triage.question(self.chosen)
        elif step is None:
            self._nothing_left()
            return
        else:
            question = self.triage.question(step.id)
        if self.triage.enough and not self.told_enough:
            self.told_enough = True
            click.echo("\nThe first suspect is clear enough to test: plan shows what to do and in which order.")
            click.echo("Go on answering if you like, quit to stop.")
        if steps and steps[0].kind == "marks" and not self.told_marks:
            self.told_marks = True
            click.echo()
            say("Best of all now: measure where the marks are (marks); a ruler and some minutes will do.")
        self.teller.question(question)
        self._dialogue(question, step)

    def _closed(self) -> None:
        """Say how the case was closed, and read what to do with it."""
        click.echo()
        for line in words.closing(self.triage):
            click.echo(line)
        click.echo("   go-on  something else is wrong: go on with that   back   save FILE   quit")
        self._dialogue(None, None)

    def _nothing_left(self) -> None:
        """Show the plan once no question is worth asking, and read what came of it."""
        if not self.told_plan:
            self.told_plan = True
            click.echo("\nNothing more is worth asking.")
            if self.triage.ranking()[0].probability >= ENOUGH:
                click.echo("The first suspect is as good as proved.")
            curing.show(self.triage)
            self.later.clear()
        click.echo("   plan   plan 1 what came of its first step   back   quit   help")
        self._dialogue(None, None)

    def _alarms(self) -> None:
        """Wait, where an answer means danger, until it is safe or the answer was a slip."""
        while alarms := [a for a in self.triage.alarms() if a not in self.acknowledged]:
            for alarm in alarms:
                say(alarm, 2)
            say(f"The interview waits. Type {SAFE} once that is done, or back if the answer was a slip.", 2)
            said = typed("> ")
            if said is None or said in ("quit", "q"):
                raise Stop
            if said.casefold() == SAFE:
                self.acknowledged.update(alarms)
            elif said.casefold() in ("back", "b"):
                self.triage.undo()
                self.teller.now(self.triage)

    def _dialogue(self, question: Question | None, step: NextStep | None) -> None:
        """Read lines until something was done that calls for another question."""
        while True:
            said = typed("> ")
            if said is None:
                raise Stop
            try:
                if said and self._line(said, question, step):
                    return
            except BadInput as error:
                say(f"{error}" + (f" ({error.hint})" if error.hint else ""), 2)
            except (KeyboardInterrupt, Cancelled):
                click.echo("\n  stopped reading; nothing was changed")

    def _line(self, said: str, question: Question | None, step: NextStep | None) -> bool:
        """Carry out one line; returns True when the next question is due."""
        order = orders.order_in(said)
        if order is not None:
            return self._order(*order, question, step)
        if question is None:
            raise BadInput("no question is open", orders.hint(said) or "help lists what you can type")
        return self._answer(said, question)

    # -- orders ------------------------------------------------------------------------------------------------------

    def _order(self, word: str, rest: str, question: Question | None, step: NextStep | None) -> bool:
        """Carry out one order; returns True when the next question is due."""
        triage, tell = self.triage, self.teller
        if word == "quit":
            raise Stop
        if word in ("ledger", "tests", "manual"):
            cause = triage.ranking()[orders.number(rest, len(triage.ranking()), "among the suspects") if rest else 0].id
            if word == "manual":
                tell.manual(triage.manual(cause))
            else:
                (tell.ledger if word == "ledger" else tell.tests)(triage, cause)
            return False
        if word in ("rank", "list", "similar", "doubts"):
            {"rank": tell.ranking, "list": tell.given, "similar": tell.similar, "doubts": tell.doubts}[word](triage)
            return False
        if word == "help":
            tell.help()
        elif word == "why":
            tell.why(question, step)
        elif word == "steps":
            tell.steps(triage.next_steps())
        elif word == "save":
            say(f"written: {save(triage, _unquoted(rest))}", 2)
        elif word == "printer":
            self._printer(_unquoted(rest))
        else:
            return self._change(word, rest, question)
        return False

    def _change(self, word: str, rest: str, question: Question | None) -> bool:
        """Carry out an order that changes the case or the question; returns True when the next question is due."""
        triage = self.triage
        if word == "later" and question is not None:
            self.later.add(question.id)
            self.chosen = None
            return True
        if word == "ask":
            return self._ask(rest)
        if word == "plan":
            return self._plan(rest)
        if word in ("change", "drop"):
            given = triage.given()
            return (self._again if word == "change" else self._drop)(given[orders.number(rest, len(given), "of the list")])
        if word == "go-on":
            if not triage.case.cured or self.book is None:
                raise BadInput("the case is not closed", "go on answering, or plan shows what to try")
            self._go_on_with(curing.go_on(triage, self.book))
            return True
        if word == "back":
            if self.chosen is not None:  # a question chosen by hand gives way to the proposed one
                self.chosen = None
                return True
            if not triage.undo():
                raise BadInput("there is nothing to take back")
        elif word == "attach":
            take(triage, triage.read_job(_unquoted(rest), progress(False)))
        elif word == "marks":
            if not self._marks(rest):
                return False
        else:
            raise BadInput("no question is open", "help lists what you can type")
        return self._changed()

    def _ask(self, rest: str) -> bool:
        steps = self.triage.next_steps()[:STEPS]
        step = steps[orders.number(rest, len(steps), "of the steps")]
        if step.kind != "question":
            raise BadInput(f"that is no question: {step.ask}", "attach FILE" if step.kind == "job" else "marks takes them")
        self.chosen = step.id
        return True

    def _again(self, given: Given) -> bool:
        if given.source not in ("question", "test"):
            raise BadInput("that was not answered here", "drop takes it back; plan, attach and marks take it anew")
        self.chosen = given.id
        return True

    def _drop(self, given: Given) -> bool:
        triage = self.triage
        if given.source == "finding":
            triage.detach()
        elif given.source == "marks":
            triage.drop_marks()
        elif given.source == "remedy":
            triage.forget_trial(given.id)
        else:
            triage.take_back(given.id)
        return self._changed()

    def _printer(self, named: str) -> None:
        if not named:
            for id, card in self.triage.knowledge.printers.items():
                say(f"{id}: {card.name}", 2, 2)
            return
        self.triage.choose_printer(named)
        click.echo(f"  printer card: {named}")

    def _plan(self, named: str) -> bool:
        """Show the plan, or record what came of one of its steps; returns whether anything changed."""
        triage = self.triage
        if not named:
            curing.show(triage)
            return False
        events = triage.case.events
        self._go_on_with(curing.record(triage, named, self.book))
        if self.triage is triage and triage.case.events == events:
            return False
        return True if self.triage.case.cured else self._changed()

    def _go_on_with(self, triage: Triage) -> None:
        if triage is not self.triage:
            self.triage, self.chosen = triage, None
            self.later.clear()
            self.told_enough = self.told_marks = self.told_plan = False

    def _changed(self) -> bool:
        """Say what the change did; returns True, for the next question is due."""
        self.chosen, self.told_plan = None, False
        self.teller.now(self.triage)
        doubts = self.triage.doubts()
        for doubt in doubts:
            if doubt not in self.doubts:
                say(f"note: {doubt}", 2, 6)
        self.doubts = doubts
        return True

    # -- answers -----------------------------------------------------------------------------------------------------

    def _answer(self, said: str, question: Question) -> bool:
        chosen = chosen_in(said, question)
        if chosen is None:
            self.triage.unknown(question.id)
            click.echo("  nothing changes")
            self.chosen = None
            return True
        self.triage.answer(question.id, *(question.answers[n].id for n in chosen))
        return self._changed()

    def _marks(self, said: str) -> bool:
        """Take marks typed or from a file, or leave them out; returns whether anything changed."""
        triage = self.triage
        if said == "-":
            if triage.case.marks is None:
                click.echo("  no marks were measured")
                return False
            triage.drop_marks()
            click.echo("  the marks are left out")
            return True
        name, zero, turn = _held(said)
        if name:
            marks = triage.read_marks(_unquoted(name), zero, turn)
        else:
            lines = _typed_marks()
            if not lines:
                click.echo("  no marks were typed; nothing was changed")
                return False
            marks = triage.typed_marks(lines, zero, turn)
        weighed, why = None, "They say something once the job file is attached: attach FILE."
        try:
            weighed = triage.weigh(marks, progress=progress(False))
        except BadInput as error:  # what somebody measured is not lost because a file has moved
            why = f"They cannot be held against the job file: {error}. Attach it again: attach FILE."
        triage.put_marks(marks, weighed, _unquoted(name) or "typed")
        click.echo(f"  {times(len(marks), 'mark')} taken" + (f", {weighed['placed']} on the part" if weighed else ""))
        say(weighed["verdict"] if weighed else why, 2)
        return True


def chosen_in(said: str, question: Question) -> list[int] | None:
    """Return the answers chosen by numbers, or by words of one of them; None for *can't tell*.

    Raises BadInput where the line says none of these.
    """
    line, most = said.strip().rstrip("."), len(question.answers)
    if line == "0" or line.casefold() in ("can't tell", "i can't tell", "unknown"):
        return None
    if line == "-" and question.kind == "several":
        return []
    numbers = [n for n in re.split(r"[ ,.]+", line) if n]
    if numbers and all(re.fullmatch("[0-9]{1,3}", n) and 1 <= int(n) <= most for n in numbers):
        return [int(n) - 1 for n in numbers]
    begins = [n for n, answer in enumerate(question.answers) if answer.say.casefold().startswith(line.casefold())]
    exact = [n for n in begins if question.answers[n].say.casefold() == line.casefold()]
    if len(exact or begins) == 1 and not line.isdecimal():
        return exact or begins
    if len(begins) > 1 and not line.isdecimal():
        raise BadInput(f"{len(begins)} answers begin with {line!r}", "write more of it, or its number")
    shown = line if len(line) <= LONGEST_SHOWN else f"{line[:LONGEST_SHOWN]}…"
    raise BadInput(f"{shown!r} is no answer here; type a number from 0 to {most}", orders.hint(said) or "help lists what else you can type")


def _held(said: str) -> tuple[str, str | None, str | None]:
    """Return a file name without the words behind it that say how the part was held, and those words."""
    words, zero, turn = said.split(), None, None
    while words and words[-1] in (*ZEROS, *TURNS):
        last = words.pop()
        zero, turn = (last, turn) if last in ZEROS else (zero, last)
    return said if not (zero or turn) else " ".join(words), zero, turn


def _typed_marks() -> list[str]:
    """Read marks, one a line, until an empty line or the end of the input."""
    click.echo("  One mark a line: its height in mm, and how far round in degrees, such as 12.4 @ 35;")
    click.echo("  the height alone will do. An empty line ends it.")
    lines: list[str] = []
    while True:
        said = typed(f"  {len(lines) + 1}: ")
        if not said:
            return lines
        try:
            Triage.typed_marks([said])
        except BadInput as error:
            say(f"{error}" + (f" ({error.hint})" if error.hint else ""), 2)
            continue
        lines.append(said)


def _unquoted(path: str) -> str:
    """Return a path without the quotes that terminals put round what is dragged into them."""
    path = path.strip()
    return path[1:-1] if len(path) > 2 and path[0] == path[-1] and path[0] in "'\"" else path


def take(triage: Triage, job: Job) -> None:
    """Take a job that was read into the case, and say what came of it."""
    triage.attach(job)
    click.echo(f"  read {job.file.path}: {len(job.findings)} findings")
    if triage.weighed is not None:
        say(str(triage.weighed.told["verdict"]), 2)
    if not triage.case.printer:
        click.echo("  no printer card is chosen, so nothing is said of stops: `printer CARD`, then `attach FILE` again")
