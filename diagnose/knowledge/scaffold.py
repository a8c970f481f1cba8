"""New entries written into a pack: the rest of its files stays as it is, comments, order and all.

Nothing is written here. A `Draft` says what a file would hold; `check` lays it over the packs in force and tells what that
would break; whoever made it then writes it whole.
"""

from __future__ import annotations

import io
import tempfile
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import yaml

from diagnose.errors import BadInput
from diagnose.knowledge.check import check as check_knowledge
from diagnose.knowledge.models import Evidence
from diagnose.knowledge.pack import KINDS, Knowledge, load, rule_files
from diagnose.knowledge.reader import Problem, read

if TYPE_CHECKING:
    from ruamel.yaml import YAML
    from ruamel.yaml.comments import CommentedMap, CommentedSeq

SCHEMA_FILE = "rules.schema.json"
"""Beside the files of a pack, so that an editor knows what may stand in them."""
HEADER = f"# yaml-language-server: $schema={SCHEMA_FILE}\n"
FLOW_WIDTH = 118
"""Lines of evidence and answers stand on one line where they fit."""

FIELD_NOTES: Mapping[str, Mapping[str, str]] = {
    "causes": {
        "rate": "everyday | common | occasional | uncommon | rare, a factor of two each",
        "defects": "how often each is what one sees first",
        "evidence": "how often the answer is seen when this cause is at work, and why",
    },
    "questions": {
        "effort": "glance | recall | handle | measure | reprint",
        "answers": "usual: how often, in prints whose cause has nothing to do with it",
    },
    "examples": {"expect": "or {within_first: 3, cause: ...}, or {not_above: 0.05, cause: ...}"},
}
"""What stands as a comment beside a field, for whoever goes on by hand."""
NOTE_COLUMN = 40


@dataclass(frozen=True, slots=True)
class Draft:
    """What a rule file would hold with one more entry in it."""

    path: Path
    before: str | None
    """None where the file is not there yet."""
    after: str
    kind: str
    id: str
    """Of the entry added or changed."""


def add_entry(pack: Path, kind: str, entry: Mapping[str, Any], notes: Sequence[str] = ()) -> Draft:
    """Return a draft with an entry at the end of its kind's list, notes as comments above it.

    The file is ``<kind>.yaml`` of the pack, or the pack itself where that is a single file. Raises BadInput where the
    file is no rule file.
    """
    path = pack if pack.suffix in (".yaml", ".yml") else pack / f"{kind}.yaml"

    def change(document: CommentedMap) -> None:
        _append(document, kind, entry, notes)

    return _draft(path, kind, str(entry.get("id") or entry.get("cause") or entry["name"]), change)


def add_evidence(
    pack: Path, knowledge: Knowledge, cause: str, line: Mapping[str, Any], notes: Sequence[str] = ()
) -> Draft:
    """Return a draft with a line of evidence: in the cause where the pack holds it, else in an adjustment of it.

    A line on the same answer in the same context takes the place of the older one.
    """
    origin = knowledge.origins["causes", cause]
    path = Path(origin.file)
    if _inside(path, pack):
        def change(document: CommentedMap) -> None:
            causes = document["causes"]
            _put_line(next(c for c in causes if c.get("id") == cause), line, notes)

        return _draft(path, "causes", cause, change)
    path = pack if pack.suffix in (".yaml", ".yml") else pack / "adjust.yaml"

    def adjust(document: CommentedMap) -> None:
        there = next((a for a in document.get("adjust") or () if a.get("cause") == cause), None)
        if there is None:
            _append(document, "adjust", {"cause": cause, "evidence": [line]}, (), inner=notes)
        else:
            _put_line(there, line, notes)

    return _draft(path, "adjust", cause, adjust)


def change_card(path: Path, id: str, values: Mapping[str, Any]) -> Draft:
    """Return a draft in which numbers and choices of a printer card are changed, by dotted name; all else stays as it was written.

    Raises BadInput where the file has no such card.
    """
    def change(document: CommentedMap) -> None:
        held = next((c for c in document.get("printers") or () if c.get("id") == id), None)
        if held is None:
            raise BadInput(f"the file has no printer card {id!r} any more", "read the cards again", str(path))
        for dotted, value in values.items():
            *parts, last = dotted.split(".")
            place = held
            for part in parts:
                if not isinstance(place.get(part), CommentedMap):
                    place[part] = CommentedMap()
                place = place[part]
            place[last] = _node(value, 1)

    from ruamel.yaml.comments import CommentedMap

    return _draft(path, "printers", id, change)


def check(drafts: Sequence[Draft], pack: Path, packs: Sequence[Path]) -> tuple[Knowledge, list[Problem]]:
    """Return what the rules would be with the drafts written, and every fault and advice that there would be.

    Parameters
    ----------
    drafts
        What would be written, all of it inside ``pack``.
    packs
        The packs in force, lowest first; ``pack`` is laid over them all where it is not among them.
    """
    with tempfile.TemporaryDirectory(prefix="diagnose-draft-") as folder:
        copy = Path(folder).resolve() / pack.name
        for file in rule_files(pack) if pack.exists() else ():
            _copy(file.read_bytes(), copy, file, pack)
        for draft in drafts:
            _copy(draft.after.encode(), copy, draft.path, pack)
        there = [copy if _same(p, pack) else p for p in packs]
        knowledge, problems = load(there if copy in there else [*there, copy])
        problems += check_knowledge(knowledge)
        return knowledge, sorted(replace(p, file=str(pack) + p.file.removeprefix(str(copy)))
                                 if p.file.startswith(str(copy)) else p for p in problems)  # fmt: skip


def _copy(content: bytes, copy: Path, file: Path, pack: Path) -> None:
    to = copy if file == pack else copy / file.relative_to(pack)
    to.parent.mkdir(parents=True, exist_ok=True)
    to.write_bytes(content)


def _same(one: Path, other: Path) -> bool:
    return one.resolve() == other.resolve()


def _inside(path: Path, pack: Path) -> bool:
    return path.resolve() == pack.resolve() or pack.resolve() in path.resolve().parents


def _draft(path: Path, kind: str, id: str, change: Callable[[CommentedMap], None]) -> Draft:
    from ruamel.yaml.comments import CommentedMap

    before = None
    document: Any = CommentedMap()
    writer = _writer(None)
    if path.exists():
        _, problems = read(path)
        if problems:
            first = problems[0]
            raise BadInput(first.what, first.instead, f"{first.file}:{first.line}:{first.column}")
        before = path.read_text(encoding="utf-8-sig")
        writer = _writer(before)
        document = writer.load(before)
        if document is None:  # nothing but comments
            document = CommentedMap()
        if not isinstance(document, CommentedMap) or any(k not in (*KINDS, "pack", "rates") for k in document):
            raise BadInput("is no rule file", "choose another file or folder for your rules", str(path))
    empty = not document
    change(document)
    out = io.StringIO()
    writer.dump(document, out)
    head = HEADER if before is None else before.rstrip("\n") + "\n" if empty and before.strip() else ""
    return Draft(path, before, head + out.getvalue(), kind, id)


def _writer(text: str | None) -> YAML:
    from ruamel.yaml import YAML
    from ruamel.yaml.util import load_yaml_guess_indent

    writer = YAML()
    writer.preserve_quotes = True
    writer.width = 4096  # a long line of a person's own is not folded
    indent, offset = 4, 2
    if text:
        _, guessed, guessed_offset = load_yaml_guess_indent(text)
        if guessed is not None:
            indent, offset = guessed, guessed_offset or 0
    writer.indent(mapping=2, sequence=indent, offset=offset)
    return writer


def _append(
    document: CommentedMap, kind: str, entry: Mapping[str, Any], notes: Sequence[str], inner: Sequence[str] = ()
) -> None:
    from ruamel.yaml.comments import CommentedSeq

    if not isinstance(document.get(kind), CommentedSeq):
        document[kind] = CommentedSeq()
    entries = document[kind]
    entries.fa.set_block_style()
    entries.append(_node(entry))
    for field, note in FIELD_NOTES.get(kind, {}).items():
        if field in entries[-1]:
            entries[-1].yaml_add_eol_comment(note, field, NOTE_COLUMN)
    _comment(entries, len(entries) - 1, notes, 2)
    if inner:
        _comment(entries[-1]["evidence"], 0, inner, 6)


def _put_line(cause: CommentedMap, line: Mapping[str, Any], notes: Sequence[str]) -> None:
    from ruamel.yaml.comments import CommentedSeq

    if not isinstance(cause.get("evidence"), CommentedSeq):
        cause["evidence"] = CommentedSeq()
    lines = cause["evidence"]
    lines.fa.set_block_style()
    new = Evidence.model_validate(_strings(line))
    for index, old in enumerate(lines):
        known = Evidence.model_validate(_strings(old))
        if (known.about, known.answer, known.given) == (new.about, new.answer, new.given):
            lines[index] = _node(line, 1)
            return
    lines.append(_node(line, 1))
    _comment(lines, len(lines) - 1, notes, 6)


def _strings(raw: Any) -> Any:
    """Return plain data with every scalar as text, as the reader of rules has it."""
    if isinstance(raw, Mapping):
        return {str(k): _strings(v) for k, v in raw.items()}
    if isinstance(raw, list | tuple):
        return [_strings(item) for item in raw]
    return raw if raw is None else str(raw)


def _comment(entries: CommentedSeq, index: int, notes: Sequence[str], indent: int) -> None:
    if notes:
        entries.yaml_set_comment_before_after_key(index, before="\n".join(notes), indent=indent)


def _node(value: Any, depth: int = 0) -> Any:
    """Return plain data as ruamel's own, short mappings and lists inside an entry on one line, and texts safely quoted."""
    from ruamel.yaml.comments import CommentedMap, CommentedSeq
    from ruamel.yaml.scalarstring import DoubleQuotedScalarString

    if isinstance(value, Mapping):
        node = CommentedMap((key, _node(item, depth + 1)) for key, item in value.items() if item not in (None, (), [], {}))
        if depth and len(str(value)) < FLOW_WIDTH:
            node.fa.set_flow_style()
        return node
    if isinstance(value, list | tuple):
        items = CommentedSeq(_node(item, depth + 1) for item in value)
        if not any(isinstance(item, CommentedMap) for item in items):
            items.fa.set_flow_style()
        return items
    if isinstance(value, str) and _needs_quotes(value):
        return DoubleQuotedScalarString(value)
    return value


def _needs_quotes(text: str) -> bool:
    """Return whether some reader of YAML might take a text for something else: ``on``, ``no``, ``12:30``, ``1e3``."""
    try:
        return bool(yaml.safe_load(text) != text)
    except yaml.YAMLError:
        return True
