"""``diagnose rules add``: rules from the shop floor, asked for in numbers that people can give."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from datetime import date
from pathlib import Path
from typing import Any, TypeVar

import click

from diagnose.cli.common import quiet_option, rules_option
from diagnose.cli.lines import say
from diagnose.cli.rules import form
from diagnose.cli.rules.form import Form
from diagnose.cli.rules.keep import Place, keep
from diagnose.errors import BadInput, nearest
from diagnose.knowledge.check import load_checked
from diagnose.knowledge.models import RATES, Evidence, Finding, Question
from diagnose.knowledge.pack import Knowledge
from diagnose.knowledge.scaffold import Draft, add_entry, add_evidence
from diagnose.reasoning.counts import Turned, before_the_sign, turn
from diagnose.reasoning.ledger import strength
from diagnose.reasoning.network import UNEXPLAINED_SHARE, compile_network
from diagnose.triage.manual import weigh
from diagnose.triage.wording import decibans, percent

F = TypeVar("F", bound=Callable[..., Any])
EFFORTS = {
    "glance": "a glance at the part", "recall": "something one knows", "handle": "a touch, a few minutes",
    "measure": "measuring, some ten minutes", "reprint": "a print",
}  # fmt: skip


@click.group()
def add() -> None:
    """Write a cause, question, line of evidence, example or printer into your own rules.

    Without options you are asked for everything. Frequencies are said as people say them: of ten prints with this cause,
    how many show it? The rules are checked before anything is written, and you see which rankings move.
    """


def _place_options(command: F) -> F:
    command = click.option("--into", metavar="DIR", type=click.Path(path_type=Path), help="The folder of rules to write into. [default: your own]")(command)
    command = click.option("--dry-run", "dry", is_flag=True, help="Show what would be written and what it would change.")(command)
    return quiet_option(rules_option(command))


@add.command()
@click.option("--name", metavar="TEXT", help="What it is called, in a few words.")
@click.option("--id", "id", metavar="ID", help="Its id. [default: made from the name]")
@click.option("--about", metavar="TEXT", help="What happens, in a sentence or two.")
@click.option("--family", metavar="ID", help="The group it belongs to. [default: shop]")
@click.option("--rate", type=click.Choice(list(RATES)), help="How common it is among bad prints of any kind.")
@click.option("--defect", "defects", multiple=True, metavar="DEFECT=HOW OFTEN", help="What its prints look like first of all, and in how many of ten; repeatable.")
@click.option("--evidence", "lines", multiple=True, metavar="QUESTION=ANSWER, HOW OFTEN, WHY", help="A sign of it; repeatable.")
@click.option("--misleads", metavar="TEXT", help="What makes people suspect it wrongly, or overlook it.")
@click.option("--test", "tests", multiple=True, metavar="ID", help="A confirming test of the rules; repeatable.")
@click.option("--remedy", "remedies", multiple=True, metavar="ID", help="A remedy of the rules; repeatable.")
@_place_options
def cause(
    name: str | None, id: str | None, about: str | None, family: str | None, rate: str | None, defects: tuple[str, ...],
    lines: tuple[str, ...], misleads: str | None, tests: tuple[str, ...], remedies: tuple[str, ...], into: Path | None,
    dry: bool, packs: tuple[Path, ...], quiet: bool,
) -> None:  # fmt: skip
    """Add a cause: what it is, how common, what its prints look like, and what tells it from others."""
    place = Place.of(into, packs)
    k = load_checked(place.in_force)
    f = Form(form.may_ask(name, about, rate, defects, lines))
    entry: dict[str, Any] = {}
    name = f.get("--name", name, "What is the cause called? A few words, as one would say it in the shop.", form.text)
    entry["id"] = f.get("--id", id or form.slug(name or ""), "", form.new_id(k.causes, "cause"))
    entry["name"] = name
    entry["family"] = form.slug(family) if family else "shop"
    entry["about"] = f.get("--about", about, "What happens when it is at work? A sentence or two.", form.text)
    entry["rate"] = _rate(f, k, rate)
    entry["defects"] = _defects(f, k, defects)
    given = [_line_of(k, said) for said in lines]
    if not given and f.asking:
        given = _ask_lines(f, k, entry)
    entry["evidence"] = given
    if misleads or f.asking:
        entry["misleads"] = f.get("--misleads", misleads, "What makes people suspect it wrongly, or overlook it? (Enter to leave it out)", form.text, optional=True)
    entry["confirm"] = [_known("--test", test, k.tests) for test in tests]
    entry["remedies"] = [_known("--remedy", remedy, k.remedies) for remedy in remedies]
    entry["source"] = "common practice"
    keep(place, k, [add_entry(place.pack, "causes", entry, [_stamp()])], quiet=quiet, dry=dry)


@add.command()
@click.option("--ask", "ask", metavar="TEXT", help="The question, as it is put to somebody at the printer.")
@click.option("--id", "id", metavar="ID", help="Its id. [default: made from the question]")
@click.option("--look", metavar="TEXT", help="How to find the answer.")
@click.option("--effort", type=click.Choice(list(EFFORTS)), help="What it takes to answer.")
@click.option("--answer", "answers", multiple=True, metavar="ID=TEXT, HOW OFTEN", help="An answer, and in how many of ten prints whose cause has nothing to do with it; repeatable.")
@click.option("--ask-if", "gate", multiple=True, metavar="QUESTION=ANSWER", help="Ask it only where another question has this answer; repeatable.")
@_place_options
def question(
    ask: str | None, id: str | None, look: str | None, effort: str | None, answers: tuple[str, ...], gate: tuple[str, ...],
    into: Path | None, dry: bool, packs: tuple[Path, ...], quiet: bool,
) -> None:  # fmt: skip
    """Add a question: what is asked, its answers, and how usual each is."""
    place = Place.of(into, packs)
    k = load_checked(place.in_force)
    f = Form(form.may_ask(ask, effort, answers))
    text = f.get("--ask", ask, "What is asked? One sentence, as you would say it to somebody at the printer.", form.text) or ""
    if id is None and f.asking:
        id = f.ask("--id", f"An id for it: a few words joined by `-`. (Enter takes {form.slug(text)})", form.slug, optional=True)
    entry: dict[str, Any] = {"id": f.get("--id", id or form.slug(text), "", form.new_id({**k.questions, **k.findings}, "question")), "ask": text}
    entry["look"] = f.get("--look", look, "How does one find out? (Enter to leave it out)", form.text, optional=True)
    if effort is None and f.asking:
        form.show_list(EFFORTS)
    entry["effort"] = f.get("--effort", effort, "What does it take to answer? A number of the list.", form.one_of(EFFORTS, "effort"))
    conditions: dict[str, list[str]] = {}
    for said in gate:
        about, answer = _sign(k, said)
        conditions.setdefault(about, []).append(answer)
    entry["ask_if"] = _short(conditions)
    entry["answers"] = [_answer_of(said) for said in answers] or _ask_answers(f)
    keep(place, k, [add_entry(place.pack, "questions", entry, [_stamp()])], quiet=quiet, dry=dry)


@add.command()
@click.argument("cause", metavar="CAUSE")
@click.option("--sign", metavar="QUESTION=ANSWER", help="The question and the answer that speaks for or against it.")
@click.option("--seen", metavar="HOW OFTEN", help="Of ten prints with this cause, how many show it: 8 in 10, 0.8, mostly.")
@click.option("--counted", metavar="N of M", help="Instead: of M prints that showed it, N had this cause.")
@click.option("--among", metavar="DEFECT", help="With --counted: the main defect of the prints that were counted.")
@click.option("--given", multiple=True, metavar="QUESTION=ANSWER", help="It holds only where this is so; repeatable.")
@click.option("--because", metavar="TEXT", help="Why: one sentence that a practitioner would accept.")
@_place_options
def evidence(
    cause: str, sign: str | None, seen: str | None, counted: str | None, among: str | None, given: tuple[str, ...],
    because: str | None, into: Path | None, dry: bool, packs: tuple[Path, ...], quiet: bool,
) -> None:  # fmt: skip
    """Add a line of evidence to a cause, or put it in the place of the line there is.

    A cause of another pack is not changed: the line goes into an adjustment of it in your own rules.
    """
    place = Place.of(into, packs)
    k = load_checked(place.in_force)
    _known("CAUSE", cause, k.causes)
    if seen and counted:
        raise BadInput("--seen and --counted say the same in two ways", "keep one of them", "--counted")
    f = Form(form.may_ask(sign, seen, counted, because))
    about, answer = _sign(k, sign) if sign else _ask_sign(f, k) or ("", "")
    if not about:
        raise BadInput("no question was chosen; nothing was written", "say --sign QUESTION=ANSWER")
    notes = [_stamp()]
    if counted:
        told = form.counted(f"{counted} were it")
        if told is None:
            raise BadInput(f"{counted!r} is no count", "write --counted '3 of 4'", "--counted")
        seen = _from_counts(k, cause, (about, answer), told, among, notes)
    line = _ask_line(f, k, cause, (about, answer), seen, because, notes)
    if given:
        conditions: dict[str, list[str]] = {}
        for said in given:
            context, holds = _sign(k, said)
            conditions.setdefault(context, []).append(holds)
        line = {**{key: line[key] for key in line if key != "because"}, "given": _short(conditions), "because": line["because"]}
    if not quiet:
        _say_weight(k, cause, line)
    keep(place, k, [add_evidence(place.pack, k, cause, line, notes)], quiet=quiet, dry=dry)


@add.command()
@click.option("--name", metavar="TEXT", help="What the case was, in a line.")
@click.option("--answer", "answers", multiple=True, metavar="QUESTION=ANSWER", help="An answer of the case; repeatable.")
@click.option("--first", metavar="CAUSE", help="The cause that must come first.")
@click.option("--never", metavar="CAUSE", help="The cause that must have 5 % at most.")
@_place_options
def example(
    name: str | None, answers: tuple[str, ...], first: str | None, never: str | None, into: Path | None, dry: bool,
    packs: tuple[Path, ...], quiet: bool,
) -> None:  # fmt: skip
    """Add a worked example: the answers of a case of yours, and the cause that must come first in it.

    `diagnose rules test` runs it from then on, so that no later change spoils it unseen.
    """
    place = Place.of(into, packs)
    k = load_checked(place.in_force)
    f = Form(form.may_ask(name, answers, first, never))
    entry: dict[str, Any] = {"name": f.get("--name", name, "What was the case, in a line?", form.text)}
    if any(e.name == entry["name"] for e in k.examples):
        raise BadInput(f"there is an example {entry['name']!r} already", "give it another name", "--name")
    said: dict[str, list[str]] = {}
    for one in answers:
        about, answer = _sign(k, one, questions_only=True)
        said.setdefault(about, []).append(answer)
    while f.asking and not answers:
        sign = _ask_sign(f, k, "Which question was answered? Some words of it, or its id. (Enter when that is all)", defect_first=not said)
        if sign is None:
            break
        said.setdefault(sign[0], []).append(sign[1])
    entry["answers"] = _short(said)
    expect: list[dict[str, Any]] = []
    if first is None and never is None:
        first = f.ask("--first", "Which cause was it? Its id.", lambda line: _known("CAUSE", line, k.causes))
    if first:
        expect.append({"first": _known("--first", first, k.causes)})
    if never:
        expect.append({"not_above": 0.05, "cause": _known("--never", never, k.causes)})
    entry["expect"] = expect[0] if len(expect) == 1 else expect
    keep(place, k, [add_entry(place.pack, "examples", entry, [_stamp()])], quiet=quiet, dry=dry)


@add.command()
@click.argument("id", metavar="ID")
@click.option("--from", "job", metavar="JOB", type=click.Path(path_type=Path), help="Take what this job's own settings say.")
@click.option("--like", metavar="ID|FILE", default=None, help="The card to start from.")
@click.option("--name", metavar="TEXT", help="What to call the printer.")
@_place_options
def printer(
    id: str, job: Path | None, like: str | None, name: str | None, into: Path | None, dry: bool, packs: tuple[Path, ...], quiet: bool
) -> None:  # fmt: skip
    """Add a printer card, every number explained; from then on --printer ID means it."""
    from diagnose.cli.common import progress
    from diagnose.triage import card, newcard

    place = Place.of(into, packs)
    k = load_checked(place.in_force)
    form.new_id(k.printers, "printer card")(id)
    start = card(k, like) if like else next(iter(k.printers.values()))
    made = newcard.make(id, name, start, job, list(k.printers.values()), progress(quiet))
    newcard.check(made, k)
    keep(place, k, [Draft(place.pack / "printers" / f"{id}.yaml", None, made.text, "printers", id)], quiet=quiet, dry=dry)


def _short(many: Mapping[str, list[str]]) -> dict[str, str | list[str]]:
    """Return lists of one as the one."""
    return {key: values[0] if len(values) == 1 else values for key, values in many.items()}


def _stamp() -> str:
    return f"added {date.today():%Y-%m-%d}"


def _known(option: str, id: str, entries: Mapping[str, object]) -> str:
    if id not in entries:
        raise BadInput(f"the rules have no {id!r}", nearest(id, entries) or "`diagnose rules list` shows every id", option)
    return id


def _rate(f: Form, k: Knowledge, given: str | None) -> str:
    total = sum(RATES[c.rate] for c in k.causes.values())
    words = {word: f"{word}: about {percent((1 - UNEXPLAINED_SHARE) * n / (total + n))} of all bad prints" for word, n in RATES.items()}
    if given is None and f.asking:
        form.show_list(words)
    return f.get("--rate", given, "How common is it among bad prints of any kind? A number of the list.", form.one_of(words, "rate")) or ""


def _defects(f: Form, k: Knowledge, given: Sequence[str]) -> dict[str, str]:
    question = k.by_role("defect")
    known = {a.id: a.say for a in question.answers} if question else {}
    if given:
        found = {}
        for said in given:
            defect, sign, often = said.partition("=")
            if not sign:
                raise BadInput(f"{said!r} does not say how often", "write --defect 'blobs=6 in 10'", "--defect")
            found[_known("--defect", defect.strip(), known)] = f.get("--defect", often, "", form.frequency) or ""
        return found
    if f.asking:
        form.heading("What do its prints look like?")
        form.show_list(known)
    chosen = f.ask("--defect", "Which of these does it leave? Numbers, most frequent first.", form.some_of(known, "defect")) or []
    return {
        defect: f.ask("--defect", f"{known[defect]}: of ten prints with this cause, in how many is that the first thing one sees?", form.frequency) or ""
        for defect in chosen
    }


def _sign(k: Knowledge, said: str, *, questions_only: bool = False) -> tuple[str, str]:
    """Read ``question=answer``."""
    about, sign, answer = (part.strip() for part in said.partition("="))
    if not sign:
        raise BadInput(f"{said!r} is no sign", "write QUESTION=ANSWER", said)
    asked = k.questions.get(about) if questions_only else k.asked(about)
    if asked is None:
        known = [*k.questions, *(() if questions_only else k.findings)]
        raise BadInput(f"there is no question {about!r}", nearest(about, known) or "`diagnose rules list questions` shows every one", said)
    if answer not in [a.id for a in asked.answers]:
        names = [a.id for a in asked.answers]
        raise BadInput(f"{about!r} has no answer {answer!r}", f"{nearest(answer, names)} its answers are: {', '.join(names)}".strip(), said)
    return about, answer


def _line_of(k: Knowledge, said: str) -> dict[str, Any]:
    """Read a whole line of evidence: ``question=answer, how often, why``."""
    parts = [part.strip() for part in said.split(",", 2)]
    if len(parts) != 3:
        raise BadInput(f"{said!r} is no line of evidence", "write --evidence 'QUESTION=ANSWER, 8 in 10, the reason'", "--evidence")
    about, answer = _sign(k, parts[0])
    try:
        return _as_line(k, about, answer, form.frequency(parts[1]), form.text(parts[2]))
    except BadInput as fault:
        raise BadInput(fault.what, fault.hint, "--evidence") from None


def _as_line(k: Knowledge, about: str, answer: str, seen: str, because: str) -> dict[str, Any]:
    kind = "question" if about in k.questions else "finding"
    return {kind: about, "answer": answer, "seen": seen, "because": because}


def _ask_lines(f: Form, k: Knowledge, entry: Mapping[str, Any]) -> list[dict[str, Any]]:
    form.heading("What tells it from other causes? Three signs at least, each a question and an answer.")
    lines: list[dict[str, Any]] = []
    while True:
        sign = _ask_sign(f, k, f"Sign {len(lines) + 1}: some words of the question, or its id. (Enter when that is all)")
        if sign is None:
            return lines
        lines.append(_ask_line(f, k, str(entry["name"]), sign, None, None, []))


def _ask_sign(
    f: Form, k: Knowledge, prompt: str = "Which question? Some words of it, or its id.", *, defect_first: bool = False
) -> tuple[str, str] | None:
    """Return a question and one of its answers, searched for by words; None where nothing more is to be said."""
    defect = k.by_role("defect")
    if defect_first and defect is not None:
        asked: Question | Finding = defect
    else:
        about = f.ask("--sign", prompt, _Search(k), optional=True)
        if about is None:
            return None
        found = k.asked(about)
        assert found is not None
        asked = found
    say(asked.ask if isinstance(asked, Question) else asked.name)
    answers = form.show_answers(asked)
    answer = f.ask("--sign", "Which answer? A number of the list.", form.one_of(answers, "answer"))
    return asked.id, answer or ""


class _Search:
    """Reads the question that words, an id, or a number of the list last shown mean."""

    def __init__(self, k: Knowledge) -> None:
        self.k = k
        self.shown: list[str] = []

    def __call__(self, line: str) -> str:
        if line.isdigit() and 1 <= int(line) <= len(self.shown):
            return self.shown[int(line) - 1]
        if self.k.asked(line) is not None:
            return line
        found = form.search(self.k, line)
        if not found:
            raise BadInput(f"no question speaks of {line!r}", "try other words; `diagnose rules list questions` shows every one")
        self.shown = list(found)
        form.show_list(found)
        raise BadInput("which of these?", "write its number, or other words")


def _ask_line(
    f: Form, k: Knowledge, cause: str, sign: tuple[str, str], seen: str | None, because: str | None, notes: list[str]
) -> dict[str, Any]:
    about, answer = sign
    name = k.causes[cause].name if cause in k.causes else cause

    def often(line: str) -> str:
        told = form.counted(line)
        if told is None:
            return form.frequency(line)
        if cause not in k.causes:
            raise BadInput("counts are turned into a frequency for causes that the rules have already", "say of ten prints with this cause how many show it")
        return _from_counts(k, cause, sign, told, None, notes)

    said = f.get(
        "--seen", seen, f"Of ten prints with the cause “{name}”, how many show it? (a number, 8 of 10, mostly; or 3 of 4 were it)", often
    )  # fmt: skip
    reason = f.get("--because", because, "Why? One sentence that somebody in the trade would accept.", form.text)
    return _as_line(k, about, answer, said or "", reason or "")


def _from_counts(
    k: Knowledge, cause: str, sign: tuple[str, str], told: tuple[int, int], among: str | None, notes: list[str]
) -> str:
    """Return how often the cause shows a sign, from how many prints that showed it had the cause."""
    some, of = told
    network = compile_network(k)
    defect = k.by_role("defect")
    if among is not None and defect is not None:
        _known("--among", among, {a.id: a for a in defect.answers})
    found = turn(some, of, *before_the_sign(k, network, cause, sign, among))
    for line in explain_counts(found, some, of):
        say(line, 2, 2)
    if found.low > 1:
        raise BadInput(
            f"{some} of {of} cannot come from this sign alone",
            "if the counts are right the cause is commoner in your shop than the rules say: give it another `rate` under `adjust:`",
            "--counted",
        )
    seen = min(found.seen, 0.99)
    notes.append(f"{some} of {of} prints that showed it had this cause; share before {percent(found.base)}, usual {percent(found.usual)}")
    return f"{100 * seen:.0f} in 100"


def explain_counts(found: Turned, some: int, of: int) -> list[str]:
    """Return in sentences what counts say and what they do not."""
    return [
        f"{some} of {of} prints that showed it had the cause. That is the share of the cause among them, not how often the cause shows it.",
        f"Before the sign is looked at the cause has {percent(found.base)} of such prints, and {percent(found.usual)} of prints with "
        f"other causes show it.",
        f"So of 100 prints with the cause about {100 * min(found.seen, 0.99):.0f} show it; {of} prints leave open anything from "
        f"{100 * min(max(found.low, 0.01), 0.99):.0f} to {100 * min(found.high, 0.99):.0f}.",
    ]


def _say_weight(k: Knowledge, cause: str, line: Mapping[str, Any]) -> None:
    weighed = weigh(k, k.causes[cause], Evidence.model_validate({**line, "seen": str(line["seen"])}))
    said = decibans(weighed.seen).replace(" ", "")
    usual = f"{100 * weighed.usual:.0f} of 100 other prints show it too"
    other = "" if weighed.otherwise is None else f"; any other answer {decibans(weighed.otherwise).replace(' ', '')} dB"
    say(f"{usual}: seeing it weighs {said} dB ({strength(weighed.seen)}){other}", 2, 2)


def _answer_of(said: str) -> dict[str, Any]:
    """Read an answer: ``id=text, how often``; without how often the answers share the rest."""
    id, sign, rest = said.partition("=")
    if not sign:
        raise BadInput(f"{said!r} is no answer", "write --answer 'musty=It smells musty, 1 in 20'", "--answer")
    words, comma, often = rest.rpartition(",")
    try:
        return {"id": form.slug(id), "say": form.text(words), "usual": form.frequency(often)} if comma else {"id": form.slug(id), "say": form.text(rest)}
    except BadInput as fault:
        raise BadInput(fault.what, fault.hint, "--answer") from None


def _ask_answers(f: Form) -> list[dict[str, Any]]:
    form.heading("Its answers: two at least, in few words. “I cannot tell” is always there by itself.")
    answers: list[dict[str, Any]] = []
    while True:
        words = f.ask("--answer", f"Answer {len(answers) + 1}" + (". (Enter when that is all)" if len(answers) > 1 else "."), form.text, optional=len(answers) > 1)
        if words is None:
            return answers
        id = form.slug(words)
        if any(a["id"] == id for a in answers):
            say("that answer is there already", 2)
            continue
        usual = f.ask("--answer", "Of ten prints whose cause has nothing to do with it, how many give this answer? (Enter: an equal share)", form.frequency, optional=True)
        answers.append({"id": id, "say": words, "usual": usual} if usual else {"id": id, "say": words})
