"""No text of a rule acts on a terminal, an app or a page: what could is refused, and markup is shown as it stands."""

from __future__ import annotations

from collections.abc import Iterator
from functools import cache
from pathlib import Path
from typing import Any

import pytest
import yaml
from pydantic import BaseModel

from diagnose.knowledge.builtin import rules_folder
from diagnose.knowledge.check import load_checked
from diagnose.knowledge.pack import ENTRY_KINDS, KINDS, Knowledge, load
from diagnose.knowledge.reader import read
from tests.cli.run import run

MARKUP = "[red]x[/] "
MARKED = MARKUP + "[@click=app.quit]q[/] <b>y</b> &amp; {0} %s "
ACTING = ["\x1b[31m", "\x07", "\x9b2J", "\x08", "\u202e", "\u2066", "\u2028", "\x00"]


def leaves(node: Any, path: tuple[Any, ...] = ()) -> Iterator[tuple[tuple[Any, ...], str]]:
    """Yield path and text of every scalar."""
    if isinstance(node, dict):
        for key, value in node.items():
            yield from leaves(value, (*path, key))
    elif isinstance(node, list):
        for index, value in enumerate(node):
            yield from leaves(value, (*path, index))
    elif isinstance(node, str):
        yield path, node


def put(node: Any, path: tuple[Any, ...], value: str) -> Any:
    """Return a copy with one scalar changed."""
    if not path:
        return value
    head, *rest = path
    if isinstance(node, dict):
        return {k: put(v, tuple(rest), value) if k == head else v for k, v in node.items()}
    return [put(v, tuple(rest), value) if i == head else v for i, v in enumerate(node)]


@cache
def raw_entries() -> dict[str, list[Any]]:
    """Every kind to the entries of the built-in pack, as they stand in the files, the richest first."""
    found: dict[str, list[Any]] = {}
    for file in sorted(rules_folder().rglob("*.yaml")):
        for kind, entries in read(file)[0].data.items():
            if kind in KINDS:
                found.setdefault(kind, []).extend(entries)
    found["adjust"] = [{"cause": "wet-filament", "rate": "rare", "evidence": found["causes"][0]["evidence"][:1]}]
    return {kind: sorted(entries, key=lambda e: -len(list(leaves(e)))) for kind, entries in found.items()}


def takes(kind: str, entry: Any) -> bool:
    try:
        KINDS[kind].model_validate(entry)
    except ValueError:
        return False
    return True


def holds(entry: BaseModel, bad: str) -> bool:
    return any(bad in text for _, text in leaves(entry.model_dump(mode="json", by_alias=True)))


@pytest.mark.parametrize("kind", KINDS)
def test_a_character_that_acts_is_refused_in_every_field_of_every_kind(kind: str) -> None:
    entries = raw_entries()[kind][:2]
    assert entries and all(takes(kind, entry) for entry in entries)
    tried = 0
    for entry in entries:
        for path, text in leaves(entry):
            for bad in ACTING:
                tried += 1
                changed = put(entry, path, f"{text[:3]}{bad}{text[3:]}")
                # Refused, or gone with the space round a number.
                assert not takes(kind, changed) or not holds(KINDS[kind].model_validate(changed), bad), (kind, path, bad)
    assert tried >= len(ACTING) * 2


def test_the_header_of_a_pack_takes_no_character_that_acts(tmp_path: Path) -> None:
    for field in ("name", "version", "contact"):
        (tmp_path / "p.yaml").write_text(yaml.safe_dump({"pack": {"name": "p", field: "a\x1b[31mb"}, "sources": []}))
        assert [p for p in load([tmp_path])[1] if p.hard and field in p.what]


@cache
def hostile_texts() -> dict[str, list[Any]]:
    """The built-in rules with markup at the start of every text that takes it."""
    marked: dict[str, list[Any]] = {}
    for kind, entries in raw_entries().items():
        if kind in ("adjust", "examples"):
            continue
        marked[kind] = []
        for entry in entries:
            entry = {**entry}
            for path, text in leaves(entry):
                if path[-1] in ("id", "source", "family", "picture") or " " not in text:
                    continue
                for mark in (MARKED, MARKUP):
                    changed = put(entry, path, mark + text)
                    if takes(kind, changed):
                        entry = changed
                        break
            marked[kind].append(entry)
    return marked


@cache
def hostile_pack() -> Knowledge:
    import tempfile

    with tempfile.TemporaryDirectory() as folder:
        write_hostile(Path(folder))
        return load_checked([Path(folder)])


def write_hostile(folder: Path, **more: Any) -> None:
    for kind, entries in hostile_texts().items():
        (folder / f"{kind}.yaml").write_text(yaml.safe_dump({kind: [{**e, **more} for e in entries]}, allow_unicode=True, width=10_000))


COMMANDS: list[list[str]] = [
    *(["rules", "list", kind] for kind in ENTRY_KINDS),
    ["rules", "show", "wet-filament"], ["rules", "show", "defect"], ["rules", "show", "dry-filament"],
    ["rank", "--answer", "defect=strings", "--answer", "popping=yes"],
    ["plan", "--answer", "defect=strings", "--answer", "popping=yes"],
    ["printers", "list"], ["printers", "show", "board-memory-card"], ["coupon", "list"], ["rules", "check"],
    ["rules", "schema"],
]  # fmt: skip


@pytest.fixture(scope="module")
def hostile_folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("hostile")
    write_hostile(folder, replaces=True)
    return folder


@pytest.mark.parametrize("command", COMMANDS, ids=" ".join)
def test_markup_reaches_a_terminal_as_it_stands_and_nothing_acts(
    capsys: pytest.CaptureFixture[str], hostile_folder: Path, command: list[str]
) -> None:
    ids = {e["id"] for e in raw_entries()["remedies"]}
    if command[-1] == "dry-filament" and "dry-filament" not in ids:
        command = [*command[:-1], sorted(ids)[0]]
    seen = run(capsys, *command, "--rules", hostile_folder)
    assert seen.code in (0, 1), seen.err
    whole = seen.out + seen.err
    assert not [c for c in whole if (ord(c) < 32 and c != "\n") or 0x7F <= ord(c) <= 0x9F or c in "\u202e\u2066\u2028"]
    if command[:2] != ["rules", "check"]:
        assert MARKUP.strip() in whole


def test_an_interview_shows_markup_as_it_stands(capsys: pytest.CaptureFixture[str], hostile_folder: Path, tmp_path: Path) -> None:
    seen = run(capsys, "ask", "--casebook", tmp_path, "--rules", hostile_folder, typed="1\nw\n1\n?\nc\nq\n")
    assert seen.code == 0 and MARKUP.strip() in seen.out
    assert "\x1b" not in seen.out


def test_names_of_files_do_not_act_either(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    folder = tmp_path / "a\x1b[31mb"
    folder.mkdir()
    (folder / "x\x1b[2J.yaml").write_text("causes:\n  - {id: x}\n")
    for command in (["rules", "check"], ["rank"], ["rules", "list"]):
        seen = run(capsys, *command, "--rules", folder)
        assert seen.code in (1, 2)
        assert "\x1b" not in seen.out + seen.err
