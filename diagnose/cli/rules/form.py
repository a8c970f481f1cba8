"""Asking for what an entry needs: given as an option, or typed; asked again until it can be used."""

from __future__ import annotations

import re
import sys
from collections.abc import Callable, Mapping, Sequence
from typing import Any, TypeVar

import click
from pydantic_core import PydanticCustomError

from diagnose.cli.lines import say, typed
from diagnose.errors import BadInput
from diagnose.knowledge.frequency import Frequency
from diagnose.knowledge.models import Finding, Question
from diagnose.knowledge.pack import Knowledge
from diagnose.triage.wording import often

T = TypeVar("T")
MOST_FOUND = 9
SAY_NOTHING = frozenset(["a", "an", "and", "are", "at", "does", "for", "from", "how", "in", "is", "it", "of", "on", "or", "that", "the", "to", "was", "what", "when", "where", "which", "with"])
COUNTED = re.compile(r"\s*(\d+)\s*(?:in|of)\s*(\d+)\s+(?:were|was|turned)\b.*", re.IGNORECASE)


class Form:
    """One entry in the making. ``asking`` is False where an option lacks and nobody may be asked for it."""

    def __init__(self, asking: bool) -> None:
        self.asking = asking

    def get(self, option: str, given: Any, prompt: str, read: Callable[[str], T], *, optional: bool = False) -> T | None:
        """Return what an option says or somebody types; None for an empty line where the value may be left out.

        Raises BadInput where an option cannot be used, or lacks and cannot be asked for.
        """
        if given is not None:
            try:
                return read(str(given))
            except BadInput as fault:
                raise BadInput(fault.what, fault.hint, option) from None
        if optional and not self.asking:
            return None
        return self.ask(option, prompt, read, optional=optional)

    def ask(self, option: str, prompt: str, read: Callable[[str], T], *, optional: bool = False) -> T | None:
        """Return what somebody types, asking again until it can be used."""
        if not self.asking:
            raise BadInput(f"{option} is missing", f"say {option}, or leave all options out to be asked")
        say(prompt)
        while True:
            line = typed("> ")
            if line is None and optional and not sys.stdin.isatty():
                return None  # a pipe that ends says no more
            if line is None:
                raise BadInput("the answers ended before the entry was whole; nothing was written", f"the next one was: {prompt}")
            if not line and optional:
                return None
            try:
                if not line:
                    raise BadInput("this cannot be left empty")
                return read(line)
            except BadInput as fault:
                say(f"{fault.what}" + (f" ({fault.hint})" if fault.hint else ""), 2)


def may_ask(*given: object) -> bool:
    """Return whether to ask for what lacks: only where no option was given at all, or somebody sits there."""
    return not any(given) or (sys.stdin is not None and sys.stdin.isatty())


def text(line: str) -> str:
    """Read a text of the rules."""
    return " ".join(line.split())


def slug(line: str) -> str:
    """Return words as an id."""
    words = re.findall(r"[a-z0-9]+", line.lower())
    words = words[1:] if len(words) > 1 and words[0] in ("a", "an", "the") else words
    if not words:
        raise BadInput(f"{line!r} makes no id", "write lower-case words joined by `-`")
    return "-".join(words[:6])


def new_id(known: Mapping[str, object], what: str) -> Callable[[str], str]:
    """Return a reader of ids that are not taken yet."""

    def read(line: str) -> str:
        id = slug(line)
        if id in known:
            raise BadInput(f"there is a {what} {id!r} already", "choose another id")
        return id

    return read


def frequency(line: str) -> str:
    """Read how often something is seen: ``8``, which is of ten, ``8 of 10``, ``0.8`` or a word; as rules write it."""
    said = line.strip().lower().replace(" of ", " in ").replace(" out in ", " in ")
    if re.fullmatch(r"\d+(\.\d+)?", said) and "." not in said and 0 <= int(said) <= 10:
        said = f"{said} in 10"
    try:
        Frequency.parse(said)
    except PydanticCustomError as fault:
        context = fault.context or {}
        raise BadInput(str(context.get("what", fault)), str(context.get("instead", ""))) from None
    return said


def counted(line: str) -> tuple[int, int] | None:
    """Return the counts of ``3 of 4 were it``: how many prints that showed a sign had the cause; None for other lines."""
    match = COUNTED.fullmatch(line)
    if match is None:
        return None
    some, of = int(match[1]), int(match[2])
    if not 0 <= some <= of or of == 0:
        raise BadInput(f"{some} of {of} cannot be", "write how many of the prints that showed it had the cause: 3 of 4 were it")
    return some, of


def one_of(known: Mapping[str, str], what: str) -> Callable[[str], str]:
    """Return a reader that takes a number of a list, or an id in it."""
    ids = list(known)

    def read(line: str) -> str:
        if line.isdigit() and 1 <= int(line) <= len(ids):
            return ids[int(line) - 1]
        if line in known:
            return line
        raise BadInput(f"{line!r} is no {what} of this list", f"write a number from 1 to {len(ids)}, or an id")

    return read


def some_of(known: Mapping[str, str], what: str) -> Callable[[str], list[str]]:
    """Return a reader of several, apart by spaces or commas."""
    one = one_of(known, what)
    return lambda line: list(dict.fromkeys(one(word) for word in re.split(r"[,\s]+", line.strip()) if word))


def show_list(known: Mapping[str, str]) -> None:
    """Show what can be chosen from, numbered."""
    for number, (id, said) in enumerate(known.items(), 1):
        say(f"{number:>3}  {said}  [{id}]", 0, 5)


def search(knowledge: Knowledge, words: str) -> dict[str, str]:
    """Return the questions and findings that speak of some words, best first: id to its text."""
    wanted = [w for w in re.findall(r"[a-z0-9]+", words.lower()) if w not in SAY_NOTHING] or [words.lower()]

    def score(asked: Question | Finding) -> int:
        name = _name(asked).lower()
        answers = " ".join(a.say for a in asked.answers).lower()
        return sum(4 * (w in asked.id.split("-")) + 3 * (w in name) + (w in answers) for w in wanted)

    everything: Sequence[Question | Finding] = [
        *(q for q in knowledge.questions.values() if q.role in (None, "material")), *(f for f in knowledge.findings.values() if not f.fills)
    ]  # fmt: skip
    found = sorted((q for q in everything if score(q)), key=lambda q: -score(q))
    return {asked.id: _name(asked) for asked in found[:MOST_FOUND]}


def _name(asked: Question | Finding) -> str:
    return asked.ask if isinstance(asked, Question) else asked.name


def show_answers(asked: Question | Finding) -> dict[str, str]:
    """Show the answers of a question with how usual each is; return id to text."""
    answers = {a.id: a.say for a in asked.answers}
    for number, answer in enumerate(asked.answers, 1):
        usual = answer.usual if answer.usual is None or not isinstance(answer.usual, dict) else answer.usual.get("other")
        told = f"   (usually {often(usual.said)})" if usual is not None else ""
        say(f"{number:>3}  {answer.say}  [{answer.id}]{told}", 0, 5)
    return answers


def yes(prompt: str) -> bool:
    """Return whether somebody agrees."""
    line = typed(prompt)
    return line is not None and line.strip().lower() in ("y", "yes")


def heading(words: str) -> None:
    """Set a part of a form apart."""
    click.echo()
    say(words)
