"""``diagnose ask``: the interview line by line, for pipes, screen readers and plain terminals."""

from __future__ import annotations

import re
from pathlib import Path
from typing import TYPE_CHECKING

import click

from diagnose.cases.book import Casebook
from diagnose.cli import curing, words
from diagnose.cli.common import TURNS, ZEROS, casebook_option, printer_option, progress, rules_option
from diagnose.cli.lines import say, typed
from diagnose.errors import BadInput, Cancelled
from diagnose.folders import own_casebook
from diagnose.knowledge.models import Question
from diagnose.reasoning.inquiry import ENOUGH
from diagnose.triage import NextStep, Triage, card, knowledge_from
from diagnose.triage.explain import say_result
from diagnose.triage.wording import decibans, percent, times

if TYPE_CHECKING:
    from diagnose.toolpath.job import Job

SHOWN = 3
"""Suspects named after each answer."""

HELP = """\
  a number   that answer; several, like 1 3, where several may hold; - for none
  0          you cannot tell
  w          why this is asked
  b          take the last answer or result back
  s          leave this question for later
  r          the ranking
  l          why the first suspect
  d          everything answered so far
  t          how to confirm and cure the first suspect
  c          the plan: what to try, in order of least cost; c 2 records what came of its second step,
             c REMEDY what came of a remedy that you tried yourself
  j FILE     attach the job file
  p CARD     choose the printer card
  m          type the marks on the part, one a line, in place of any before; m FILE reads them from a CSV
             file; m - leaves them out
             (counted in another way than counter-clockwise from the right: m front cw, m FILE left ccw)
  q          stop; the case is kept"""


@click.command()
@casebook_option
@click.option("--case", "case_id", metavar="ID", help="Go on with this case.")
@click.option("--title", default="", help="What the part is.")
@click.option("--job", metavar="FILE", help="The job file (G-code) of the print.")
@printer_option
@rules_option
def ask(
    casebook: Path | None, case_id: str | None, title: str, job: str | None, printer: str | None, packs: tuple[Path, ...]
) -> None:
    """The interview line by line: pipes, screen readers, plain terminals.

    Answers are read from standard input; the case is saved after each.
    """
    knowledge = knowledge_from(packs)
    book = Casebook(casebook or own_casebook())
    triage = Triage.resume(knowledge, book, case_id) if case_id else Triage(knowledge)
    # Card and job are tried before a case is started or changed: a mistyped path leaves nothing behind.
    if printer:
        card(knowledge, printer)
    read = triage.read_job(job, progress(False), printer=printer) if job else None
    if not case_id:
        triage = Triage.start(knowledge, book, title, triage.compiled)
    if printer:
        triage.choose_printer(printer)
    if read:
        _take(triage, read)
    click.echo(f"case {triage.case.id}; ? lists what you can type")
    interview = Interview(triage, book)
    interview.run()
    click.echo()
    for line in words.verdict(interview.triage):
        click.echo(line)


class Interview:
    """A dialogue over standard input and output; ends with `q` or the end of the input."""

    def __init__(self, triage: Triage, book: Casebook | None = None) -> None:
        self.triage = triage
        self.book = book
        """Where a case of what remains after a cure is started."""
        self.later: set[str] = set()
        self.told_enough = False
        self.told_marks = self.told_plan = False
        self.doubts: list[str] = []

    def run(self) -> None:
        """Ask until nothing is worth asking, the user stops, or the input ends."""
        while True:
            if self.triage.case.cured:
                if not self._closed():
                    return
                continue
            steps = self.triage.next_steps()
            step = next((s for s in steps if s.kind == "question" and s.id not in self.later), None)
            if step is None:
                if not self._nothing_left():
                    return
                continue
            if self.triage.enough and not self.told_enough:
                self.told_enough = True
                click.echo("\nThe first suspect is clear enough to test: c shows what to do and in which order.")
                click.echo("Go on answering if you like, q to stop.")
            if steps[0].kind == "marks" and not self.told_marks:
                self.told_marks = True
                click.echo()
                say("Best of all now: measure where the marks are (m); a ruler and some minutes will do.")
            question = self.triage.question(step.id)
            self._show(question)
            if not self._dialogue(question, step):
                return

    def _closed(self) -> bool:
        """Say how the case was closed, and read what to do with it; returns False when the user stops."""
        click.echo()
        for line in words.closing(self.triage):
            click.echo(line)
        click.echo("   f  something else is wrong: go on with that   b back   q stop")
        return self._dialogue(None, None)

    def _nothing_left(self) -> bool:
        """Show the plan once no question is worth asking, and read what came of it; returns False when the user stops."""
        if not self.told_plan:
            self.told_plan = True
            click.echo("\nNothing more is worth asking.")
            if self.triage.ranking()[0].probability >= ENOUGH:
                click.echo("The first suspect is as good as proved.")
            curing.show(self.triage)
            self.later.clear()
        click.echo("   c plan   c 1 what came of its first step   b back   q stop   ? more")
        return self._dialogue(None, None)

    def _show(self, question: Question) -> None:
        click.echo()
        say(question.ask)
        if question.look:
            say(question.look, 4)
        for number, answer in enumerate(question.answers, 1):
            picture = f"{answer.picture}   " if answer.picture else ""
            click.echo(f"  {number:>2}  {picture}{answer.say}")
        several = "; several numbers may hold, - for none" if question.kind == "several" else ""
        click.echo(f"   0  can't tell          w why   b back   q stop   ? more{several}")

    def _dialogue(self, question: Question | None, step: NextStep | None) -> bool:
        """Read lines until the question is done with; returns False when the user stops."""
        while True:
            said = typed("> ")
            if said is None or said == "q":
                return False
            try:
                if self._command(said, question, step):
                    return True
            except BadInput as error:
                say(f"{error}" + (f" ({error.hint})" if error.hint else ""), 2)
            except (KeyboardInterrupt, Cancelled):
                click.echo("\n  stopped reading; nothing was changed")

    def _command(self, said: str, question: Question | None, step: NextStep | None) -> bool:
        """Carry out one line; returns True when the next question is due."""
        triage = self.triage
        if not said:
            return False
        word, _, rest = said.partition(" ")
        if word == "s" and question is not None:
            self.later.add(question.id)
            return True
        if word == "c":
            return self._plan(rest.strip())
        if word == "f" and triage.case.cured and self.book is not None:
            self._go_on_with(curing.go_on(triage, self.book))
            return True
        if word == "b":
            if not triage.undo():
                click.echo("  nothing to take back")
                return False
            self.told_plan = False
            self._now()
            return True
        if word in ("j", "p") and not rest.strip():
            click.echo("  write the path behind it: j FILE" if word == "j" else "  write the card behind it: p CARD")
            return False
        if word == "j":
            _attach(triage, _unquoted(rest))
            self._now()
            return True
        if word == "p":
            triage.choose_printer(_unquoted(rest))
            click.echo(f"  printer card: {_unquoted(rest)}")
            return False
        if word == "m":
            if not self._marks(rest.strip()):
                return False
            self._now()
            return True
        if word in ("w", "r", "l", "d", "t", "?"):
            self._tell(word, step)
            return False
        if question is None:
            click.echo("  no question is open; ? lists what you can type")
            return False
        return self._answer(said, question)

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
        if not self.triage.case.cured:
            self._now()
        return True

    def _go_on_with(self, triage: Triage) -> None:
        if triage is not self.triage:
            self.triage = triage
            self.later.clear()
            self.told_enough = self.told_marks = self.told_plan = False

    def _answer(self, said: str, question: Question) -> bool:
        if said == "0":
            self.triage.unknown(question.id)
            click.echo("  nothing changes")
            return True
        if said == "-" and question.kind == "several":
            self.triage.answer(question.id)
        else:
            numbers = re.split(r"[ ,]+", said)
            if not all(re.fullmatch("[0-9]{1,3}", n) and 1 <= int(n) <= len(question.answers) for n in numbers):
                click.echo(f"  type a number from 0 to {len(question.answers)}, or ? to see what else you can type")
                return False
            self.triage.answer(question.id, *(question.answers[int(n) - 1].id for n in numbers))
        given = self.triage.case.answers[question.id] or ()
        for alarm in (a.stop for a in question.answers if a.id in given and a.stop):
            say(alarm, 2)
            say("Go on here only once that is done.", 2)
        self._now()
        return True

    def _tell(self, word: str, step: NextStep | None) -> None:
        triage = self.triage
        leader = triage.ranking()[0].id
        if word == "?":
            click.echo(HELP)
        elif word == "w" and step is None:
            click.echo("  no question is open")
        elif word == "w" and step is not None:
            apart = f" It tells apart: {' / '.join(step.tells_apart)}." if step.tells_apart else ""
            say(f"It is expected to tell {step.bits:.2f} bits for {step.minutes:g} min.{apart}", 2)
        elif word == "r":
            for line in words.ranking(triage):
                click.echo(line)
        elif word == "l":
            for line in words.ledger(triage, leader):
                click.echo(line)
        elif word == "d":
            for given in triage.given():
                note = "" if given.counts else f"  (does not count: {given.why})"
                say(f"{given.ask}  {given.say}{note}", 2, 4)
        else:
            if triage.alarms():
                say("Tests that run the machine are left out while there is danger.", 2)
            for view in triage.confirming(leader):
                for line in words.test(view):
                    click.echo(line)
            click.echo("  Remedies")
            for remedy in triage.remedies(leader):
                came = triage.case.tried.get(remedy.id)
                for line in words.remedy(remedy, say_result(came) if came else ""):
                    click.echo(line)

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
        weighed, why = None, "They say something once the job file is attached: j FILE."
        try:
            weighed = triage.weigh(marks, progress=progress(False))
        except BadInput as error:  # what somebody measured is not lost because a file has moved
            why = f"They cannot be held against the job file: {error}. Attach it again: j FILE."
        triage.put_marks(marks, weighed, _unquoted(name) or "typed")
        click.echo(f"  {times(len(marks), 'mark')} taken" + (f", {weighed['placed']} on the part" if weighed else ""))
        say(weighed["verdict"] if weighed else why, 2)
        return True

    def _now(self) -> None:
        for suspect in self.triage.ranking()[:SHOWN]:
            say(f"{percent(suspect.probability):>7}  {decibans(suspect.change)} dB  {suspect.name}", 2, 21)
        if self.triage.unexplained > self.triage.ranking()[SHOWN - 1].probability:
            say(f"{percent(self.triage.unexplained):>7}  {' ' * 9}  something not in the rules", 2)
        doubts = self.triage.doubts()
        for doubt in doubts:
            if doubt not in self.doubts:
                say(f"note: {doubt}", 2, 6)
        self.doubts = doubts


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


def _attach(triage: Triage, path: str) -> None:
    _take(triage, triage.read_job(path, progress(False)))


def _take(triage: Triage, job: Job) -> None:
    triage.attach(job)
    click.echo(f"  read {job.file.path}: {len(job.findings)} findings")
    if triage.weighed is not None:
        say(str(triage.weighed.told["verdict"]), 2)
    if not triage.case.printer:
        click.echo("  no printer card is chosen, so nothing is said of stops: `p CARD`, then `j FILE` again")
