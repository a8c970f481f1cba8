"""Packs of rule files: read, validated entry by entry, and laid over each other."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

from pydantic import BaseModel, ValidationError

from diagnose import __version__
from diagnose.errors import BadInput, nearest, visible
from diagnose.knowledge.cards import Printer
from diagnose.knowledge.learnt import Learnt
from diagnose.knowledge.materials import Material
from diagnose.knowledge.models import (
    Adjust,
    Cause,
    ConfirmingTest,
    Coupon,
    Entry,
    Evidence,
    Example,
    Finding,
    PackHeader,
    Question,
    Remedy,
    Source,
)
from diagnose.knowledge.rates import Rates
from diagnose.knowledge.reader import Document, Problem, read

KINDS: dict[str, type[BaseModel]] = {
    "causes": Cause,
    "questions": Question,
    "findings": Finding,
    "tests": ConfirmingTest,
    "remedies": Remedy,
    "printers": Printer,
    "materials": Material,
    "coupons": Coupon,
    "sources": Source,
    "examples": Example,
    "adjust": Adjust,
}
"""Top-level list of a rule file to the model of its entries."""


ENTRY_KINDS = ("causes", "questions", "findings", "tests", "remedies", "printers", "materials", "coupons", "sources")
"""Kinds of entries that have an id and can be shown."""
SUFFIXES = (".yaml", ".yml")
QUICK_MACHINE_MINUTES = 5.0
"""A confirming test that takes the machine no longer than this is asked in the interview like any question."""


@dataclass(frozen=True, slots=True)
class Origin:
    """Where an entry stands, and the entry of an earlier pack it lies over."""

    pack: str
    file: str
    line: int
    column: int
    over: Origin | None = None
    short: str = ""
    """The file as seen from beside its pack, for people to read."""

    def __str__(self) -> str:
        return visible(f"{self.short or self.file}:{self.line}")


@dataclass(frozen=True, slots=True)
class BrokenCause:
    """A cause that could not be read whole: its plain data, and where that stands."""

    id: str
    raw: dict[str, Any]
    document: Document
    path: tuple[str | int, ...]


@dataclass(slots=True)
class Knowledge:
    """Everything the packs say, by id. Examples have no id and stay in the order of the files."""

    causes: dict[str, Cause] = field(default_factory=dict)
    questions: dict[str, Question] = field(default_factory=dict)
    findings: dict[str, Finding] = field(default_factory=dict)
    tests: dict[str, ConfirmingTest] = field(default_factory=dict)
    remedies: dict[str, Remedy] = field(default_factory=dict)
    printers: dict[str, Printer] = field(default_factory=dict)
    materials: dict[str, Material] = field(default_factory=dict)
    coupons: dict[str, Coupon] = field(default_factory=dict)
    sources: dict[str, Source] = field(default_factory=dict)
    examples: list[Example] = field(default_factory=list)
    packs: list[PackHeader] = field(default_factory=list)
    rates: Rates = field(default_factory=Rates)
    learnt: Learnt | None = None
    origins: dict[tuple[str, str], Origin] = field(default_factory=dict)
    """(kind, id) to where the entry stands; examples under their name."""
    lines: dict[tuple[str, int], Origin] = field(default_factory=dict)
    """(cause id, index of evidence) to where that line stands."""
    broken: set[tuple[str, str]] = field(default_factory=set)
    """(kind, id) of entries that exist but failed: references to them are not a second fault."""
    broken_causes: list[BrokenCause] = field(default_factory=list)
    documents: dict[str, Document] = field(default_factory=dict)
    paths: dict[tuple[str, str], tuple[str | int, ...]] = field(default_factory=dict)
    """(kind, id) to the path of the entry inside its document."""

    def asked(self, id: str) -> Question | Finding | None:
        """Return the question or finding of an id, if there is one."""
        return self.questions.get(id) or self.findings.get(id)

    def by_role(self, role: str) -> Question | None:
        """Return the question with a role, if the packs have one."""
        return next((q for q in self.questions.values() if q.role == role), None)

    def other_defects(self) -> list[Question]:
        """Return the questions that name a defect beside the main one: a second defect, a second look."""
        return [q for q in map(self.by_role, ("second-defect", "defect-again")) if q is not None]

    def result_questions(self) -> set[str]:
        """Return the ids of questions asked only on purpose: the answer is the result of a print or a long machine run.

        A test that is only a look at the part, the file or the cold machine is a question like any other.
        """
        cheapest: dict[str, float] = {}
        for test in self.tests.values():
            cheapest[test.question] = min(test.machine_minutes, cheapest.get(test.question, test.machine_minutes))
        return {
            id
            for id, minutes in cheapest.items()
            if minutes > QUICK_MACHINE_MINUTES or (id in self.questions and self.questions[id].effort == "reprint")
        }

    def danger_question(self) -> Question | None:
        """Return the question one of whose answers stops the interview: make safe first."""
        return next((q for q in self.questions.values() if any(a.stop for a in q.answers)), None)

    def problem(
        self, kind: str, id: str, path: Sequence[str | int], what: str, instead: str, *, hard: bool = True
    ) -> Problem:
        """Return a problem at ``path`` inside an entry."""
        origin = self.origins.get((kind, id))
        if origin is None:
            return Problem("", 1, 1, id, what, instead, hard)
        document = self.documents[origin.file]
        line, column = document.place((*self.paths[(kind, id)], *path))
        return Problem(origin.file, line, column, id, what, instead, hard)

    def at_line(self, cause: str, index: int, problem: Problem) -> Problem:
        """Return the problem moved to a line of evidence: an adjusted line is in another file than its cause."""
        origin = self.lines.get((cause, index))
        if origin is None or origin.file == problem.file:
            return problem
        return replace(problem, file=origin.file, line=origin.line, column=origin.column, id=cause)


def load(folders: Iterable[Path], only: str | None = None) -> tuple[Knowledge, list[Problem]]:
    """Read packs (folders, or single files) and lay them over each other, earlier ones below.

    ``only`` names a kind of entry, such as ``printers``: files without it are passed over, which saves most of the time.

    Every fault found on the way is in the list; entries with a fault are left out of the knowledge. The references
    between entries are looked at by `diagnose.knowledge.check.check`.
    """
    knowledge = Knowledge()
    problems: list[Problem] = []
    for folder in folders:
        _load_pack(Path(folder), knowledge, problems, only)
    return knowledge, problems


def _load_pack(folder: Path, knowledge: Knowledge, problems: list[Problem], only: str | None = None) -> None:
    files = rule_files(folder)
    if not files:
        raise BadInput("the folder holds no .yaml file", "give a folder that holds rule files", str(folder))
    documents = list(_documents(folder, files, knowledge, problems, only))
    header = _header(folder, documents, problems, knowledge)
    fresh: set[tuple[str, str]] = set()
    for short, document in documents:
        for kind, entries in document.data.items():
            if kind == "pack":
                continue
            if kind == "rates":
                stated = validated(Rates, entries, document, (kind,), "", problems)
                if stated:
                    knowledge.rates = knowledge.rates.model_copy(update=stated.model_dump(exclude_unset=True))
            elif kind == "learnt":
                knowledge.learnt = validated(Learnt, entries, document, (kind,), "", problems) or knowledge.learnt
            elif kind not in KINDS:
                hint = nearest(kind, [*KINDS, "pack", "rates", "learnt"])
                problems.append(
                    Problem(
                        document.file, *document.place((kind,), key=True), "", f"{kind!r} is not a kind of entry",
                        hint or f"write one of: {', '.join(KINDS)}",
                    )
                )  # fmt: skip
            elif not isinstance(entries, list):
                at = document.place((kind,), key=True)
                problems.append(
                    Problem(
                        document.file, *at, "", f"{kind!r} holds no list", "write its entries below, each after `- `"
                    )
                )
            else:
                for index, raw in enumerate(entries):
                    _add(kind, raw, document, (kind, index), short, header, knowledge, fresh, problems)
    knowledge.packs.append(header)


def rule_files(pack: Path) -> list[Path]:
    """Return the rule files of a pack, in order: of a folder all that is not hidden, or the single file itself.

    Raises BadInput where there is no such folder, or it cannot be read.
    """
    try:
        if pack.is_file():
            return [pack]
        if pack.is_dir():
            inside = (p for p in pack.rglob("*") if p.suffix in SUFFIXES)
            return sorted(p for p in inside if not any(part.startswith(".") for part in p.relative_to(pack).parts))
    except OSError as error:
        raise BadInput(
            f"cannot be read ({error.strerror or error})", "give a folder that holds .yaml files", str(pack)
        ) from error
    raise BadInput("there is no such folder of rules", "give a folder that holds .yaml files", str(pack))


def _documents(
    folder: Path, files: list[Path], knowledge: Knowledge, problems: list[Problem], only: str | None
) -> Iterator[tuple[str, Document]]:
    """Read the files of a pack that hold something: each as seen from beside its pack, and what it says."""
    for path in files:
        if only is not None and not _mentions(path, only):
            continue
        document, found = read(path)
        problems += found
        if document.data is None:
            continue
        knowledge.documents[document.file] = document
        if isinstance(document.data, dict):
            yield path.name if path == folder else f"{folder.name}/{path.relative_to(folder).as_posix()}", document
        else:
            hint = f"begin with one of: {', '.join(KINDS)}, followed by `:`"
            problems.append(Problem(document.file, 1, 1, "", "is not a mapping", hint))


def _header(
    folder: Path, documents: list[tuple[str, Document]], problems: list[Problem], knowledge: Knowledge
) -> PackHeader:
    """Return the header of a pack, in whichever of its files it stands; a pack without one has its folder's name."""
    header = PackHeader.model_construct(name=visible(folder.name))  # a folder may be called anything
    first = ""
    for _, document in documents:
        if "pack" not in document.data:
            continue
        at = document.place(("pack",), key=True)
        if first:
            what = f"the pack has a header at {first} already"
            problems.append(Problem(document.file, *at, "", what, "keep one of the two"))
            continue
        first = f"{document.file}:{at[0]}"
        header = validated(PackHeader, document.data["pack"], document, ("pack",), "", problems) or header
        problems += _lacking(header, document, {p.name for p in knowledge.packs})
    return header


def _lacking(header: PackHeader, document: Document, below: set[str]) -> Iterator[Problem]:
    """Yield what a pack requires and does not find."""
    needs = header.requires
    if needs is None:
        return
    if needs.program and _version(needs.program) > _version(__version__):
        at = document.place(("pack", "requires", "program"))
        what = f"this pack needs version {needs.program} of the program, and this is {__version__}"
        yield Problem(document.file, *at, header.name, what, "bring the program up to date, or take an older pack")
    for name in needs.packs:
        if name not in below:
            at = document.place(("pack", "requires", "packs"))
            yield Problem(document.file, *at, header.name, f"this pack needs the pack {name!r} below it", "install that one first, or name it first with --rules")


def _version(said: str) -> tuple[int, ...]:
    return tuple(int(part) for part in said.split(".")[:3] if part.isdigit())


def _mentions(path: Path, kind: str) -> bool:
    """Return whether a file may hold entries of a kind; one that cannot be read may, and is told of by the reader."""
    try:
        return re.search(rb"^\s*['\"]?" + kind.encode() + rb"['\"]?\s*:", path.read_bytes(), re.MULTILINE) is not None
    except OSError:
        return True


def _add(
    kind: str,
    raw: Any,
    document: Document,
    path: tuple[str | int, ...],
    short: str,
    header: PackHeader,
    knowledge: Knowledge,
    fresh: set[tuple[str, str]],
    problems: list[Problem],
) -> None:
    said = raw.get("id") or raw.get("cause") or raw.get("name") if isinstance(raw, dict) else None
    id = said if isinstance(said, str) else ""
    entry = validated(KINDS[kind], raw, document, path, id, problems)
    if entry is None:
        if id:
            knowledge.broken.add((kind, id))
        if kind == "causes" and isinstance(raw, dict):
            knowledge.broken_causes.append(BrokenCause(id, raw, document, path))
        return
    line, column = document.place(path)
    origin = Origin(header.name, document.file, line, column, short=short)
    if isinstance(entry, Adjust):
        _adjust(entry, document, path, origin, knowledge, problems)
        return
    key = (kind, id)
    earlier = knowledge.origins.get(key)
    if earlier is not None:
        if key in fresh or not isinstance(entry, Entry):
            problems.append(
                Problem(
                    document.file, line, column, id, f"this id stands at {earlier} too", "give one of them another id"
                )
            )
            return
        if not entry.replaces:
            if isinstance(entry, Cause):
                knowledge.broken_causes.append(BrokenCause(id, raw, document, path))
            problems.append(
                Problem(
                    document.file, line, column, id, f"an earlier pack has this id at {earlier}",
                    "say `replaces: true`, or change single lines under `adjust:`",
                )
            )  # fmt: skip
            return
    fresh.add(key)
    knowledge.origins[key] = Origin(header.name, document.file, line, column, earlier, short)
    knowledge.paths[key] = path
    if isinstance(entry, Example):
        knowledge.examples.append(entry)
        return
    getattr(knowledge, kind)[id] = entry
    if isinstance(entry, Cause):
        knowledge.lines = {k: v for k, v in knowledge.lines.items() if k[0] != id} if earlier else knowledge.lines
        for index in range(len(entry.evidence)):
            at = document.place((*path, "evidence", index))
            knowledge.lines[id, index] = Origin(header.name, document.file, *at, short=short)


def _adjust(
    adjust: Adjust,
    document: Document,
    path: tuple[str | int, ...],
    origin: Origin,
    knowledge: Knowledge,
    problems: list[Problem],
) -> None:
    cause = knowledge.causes.get(adjust.cause)
    if cause is None:
        if ("causes", adjust.cause) not in knowledge.broken:
            at = document.place((*path, "cause"))
            problems.append(
                Problem(
                    document.file, *at, adjust.cause, "no earlier pack has this cause",
                    nearest(adjust.cause, knowledge.causes) or "give the id of a cause that `diagnose rules list` shows",
                )
            )  # fmt: skip
        return

    def cell(line: Evidence) -> tuple[Any, ...]:
        return line.about, line.answer, tuple(sorted(line.given.items()))

    evidence = list(cause.evidence)
    for index, line in enumerate(adjust.evidence):
        here = Origin(
            origin.pack, document.file, *document.place((*path, "evidence", index)), short=origin.short
        )
        same = next((i for i, old in enumerate(evidence) if cell(old) == cell(line)), None)
        if same is None:
            evidence.append(line)
            same = len(evidence) - 1
        else:
            evidence[same] = line
            here = replace(here, over=knowledge.lines.get((cause.id, same)))
        knowledge.lines[cause.id, same] = here
    changes: dict[str, Any] = {"evidence": tuple(evidence)}
    if adjust.rate is not None:
        changes["rate"] = adjust.rate
    knowledge.causes[cause.id] = cause.model_copy(update=changes)


def validated(
    model: type[BaseModel],
    raw: Any,
    document: Document,
    path: tuple[str | int, ...],
    id: str,
    problems: list[Problem],
) -> Any:
    """Return plain data as a model; None, with every fault and its place added to ``problems``, where it is none."""
    try:
        return model.model_validate(raw)
    except ValidationError as error:
        for fault in _told_once(error.errors()):
            loc = tuple(step for step in fault["loc"] if step != "[key]")
            what, instead = _in_words(fault, model, loc)
            key = fault["type"] == "extra_forbidden" or "[key]" in fault["loc"]
            line, column = document.place((*path, *loc), key=key)
            problems.append(Problem(document.file, line, column, id, what, instead))
        return None


def _told_once(faults: list[Any]) -> Iterator[Any]:
    """Yield the faults without those that only follow from another: a misspelt field lacks, a broken list is empty."""
    strangers = {(fault["loc"][:-1], str(fault["loc"][-1])) for fault in faults if fault["type"] == "extra_forbidden"}
    for fault in faults:
        loc = fault["loc"]
        misspelt = fault["type"] == "missing" and any(
            within == loc[:-1] and nearest(name, [loc[-1]]) for within, name in strangers
        )
        broken = fault["type"] == "too_short" and any(other["loc"][: len(loc)] == loc for other in faults if other is not fault)
        if not misspelt and not broken:
            yield fault


def _in_words(fault: Any, model: type[BaseModel], loc: tuple[str | int, ...]) -> tuple[str, str]:
    """Return what is wrong and what to write instead, in the words of rule files rather than the validator's."""
    names = [step for step in loc if isinstance(step, str)]
    if names[-1:] == ["value"] and "value" not in _fields(model, loc[:1]):
        names.pop()  # a number on a card may stand alone or beside where it is from: its name is the one above
    field_name = names[-1] if names else ""
    context = fault.get("ctx", {})
    got = fault.get("input")
    shown = repr(got if isinstance(got, str | int | float) else type(got).__name__)
    words: dict[str, Callable[[], tuple[str, str]]] = {
        "rule": lambda: (f"`{field_name}` {context['what']}" if field_name else context["what"], context["instead"]),
        "missing": lambda: (f"`{field_name}` is missing", f"add `{field_name}: ...`"),
        "extra_forbidden": lambda: (
            f"`{field_name}` is not a field here",
            nearest(field_name, _fields(model, loc)) or f"use: {', '.join(_fields(model, loc))}",
        ),
        "literal_error": lambda: (
            f"`{field_name}` cannot be {shown}",
            " ".join(filter(None, [nearest(str(got), _choices(context)), f"write one of {context['expected']}"])),
        ),
        "string_too_long": lambda: (
            f"`{field_name}` has {len(str(got))} characters", f"say it in {context['max_length']} or fewer"
        ),
        "too_long": lambda: (f"`{field_name}` holds too many entries", f"keep {context['max_length']} at most"),
        "too_short": lambda: (f"`{field_name}` is empty", "add at least one entry"),
        "string_type": lambda: (f"`{field_name}` is {_kind(got)}, not a text", "write a word or a sentence"),
        "model_type": lambda: (f"`{field_name or 'entry'}` is {_kind(got)}, not a mapping", "write `field: value` lines"),
        "dict_type": lambda: (f"`{field_name}` is {_kind(got)}, not a mapping", "write {id: value}"),
        "tuple_type": lambda: (f"`{field_name}` is {_kind(got)}, not a list", "write its entries each after `- `"),
        "bool_parsing": lambda: (f"`{field_name}` cannot be {shown}", "write true or false"),
    }  # fmt: skip
    kind = fault["type"]
    if kind in words:
        return words[kind]()
    if kind in ("float_parsing", "int_parsing", "int_from_float", "float_type", "int_type"):
        return f"`{field_name}` cannot be {shown}", "write a whole number" if "int" in kind else "write a number"
    if kind in ("greater_than", "greater_than_equal", "less_than", "less_than_equal", "finite_number"):
        bound = next(iter(context.values()), "")
        than = {"greater_than": "above", "greater_than_equal": "no less than", "less_than": "below"}.get(kind, "no more than")
        return f"`{field_name}` cannot be {shown}", f"write a number {than} {bound}" if bound != "" else "write a number"
    return f"`{field_name}`: {fault['msg']}", "see `diagnose rules show` for an entry of this kind"


def _choices(context: dict[str, Any]) -> list[str]:
    return [word.strip().strip("'") for word in str(context["expected"]).replace(" or ", ", ").split(",")]


def _kind(got: Any) -> str:
    return {dict: "a mapping", list: "a list", type(None): "empty"}.get(type(got), "a text")


def _fields(model: type[BaseModel], loc: tuple[str | int, ...]) -> list[str]:
    """Return the fields that the model at ``loc`` knows, following nested models."""
    current: Any = model
    for step in loc[:-1]:
        if isinstance(step, int):
            continue
        info = current.model_fields.get(step) if hasattr(current, "model_fields") else None
        current = next(iter(_models(info.annotation)), current) if info else current
    return [info.alias or name for name, info in current.model_fields.items()]


def _models(annotation: Any) -> Iterable[type[BaseModel]]:
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        yield annotation
    for inner in getattr(annotation, "__args__", ()):
        yield from _models(inner)
