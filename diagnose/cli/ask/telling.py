"""What the interview says of a case: for the eye, or in sentences for whoever has them read aloud."""

from __future__ import annotations

from collections.abc import Sequence

import click

from diagnose.cli import words
from diagnose.cli.ask.orders import ORDERS
from diagnose.cli.lines import say
from diagnose.knowledge.models import Question
from diagnose.triage import NextStep, Triage
from diagnose.triage.explain import say_result
from diagnose.triage.manual import Section
from diagnose.triage.similar import similar_to
from diagnose.triage.wording import decibans, percent

SHOWN = 3
"""Suspects named after each answer."""
RANKED = 8
STEPS = 20


class Teller:
    """Says things. ``spoken``: in whole sentences, a thing a line, without pictures, bars, columns or signs."""

    def __init__(self, spoken: bool) -> None:
        self.spoken = spoken

    def question(self, question: Question) -> None:
        """Say a question, how to look, and its answers."""
        click.echo()
        say(f"Question: {question.ask}" if self.spoken else question.ask)
        if question.look:
            say(f"How to look: {question.look}" if self.spoken else question.look, 0 if self.spoken else 4)
        for number, answer in enumerate(question.answers, 1):
            if self.spoken:
                say(f"{number}: {_sentence(answer.say)}")
            else:
                picture = f"{answer.picture}   " if answer.picture else ""
                click.echo(f"  {number:>2}  {picture}{answer.say}")
        several = question.kind == "several"
        if self.spoken:
            say("0: I can't tell.")
            say("Several numbers may hold, with blanks between them; a hyphen for none." if several else "Type a number, why, back, or help.")
        else:
            click.echo(f"   0  can't tell          w why   b back   q stop   ? more{'; several numbers may hold, - for none' if several else ''}")

    def now(self, triage: Triage) -> None:
        """Say the first suspects and what the last thing done did to them."""
        for place, suspect in enumerate(triage.ranking()[:SHOWN]):
            if self.spoken:
                moved = f", moved by {in_words(suspect.change)}" if abs(suspect.change) >= 0.05 else ""
                say(f"{'Now first' if place == 0 else 'Then'}: {suspect.name}, {percent(suspect.probability).replace('%', 'percent')}{moved}.")
            else:
                say(f"{percent(suspect.probability):>7}  {decibans(suspect.change)} dB  {suspect.name}", 2, 21)
        if triage.unexplained > triage.ranking()[SHOWN - 1].probability:
            share = percent(triage.unexplained)
            if self.spoken:
                say(f"Something not in the rules: {share.replace('%', 'percent')}.")
            else:
                say(f"{share:>7}  {' ' * 9}  something not in the rules", 2)

    def help(self) -> None:
        """Say what can be typed."""
        say("A number takes that answer; several, like 1 3, where several may hold; - for none; 0 when you cannot tell. The words of an "
            "answer, or the beginning of them, will do too.", 2)  # fmt: skip
        for order in ORDERS:
            names = f"{order.word} {order.takes}".strip()
            if self.spoken:
                say(f"{names}{f', or {order.letter}' if order.letter else ''}: {order.about}.")
            else:
                say(f"{names:<18} {order.letter or ' '}  {order.about}", 2, 22)

    def why(self, question: Question | None, step: NextStep | None) -> None:
        """Say what the answer of the open question is worth."""
        if question is None:
            say("No question is open.", 2)
            return
        if any(answer.stop for answer in question.answers):
            say("One of its answers means danger: it is asked early, whatever else it tells.", 2)
        if step is None:
            say("You chose this question yourself; it is not one that would tell much now.", 2)
            return
        say(f"Its answer is expected to tell {step.bits:.2f} bits about which cause it is (one bit halves the doubt), for {step.minutes:g} min "
            "of your time.", 2)  # fmt: skip
        if step.tells_apart:
            say(f"It would best tell apart: {'; '.join(step.tells_apart)}.", 2)

    def ranking(self, triage: Triage) -> None:
        """Say the ranking."""
        if not self.spoken:
            for line in words.ranking(triage):
                click.echo(line)
            return
        for place, suspect in enumerate(triage.ranking()[:RANKED], 1):
            say(f"{place}: {suspect.name}, {percent(suspect.probability).replace('%', 'percent')}.")
        say(f"Something not in the rules: {percent(triage.unexplained).replace('%', 'percent')}.")

    def ledger(self, triage: Triage, cause: str) -> None:
        """Say everything for and against a cause."""
        if not self.spoken:
            for line in words.ledger(triage, cause):
                click.echo(line)
            return
        say(f"Why {triage.cause(cause).name}. Ten decibans make ten to one.")
        for told in triage.ledger(cause):
            if told.source == "rate" or abs(told.decibans) >= words.WORTH_A_LINE:
                say(f"{in_words(told.decibans).capitalize()}, {told.strength}: {_sentence(told.say)} {_sentence(told.because)}")

    def given(self, triage: Triage) -> None:
        """Say everything answered and found, numbered."""
        given = triage.given()
        if not given:
            say("Nothing was answered yet.", 2)
        for number, one in enumerate(given, 1):
            note = "" if one.counts else f" It does not count: {one.why}." if self.spoken else f"  (does not count: {one.why})"
            if self.spoken:
                say(f"{number}: {one.ask} {_sentence(one.say)}{note}")
            else:
                say(f"{number:>3}  {one.ask}  {one.say}{note}", 2, 5)

    def steps(self, steps: Sequence[NextStep]) -> None:
        """Say what is worth looking at next, numbered."""
        if not steps:
            say("Nothing more is worth looking at.", 2)
        for number, step in enumerate(steps[:STEPS], 1):
            worth = f"{step.bits:.2f} bits, {step.minutes:g} min"
            say(f"{number}: {step.ask} {_sentence(worth)}" if self.spoken else f"{number:>3}  {step.ask}  ({worth})", 0 if self.spoken else 2, 0 if self.spoken else 5)

    def tests(self, triage: Triage, cause: str) -> None:
        """Say how to confirm and cure a cause."""
        if triage.alarms():
            say("Tests that run the machine are left out while there is danger.", 2)
        click.echo(f"  {triage.cause(cause).name}")
        for view in triage.confirming(cause):
            for line in words.test(view):
                click.echo(line)
        click.echo("  Remedies")
        for remedy in triage.remedies(cause):
            came = triage.case.tried.get(remedy.id)
            for line in words.remedy(remedy, say_result(came) if came else ""):
                click.echo(line)

    def manual(self, sections: Sequence[Section]) -> None:
        """Say an entry of the rules."""
        for section in sections:
            click.echo()
            say(_sentence(section.title) if self.spoken else section.title)
            for line in section.lines:
                say(f"CAUTION: {line.text}" if line.tone == "caution" else line.text, 0 if self.spoken else 2 + 2 * line.inside)

    def similar(self, triage: Triage) -> None:
        """Say which solved cases are like this one."""
        k, found = triage.knowledge, similar_to(triage)
        if not found:
            say("No solved case of this casebook is like it yet.", 2)
        for one in found:
            remedy = k.remedies.get(one.case.cured.remedy) if one.case.cured else None
            was = k.causes[one.cause].name if one.cause in k.causes else one.cause
            cured = f"; cured by: {remedy.name}" if remedy else ""
            say(f"{one.case.title or one.case.id} (distance {one.distance:.2f}; 0 is the same, 1 nothing in common). It was: {was}{cured}", 2, 2)

    def doubts(self, triage: Triage) -> None:
        """Say what is to be done or looked at again."""
        said = [*(f"Make safe first. {alarm}" for alarm in triage.alarms()), *triage.doubts()]
        for line in said or ["There is no doubt to tell of."]:
            say(line, 2, 2)


def in_words(value: float) -> str:
    """Return decibans as they are read aloud."""
    return f"{'plus' if value >= 0 else 'minus'} {abs(value):.1f} decibans"


def _sentence(text: str) -> str:
    text = text.strip()
    return text if not text or text[-1] in ".?!" else f"{text}."
