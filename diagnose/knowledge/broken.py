"""References of causes that could not be read whole, so that every fault of a file is told in one round.

An entry with a mistyped rate has no model to check. What it points at is then looked up in the plain data, wherever
that is a text; everything else about it was told when it was read.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from diagnose.errors import nearest
from diagnose.knowledge.pack import BrokenCause, Knowledge
from diagnose.knowledge.reader import Problem

Path = tuple[str | int, ...]


def broken_causes_point_at_what_is_known(k: Knowledge) -> Iterator[Problem]:
    """Checks the ids in causes that have another fault."""
    for broken in k.broken_causes:
        for path, kinds, target in _references(broken.raw):
            known = [id for kind in kinds for id in getattr(k, kind)]
            if target not in known and not any((kind, target) in k.broken for kind in kinds):
                what = " or ".join(kind[:-1] for kind in kinds)
                yield _problem(broken, path, f"the {what} {target!r} is not known", nearest(target, known)
                               or f"add it under `{kinds[0]}:` or write one that `diagnose rules list` shows")  # fmt: skip
        for path, about, answer in _answers(k, broken.raw):
            asked = k.asked(about)
            known = [a.id for a in asked.answers] if asked else [answer]
            if answer not in known:
                yield _problem(broken, path, f"{about!r} has no answer {answer!r}",
                               f"{nearest(answer, known)} its answers are: {', '.join(known)}".strip())  # fmt: skip


def _references(raw: dict[str, Any]) -> Iterator[tuple[Path, tuple[str, ...], str]]:
    """Yield path, kinds it may be of, and id, for everything a cause points at."""
    for index, line in enumerate(_list(raw.get("evidence"))):
        if isinstance(line, dict):
            for field, kind in (("question", "questions"), ("finding", "findings")):
                if isinstance(line.get(field), str):
                    yield ("evidence", index, field), (kind,), line[field]
            for about in _dict(line.get("given")):
                yield ("evidence", index, "given", about), ("questions", "findings"), about
    for field, kind in (("confirm", "tests"), ("remedies", "remedies")):
        listed = raw.get(field)
        for index, id in enumerate([listed] if isinstance(listed, str) else _list(listed)):
            if isinstance(id, str):
                yield (field, index), (kind,), id


def _answers(k: Knowledge, raw: dict[str, Any]) -> Iterator[tuple[Path, str, str]]:
    """Yield path, question or finding, and the answer a cause says of it."""
    defect = k.by_role("defect")
    for name in _dict(raw.get("defects")) if defect else ():
        yield ("defects", name), defect.id if defect else "", name
    for index, line in enumerate(_list(raw.get("evidence"))):
        if not isinstance(line, dict):
            continue
        about = line.get("question") or line.get("finding")
        if isinstance(about, str) and isinstance(line.get("answer"), str):
            yield ("evidence", index, "answer"), about, line["answer"]


def _list(raw: Any) -> list[Any]:
    return raw if isinstance(raw, list) else []


def _dict(raw: Any) -> dict[str, Any]:
    return raw if isinstance(raw, dict) else {}


def _problem(broken: BrokenCause, path: Path, what: str, instead: str) -> Problem:
    line, column = broken.document.place((*broken.path, *path))
    return Problem(broken.document.file, line, column, broken.id, what, instead)
