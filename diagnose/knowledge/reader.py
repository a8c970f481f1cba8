"""The one YAML reader: every value kept as written, every value's place kept.

YAML turns ``on``, ``no`` and ``12:30`` into True, False and 750. Answers are words, so the reader keeps each scalar as
the text that stands in the file and lets the models decide what is a number.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from functools import cached_property, lru_cache
from pathlib import Path
from typing import Any

import yaml

from diagnose.errors import visible
from diagnose.knowledge import parsed

_Loader: type = getattr(yaml, "CSafeLoader", yaml.SafeLoader)

MOST_BYTES = 8_000_000
"""A rule file larger than this is not a rule file."""
NESTED = "rule files are four levels deep at most"
REMEMBERED = 256
"""Files whose documents are kept in memory: all of the rules, several times over."""
_PLAIN_TAGS = {f"tag:yaml.org,2002:{t}" for t in ("str", "int", "float", "bool", "null", "timestamp", "map", "seq")} | {
    "tag:yaml.org,2002:merge",
    "tag:yaml.org,2002:value",
}


@dataclass(frozen=True, slots=True, order=True)
class Problem:
    """One fault in a rule file: where, in which entry, what, and what to write instead.

    ``hard`` faults make the pack unusable; the others are advice.
    """

    file: str
    line: int
    column: int
    id: str
    what: str
    instead: str
    hard: bool = True
    rule: str = "rule-file"
    """Name of what is broken: of a check, or that a file or entry cannot be read at all."""

    def __str__(self) -> str:
        entry = f"{self.id}: " if self.id else ""
        return visible(f"{self.file}:{self.line}:{self.column}: {entry}{self.what}: {self.instead}")


@dataclass(frozen=True)
class Document:
    """A YAML file as plain dicts, lists and texts (None for an empty value), able to tell where each value stands."""

    file: str
    data: Any
    text: str = ""
    entries: parsed.Places = field(default_factory=dict)
    """Places of what stands in lists, as far as they are known without the nodes."""

    @cached_property
    def root(self) -> yaml.Node | None:
        """The nodes of the file, which know every place."""
        return yaml.compose(self.text, Loader=_Loader) if self.text else None

    def place(self, path: Sequence[str | int], *, key: bool = False) -> tuple[int, int]:
        """Return line and column, from 1, of the value at ``path`` (of its key with ``key``).

        Where the path leaves the file (a missing field, say), the place of its last part that is there.
        """
        known = None if key else self.entries.get(".".join(map(str, path)))
        if known is not None:
            return known
        node = self.root
        mark = node.start_mark if node is not None else None
        for index, step in enumerate(path):
            last = index == len(path) - 1
            if isinstance(node, yaml.MappingNode):
                found = next(((k, v) for k, v in node.value if k.value == str(step)), None)
                if found is None:
                    break
                node = found[1]
                mark = found[0].start_mark if last and key else node.start_mark
            elif isinstance(node, yaml.SequenceNode) and isinstance(step, int) and step < len(node.value):
                node = node.value[step]
                mark = node.start_mark
            else:
                break
        return (mark.line + 1, mark.column + 1) if mark is not None else (1, 1)


def read(path: Path, shown: str | None = None, *, remember: bool = True) -> tuple[Document, list[Problem]]:
    """Read one YAML file.

    Parameters
    ----------
    path
        The file.
    shown
        The name to use in messages; the path itself when left out.
    remember
        Whether to keep what the file says for the next process; not for files that are many and seldom read.

    Returns
    -------
    document, problems
        Where a problem is hard the document's data is None.
    """
    name = shown or str(path)
    try:
        with path.open("rb") as file:
            raw = file.read(MOST_BYTES + 1)
    except OSError as error:
        what = f"cannot be read ({error.strerror or error})"
        return Document(name, None), [Problem(name, 1, 1, "", what, "check the path and its permissions")]
    document, problems = (_understood if remember else _parsed)(name, raw)
    return document, list(problems)


@lru_cache(maxsize=REMEMBERED)
def _understood(name: str, raw: bytes) -> tuple[Document, tuple[Problem, ...]]:
    """Return a file's document by its bytes: one that is read again unchanged is not parsed again."""
    before = parsed.recall(name, raw) if len(raw) <= MOST_BYTES else None
    if before is not None:
        return Document(name, before[0], raw.decode("utf-8-sig"), before[1]), ()
    document, problems = _parsed(name, raw)
    if document.root is not None and not problems:
        document.entries.update(_in_lists(document.root, ""))
        parsed.keep(name, raw, document.data, document.entries)
    return document, problems


def _parsed(name: str, raw: bytes) -> tuple[Document, tuple[Problem, ...]]:
    nothing = Document(name, None)

    def failed(what: str, instead: str, line: int = 1, column: int = 1) -> tuple[Document, tuple[Problem, ...]]:
        return nothing, (Problem(name, line, column, "", what, instead),)

    if len(raw) > MOST_BYTES:
        return failed(f"is more than {MOST_BYTES:,} bytes long", f"split it into files under {MOST_BYTES:,} bytes")
    try:
        text = raw.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = raw[: error.start].count(b"\n") + 1
        column = error.start - (raw.rfind(b"\n", 0, error.start) + 1) + 1
        return failed("is not UTF-8 text", "save the file as UTF-8", line, column)
    try:
        root = yaml.compose(text, Loader=_Loader)
    except yaml.MarkedYAMLError as error:
        if "nesting depth" in str(error.problem):
            return failed("is nested too deeply", NESTED)
        mark = error.problem_mark or error.context_mark
        where = (mark.line + 1, mark.column + 1) if mark else (1, 1)
        return failed(f"is not valid YAML ({error.problem or error.context})", _yaml_advice(text, where), *where)
    except yaml.YAMLError as error:
        passed = text[: _reached(error, text)]
        where = passed.count("\n") + 1, len(passed) - passed.rfind("\n")
        what = f"is not valid YAML ({str(error).splitlines()[0]})"
        return failed(what, "take out characters that text files do not hold", *where)
    except RecursionError:
        return failed("is nested too deeply", NESTED)
    problems: list[Problem] = []
    try:
        data = _Plain(name, problems).convert(root) if root is not None else None
    except RecursionError:
        return failed("refers to itself without end", "take out the alias (`*name`) that points at its own parent")
    document = Document(name, None if any(p.hard for p in problems) else data, text)
    document.__dict__["root"] = root  # what `root` would parse again
    return document, tuple(problems)


def _in_lists(node: yaml.Node, path: str) -> Iterator[tuple[str, tuple[int, int]]]:
    """Yield path and place of everything that stands in a list."""
    if isinstance(node, yaml.MappingNode):
        for key, child in node.value:
            if not isinstance(child, yaml.ScalarNode):
                yield from _in_lists(child, f"{path}{key.value}.")
    elif isinstance(node, yaml.SequenceNode):
        for index, child in enumerate(node.value):
            if not isinstance(child, yaml.ScalarNode):
                yield f"{path}{index}", (child.start_mark.line + 1, child.start_mark.column + 1)
                yield from _in_lists(child, f"{path}{index}.")


def _reached(error: yaml.YAMLError, text: str) -> int:
    """Return how far into a text the parser came: it counts bytes, or characters, or does not say."""
    at = getattr(error, "position", 0)
    bad = getattr(error, "character", None)
    if isinstance(bad, int):
        found = text.find(chr(bad))
        return found if found >= 0 else min(at, len(text))
    return min(at, len(text))


def _yaml_advice(text: str, where: tuple[int, int]) -> str:
    lines = text.splitlines()
    line = lines[where[0] - 1] if 0 < where[0] <= len(lines) else ""
    if "\t" in line[: len(line) - len(line.lstrip())] or "\t" in line[: where[1]]:
        return "indent with spaces, not with tabs"
    if line.count(": ") > 1:
        return "put the text that holds `: ` in double quotes"
    return "check indentation, brackets and quotes here and on the line above"


class _Plain:
    """Turns nodes into plain values; shared nodes are converted once, so that aliases cannot explode."""

    def __init__(self, name: str, problems: list[Problem]) -> None:
        self.name = name
        self.problems = problems

    def convert(self, root: yaml.Node) -> Any:
        seen: dict[int, tuple[Any, int]] = {}
        data, size = self._convert(root, seen, ())
        if size > 2 * len(seen) + 10_000:
            self._problem(root, f"its aliases expand to {size:,} values", "write the entries out, without `&` and `*`")
        return data

    def _problem(self, node: yaml.Node, what: str, instead: str) -> None:
        mark = node.start_mark
        self.problems.append(Problem(self.name, mark.line + 1, mark.column + 1, "", what, instead))

    def _convert(self, node: yaml.Node, seen: dict[int, tuple[Any, int]], above: tuple[int, ...]) -> tuple[Any, int]:
        if id(node) in above:
            raise RecursionError
        if id(node) in seen:
            return seen[id(node)]
        if node.tag not in _PLAIN_TAGS:
            self._problem(node, f"the tag {node.tag!r} builds something else than text", "take the tag out")
            return None, 1
        above = (*above, id(node))
        value: Any
        size = 1
        if isinstance(node, yaml.ScalarNode):
            is_null = node.tag == "tag:yaml.org,2002:null" and not node.style
            value = None if is_null else node.value
        elif isinstance(node, yaml.SequenceNode):
            value = []
            for child in node.value:
                item, more = self._convert(child, seen, above)
                value.append(item)
                size += more
        else:
            value = {}
            first: dict[str, int] = {}
            for key, child in node.value:
                if not isinstance(key, yaml.ScalarNode):
                    self._problem(key, "a list or mapping stands where a key should", "write a plain word before `:`")
                    continue
                word = key.value
                if word in value:
                    self._problem(key, f"{word!r} is given twice (first on line {first[word]})", "keep one of the two")
                    continue
                first[word] = key.start_mark.line + 1
                value[word], more = self._convert(child, seen, above)
                size += more
        seen[id(node)] = (value, size)
        return value, size
