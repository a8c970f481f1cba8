"""Closed cases written as files of their own, with what the rules said of them at the time."""

from __future__ import annotations

import hashlib
from pathlib import Path
from typing import TYPE_CHECKING

from diagnose.cases.journal import events_of, fold
from diagnose.cases.record import Outcome, Record, Ruleset, Share, Weight, as_yaml, bare
from diagnose.errors import BadInput, visible

if TYPE_CHECKING:
    from diagnose.triage.case import Triage

LEAST_SHARE = 0.01
"""Suspects with less are left out of the ranking that a case keeps."""


def file_if_closed(triage: Triage) -> bool:
    """Write a case that is closed as a file of its own; returns whether that was done.

    What stands in the journal then is what counts, whoever wrote it. Raises BadInput where it cannot be written: the
    journal is left as it was.
    """
    journal = triage.journal
    if journal is None or not triage.case.closed:
        return False

    def written(text: bytes) -> str:
        case = fold(journal.id, events_of(text, str(journal.path)))
        made = bare(case).model_copy(update=_by_the_rules(triage))
        return as_yaml(made.model_copy(update={"journal": text.decode("utf-8", "backslashreplace")}))

    return journal.file(written)


def close(triage: Triage, outcome: Outcome, cause: str | None = None) -> None:
    """Close a case by hand: what came of it, and what it was, where that is known.

    Raises BadInput for an unknown cause, or one that does not go with the outcome; nothing is changed then.
    """
    if cause is not None:
        triage.cause(cause)
    if (cause is None) == (outcome in ("cured", "helped")):
        what = f"a case that is {outcome.replace('-', ' ')} has {'a' if cause is None else 'no'} cause"
        raise BadInput(what, "say which cause it was" if cause is None else "leave the cause out")
    triage.record({"do": "close", "outcome": outcome, "cause": cause})
    file_if_closed(triage)


def note(triage: Triage, text: str) -> None:
    """Write a remark into a case; raises BadInput for an empty one."""
    said = " ".join(text.split())
    if not said:
        raise BadInput("the note is empty", "write what is worth remembering")
    triage.record({"do": "note", "text": said})
    file_if_closed(triage)


def picture(triage: Triage, path: str | Path) -> None:
    """Point to a picture; it is not copied. Raises BadInput where there is no such file."""
    file = Path(path).expanduser()
    if not file.is_file():
        raise BadInput("there is no such picture", "check the path", str(path))
    triage.record({"do": "picture", "path": str(file.absolute())})
    file_if_closed(triage)


def _by_the_rules(triage: Triage) -> dict[str, object]:
    """Return what only the rules can add to a record."""
    knowledge, case = triage.knowledge, triage.case
    ranking = [s for s in triage.ranking() if s.probability >= LEAST_SHARE]
    cause = case.cause or (case.cured.causes[0] if case.cured and case.cured.causes else "")
    lines = triage.ledger(cause) if cause in knowledge.causes else []
    plastic = knowledge.by_role("material")
    said = case.answers.get(plastic.id) if plastic is not None else None
    return {
        "material": said[0] if said else None,
        "rules": tuple(Ruleset(name=visible(p.name), version=p.version) for p in knowledge.packs),
        "ranking": tuple(Share(cause=s.id, share=round(s.probability, 4)) for s in ranking),
        "ledger": tuple(
            Weight(about=line.id or line.source, answer=line.answer or line.say, decibans=round(line.decibans, 2), rule=line.rule or None)
            for line in lines
        ),
    }  # fmt: skip


def digest(path: Path) -> str | None:
    """Return the SHA-256 of a file in hex, None where it cannot be read."""
    try:
        with path.open("rb") as file:
            return hashlib.file_digest(file, "sha256").hexdigest()
    except OSError:
        return None


def record_now(triage: Triage) -> Record:
    """Return an open or closed case as a record of what stands now, without its journal."""
    return bare(triage.case).model_copy(update=_by_the_rules(triage))
