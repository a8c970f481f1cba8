"""A case from facts somebody already has: a file of answers, options of a command."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from diagnose.errors import BadInput, nearest
from diagnose.knowledge.pack import Knowledge
from diagnose.knowledge.reader import Document, read
from diagnose.knowledge.schema import answers_schema
from diagnose.reasoning.network import Network
from diagnose.reasoning.trials import RESULTS
from diagnose.triage.case import Triage

NONE_OF_THESE = "-"
"""What a command line says for none of the options of a question that takes several."""
FIELDS = ("answers", "tried", "job", "marks", "printer")
MARKS_FIELDS = ("file", "zero", "turn")
CASE_FIELDS = ("id", "source", "cause", "notes")
"""What a solved case says beside its answers; whoever ranks it again wants to see the cause found, not told."""


@dataclass(slots=True)
class Facts:
    """What is known of a print: answers by question, remedies tried, and the files that go with it."""

    answers: dict[str, list[str]] = field(default_factory=dict)
    job: str | None = None
    printer: str | None = None
    marks: str | None = None
    """CSV file of marks measured on the part."""
    zero: str | None = None
    """Where on the part angles were counted from; None: as the reader of marks takes it."""
    turn: str | None = None
    """Which way they were counted."""
    tried: dict[str, str] = field(default_factory=dict)
    """Remedy to what came of it."""


def facts_file(path: Path) -> Facts:
    """Read ``{answers: {question: answer or list}, tried, job, marks, printer}``; raises BadInput with file and line.

    ``tried`` is ``{remedy: cured | better | no-change}``.
    ``marks`` is a path, or ``{file, zero, turn}`` where the part was held in another way than usual.
    """
    document, problems = read(path)
    if problems:
        first = problems[0]
        raise BadInput(first.what, first.instead, f"{first.file}:{first.line}")
    data = document.data
    if not isinstance(data, dict):
        raise BadInput("holds no answers", "write `answers:` and below it lines of `question: answer`", str(path))
    for name in data:
        if name not in (*FIELDS, *CASE_FIELDS):
            raise _fault(document, (name,), f"{name!r} is not a field here", nearest(name, FIELDS), key=True)
    answers = data.get("answers") or {}
    if not isinstance(answers, dict):
        raise _fault(document, ("answers",), "`answers` holds no answers", "write lines of `question: answer`")
    facts = Facts(job=_text(document, data, "job"), printer=_text(document, data, "printer"))
    for question, given in answers.items():
        many = given if isinstance(given, list) else [given]
        if not all(isinstance(a, str) for a in many):
            raise _fault(document, ("answers", question), f"{question!r} has no answer", "write an answer id, or unknown")
        facts.answers[question] = many
    tried = data.get("tried") or {}
    if not isinstance(tried, dict):
        raise _fault(document, ("tried",), "`tried` holds no results", f"write lines of `remedy: {' | '.join(RESULTS)}`")
    for remedy, result in tried.items():
        if not isinstance(result, str):
            raise _fault(document, ("tried", remedy), f"{remedy!r} has no result", f"write one of: {', '.join(RESULTS)}")
        facts.tried[remedy] = result
    if isinstance(data.get("marks"), dict):
        held = data["marks"]
        for name in held:
            if name not in MARKS_FIELDS:
                raise _fault(document, ("marks", name), f"{name!r} is not a field of marks", nearest(name, MARKS_FIELDS) or
                             f"the fields are: {', '.join(MARKS_FIELDS)}", key=True)  # fmt: skip
        facts.marks, facts.zero, facts.turn = (_text(document, held, name, "marks") for name in MARKS_FIELDS)
    else:
        facts.marks = _text(document, data, "marks")
    if facts.job is not None:
        facts.job = _beside(path, facts.job)
    if facts.marks is not None:
        facts.marks = _beside(path, facts.marks)
    if facts.printer is not None and facts.printer.endswith((".yaml", ".yml")):
        facts.printer = _beside(path, facts.printer)  # any other name is the id of a card
    return facts


def facts_schema(knowledge: Knowledge) -> dict[str, Any]:
    """Return the JSON Schema of a file of answers, for editors; the known ids are offered."""
    answer = {"anyOf": [{"$ref": "#/$defs/id"}, {"type": "array", "items": {"$ref": "#/$defs/id"}}, {"type": "null"}]}
    text = {"type": ["string", "null"]}
    held = {"zero": {"description": "Side of the part where angle 0 is."}, "turn": {"description": "ccw or cw, seen from above."}}
    return answers_schema(knowledge, {
        "answers": {
            "description": "Question to its answer, or to a list of them where several may hold; `unknown` is always allowed.",
            "type": ["object", "null"], "propertyNames": {"$ref": "#/$defs/questions-id"}, "additionalProperties": answer,
        },
        "tried": {
            "description": "Remedy to what came of it.",
            "type": ["object", "null"], "propertyNames": {"$ref": "#/$defs/remedies-id"}, "additionalProperties": {"enum": list(RESULTS)},
        },
        "job": {"description": "The job file, as seen from beside this one.", **text},
        "marks": {
            "description": "CSV file of marks on the part, with how the part was held where that was not as usual.",
            "anyOf": [text, {"type": "object", "additionalProperties": False, "properties": {"file": text, **{k: {**text, **v} for k, v in held.items()}}}],
        },
        "printer": {"description": "Id of a printer card, or the path of one.", **text},
        **{name: {"description": "Of a solved case; ranking passes it over."} for name in CASE_FIELDS},
    })  # fmt: skip


def add_options(facts: Facts, options: Sequence[str]) -> None:
    """Lay ``question=answer`` options over the facts; repeated ones add up, and they win over the file."""
    said: dict[str, list[str]] = {}
    for option in options:
        question, sign, answer = option.partition("=")
        if not sign or not question or not answer:
            raise BadInput(f"{option!r} is not an answer", "write --answer question=answer", "--answer")
        several = said.setdefault(question.strip(), [])
        if answer.strip() != NONE_OF_THESE:
            several.extend(a.strip() for a in answer.split(","))
    facts.answers.update(said)


def add_trials(facts: Facts, options: Sequence[str]) -> None:
    """Lay ``remedy=result`` options over the facts; they win over the file."""
    for option in options:
        remedy, sign, result = (part.strip() for part in option.partition("="))
        if not sign or not remedy or not result:
            raise BadInput(f"{option!r} does not say what came of a remedy",
                           f"write --tried remedy=result, the result one of: {', '.join(RESULTS)}", "--tried")  # fmt: skip
        facts.tried[remedy] = result


def triage_from(knowledge: Knowledge, facts: Facts, network: Network | None = None) -> Triage:
    """Return an unsaved case with the facts' answers and remedies tried; its job is still to be read."""
    triage = Triage(knowledge, network=network)
    for question, given in facts.answers.items():
        triage.answer(question, *given)
    for remedy, result in facts.tried.items():
        triage.try_remedy(remedy, result)
    if facts.printer:
        triage.choose_printer(facts.printer)
    return triage


def _beside(path: Path, name: str) -> str:
    """Return a path as seen from a file of answers: what lies beside it is found wherever the command is run from."""
    return name if name.startswith("~") else str(path.parent / name)


def _text(document: Document, data: Mapping[str, object], name: str, inside: str = "") -> str | None:
    value = data.get(name)
    if value is not None and not isinstance(value, str):
        raise _fault(document, (inside, name) if inside else (name,), f"`{name}` is not a text", "write a path or an id")
    return value


def _fault(document: Document, path: tuple[str, ...], what: str, instead: str, *, key: bool = False) -> BadInput:
    line, _ = document.place(path, key=key)
    return BadInput(what, instead or f"the fields are: {', '.join(FIELDS)}", f"{document.file}:{line}")
