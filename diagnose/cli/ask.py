"""``diagnose ask``: the interview line by line, for pipes, screen readers and plain terminals."""

from __future__ import annotations

import re
import sys
from pathlib import Path
from typing import TYPE_CHECKING

import click

from diagnose.cases.journal import Casebook, default_folder
from diagnose.cli import words
from diagnose.cli.common import TURNS, ZEROS, casebook_option, printer_option, progress, rules_option
from diagnose.errors import BadInput, Cancelled
from diagnose.knowledge.models import Question
from diagnose.reasoning.inquiry import ENOUGH
from diagnose.triage import NextStep, Triage, card, knowledge_from
from diagnose.triage.wording import decibans, percent, times

if TYPE_CHECKING:
    from diagnose.toolpath.job import Job

SHOWN = 3
"""Suspects named after each answer."""

HELP = """\
  a number   that answer; several, like 1 3, where several may hold; - for none
  0          you cannot tell
  w          why this is asked
  b          take the last answer back
  s          leave this question for later
  r          the ranking
  l          why the first suspect
  d          everything answered so far
  t          how to confirm and cure the first suspect
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
    book = Casebook(casebook or default_folder())
    triage = Triage.resume(knowledge, book, case_id) if case_id else Triage(knowledge)
    # Card and job are tried before a case is started or changed: a mistyped path leaves nothing behind.
    if printer:
        card(knowledge, printer)
    read = triage.read_job(job, progress(False), printer=printer) if job else None
    if not case_id:
        triage = Triage.start(knowledge, book, title, triage.network)
    if printer:
        triage.choose_printer(printer)
    if read:
        _take(triage, read)
    click.echo(f"case {triage.case.id}; ? lists what you can type")
    Interview(triage).run()
    click.echo()
    for line in words.verdict(triage):
        click.echo(line)


class Interview:
    """A dialogue over standard input and output; ends with `q` or the end of the input."""

    def __init__(self, triage: Triage) -> None:
        self.triage = triage
        self.later: set[str] = set()
        self.told_enough = False
        self.told_marks = False
        self.doubts: list[str] = []

    def run(self) -> None:
        """Ask until nothing is worth asking, the user stops, or the input ends."""
        while True:
            steps = self.triage.next_steps()
            step = next((s for s in steps if s.kind == "question" and s.id not in self.later), None)
            if step is None:
                click.echo("\nNothing more is worth asking.")
                if self.triage.ranking()[0].probability >= ENOUGH:
                    click.echo("The first suspect is as good as proved; the cure is below.")
                return
            if self.triage.enough and not self.told_enough:
                self.told_enough = True
                click.echo("\nThe first suspect is clear enough to test (t); go on answering if you like, q to stop.")
            if steps[0].kind == "marks" and not self.told_marks:
                self.told_marks = True
                click.echo()
                _say("Best of all now: measure where the marks are (m); a ruler and some minutes will do.")
            question = self.triage.question(step.id)
            self._show(question)
            if not self._dialogue(question, step):
                return

    def _show(self, question: Question) -> None:
        click.echo()
        _say(question.ask)
        if question.look:
            _say(question.look, 4)
        for number, answer in enumerate(question.answers, 1):
            picture = f"{answer.picture}   " if answer.picture else ""
            click.echo(f"  {number:>2}  {picture}{answer.say}")
        several = "; several numbers may hold, - for none" if question.kind == "several" else ""
        click.echo(f"   0  can't tell          w why   b back   q stop   ? more{several}")

    def _dialogue(self, question: Question, step: NextStep) -> bool:
        """Read lines until the question is done with; returns False when the user stops."""
        while True:
            click.echo("> ", nl=False)
            line = sys.stdin.readline() if sys.stdin else ""
            if not line:
                click.echo()
                return False
            said = _echoed(line)
            if said == "q":
                return False
            try:
                if self._command(said, question, step):
                    return True
            except BadInput as error:
                _say(f"{error}" + (f" ({error.hint})" if error.hint else ""), 2)
            except (KeyboardInterrupt, Cancelled):
                click.echo("\n  stopped reading; nothing was changed")

    def _command(self, said: str, question: Question, step: NextStep) -> bool:
        """Carry out one line; returns True when the next question is due."""
        triage = self.triage
        word, _, rest = said.partition(" ")
        if not said:
            return False
        if word == "s":
            self.later.add(question.id)
            return True
        if word == "b":
            if not triage.undo():
                click.echo("  nothing to take back")
                return False
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
        return self._answer(said, question)

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
            _say(alarm, 2)
            _say("Go on here only once that is done.", 2)
        self._now()
        return True

    def _tell(self, word: str, step: NextStep) -> None:
        triage = self.triage
        leader = triage.ranking()[0].id
        if word == "?":
            click.echo(HELP)
        elif word == "w":
            apart = f" It tells apart: {' / '.join(step.tells_apart)}." if step.tells_apart else ""
            _say(f"It is expected to tell {step.bits:.2f} bits for {step.minutes:g} min.{apart}", 2)
        elif word == "r":
            for line in words.ranking(triage):
                click.echo(line)
        elif word == "l":
            for line in words.ledger(triage, leader):
                click.echo(line)
        elif word == "d":
            for given in triage.given():
                note = "" if given.counts else f"  (does not count: {given.why})"
                _say(f"{given.ask}  {given.say}{note}", 2, 4)
        else:
            if triage.alarms():
                _say("Tests that run the machine are left out while there is danger.", 2)
            for view in triage.confirming(leader):
                for line in words.test(view):
                    click.echo(line)
            click.echo("  Remedies")
            for remedy in triage.remedies(leader):
                for line in words.remedy(remedy):
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
            typed = _typed()
            if not typed:
                click.echo("  no marks were typed; nothing was changed")
                return False
            marks = triage.typed_marks(typed, zero, turn)
        weighed, why = None, "They say something once the job file is attached: j FILE."
        try:
            weighed = triage.weigh(marks, progress=progress(False))
        except BadInput as error:  # what somebody measured is not lost because a file has moved
            why = f"They cannot be held against the job file: {error}. Attach it again: j FILE."
        triage.put_marks(marks, weighed, _unquoted(name) or "typed")
        click.echo(f"  {times(len(marks), 'mark')} taken" + (f", {weighed['placed']} on the part" if weighed else ""))
        _say(weighed["verdict"] if weighed else why, 2)
        return True

    def _now(self) -> None:
        for suspect in self.triage.ranking()[:SHOWN]:
            _say(f"{percent(suspect.probability):>7}  {decibans(suspect.change)} dB  {suspect.name}", 2, 21)
        if self.triage.unexplained > self.triage.ranking()[SHOWN - 1].probability:
            _say(f"{percent(self.triage.unexplained):>7}  {' ' * 9}  something not in the rules", 2)
        doubts = self.triage.doubts()
        for doubt in doubts:
            if doubt not in self.doubts:
                _say(f"note: {doubt}", 2, 6)
        self.doubts = doubts


def _held(said: str) -> tuple[str, str | None, str | None]:
    """Return a file name without the words behind it that say how the part was held, and those words."""
    words, zero, turn = said.split(), None, None
    while words and words[-1] in (*ZEROS, *TURNS):
        last = words.pop()
        zero, turn = (last, turn) if last in ZEROS else (zero, last)
    return said if not (zero or turn) else " ".join(words), zero, turn


def _typed() -> list[str]:
    """Read marks, one a line, until an empty line or the end of the input."""
    click.echo("  One mark a line: its height in mm, and how far round in degrees, such as 12.4 @ 35;")
    click.echo("  the height alone will do. An empty line ends it.")
    lines: list[str] = []
    while True:
        click.echo(f"  {len(lines) + 1}: ", nl=False)
        line = sys.stdin.readline() if sys.stdin else ""
        said = _echoed(line)
        if not said:
            return lines
        try:
            Triage.typed_marks([said])
        except BadInput as error:
            _say(f"{error}" + (f" ({error.hint})" if error.hint else ""), 2)
            continue
        lines.append(said)


def _echoed(line: str) -> str:
    """Return a line without its end; what came through a pipe is shown as if it had been typed."""
    said = line.strip()
    if not line or not sys.stdin.isatty():
        click.echo(said)
    return said


def _unquoted(path: str) -> str:
    """Return a path without the quotes that terminals put round what is dragged into them."""
    path = path.strip()
    return path[1:-1] if len(path) > 2 and path[0] == path[-1] and path[0] in "'\"" else path


def _say(text: str, by: int = 0, hang: int = 0) -> None:
    for line in words.indented(text, by, hang):
        click.echo(line)


def _attach(triage: Triage, path: str) -> None:
    _take(triage, triage.read_job(path, progress(False)))


def _take(triage: Triage, job: Job) -> None:
    triage.attach(job)
    click.echo(f"  read {job.file.path}: {len(job.findings)} findings")
    if triage.weighed is not None:
        _say(str(triage.weighed.told["verdict"]), 2)
    if not triage.case.printer:
        click.echo("  no printer card is chosen, so nothing is said of stops: `p CARD`, then `j FILE` again")
