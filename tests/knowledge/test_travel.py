"""Packs that travel: made and unpacked whole, and whatever is not plain rules refused with nothing left behind."""

from __future__ import annotations

import io
import stat
import zipfile
from pathlib import Path

import pytest

from diagnose.errors import BadInput
from diagnose.knowledge import travel
from diagnose.knowledge.builtin import rules_folder
from diagnose.knowledge.settings import installed_packs
from diagnose.knowledge.travel import install, packed, remove

RULES = "pack: {name: Night shift, version: 2}\nsources:\n  - {id: notebook, cite: Our notebook}\n"


def archive(tmp_path: Path, files: dict[str, str | bytes], name: str = "pack.zip") -> Path:
    path = tmp_path / name
    with zipfile.ZipFile(path, "w") as file:
        for inside, content in files.items():
            file.writestr(inside, content)
    return path


@pytest.fixture
def into(tmp_path: Path) -> Path:
    return tmp_path / "packs"


def left(into: Path) -> list[str]:
    return sorted(p.relative_to(into).as_posix() for p in into.rglob("*")) if into.exists() else []


def test_a_pack_comes_out_as_it_went_in_and_its_bytes_depend_on_nothing_else(tmp_path: Path, into: Path) -> None:
    folder = tmp_path / "mine"
    (folder / "more").mkdir(parents=True)
    (folder / "a.yaml").write_text(RULES)
    (folder / "more" / "b.yml").write_text("examples: []\n")
    (folder / "README.md").write_text("For the night shift.\n")
    (folder / ".hidden.yaml").write_text("x: [")
    (folder / "program.py").write_text("print()\n")
    made = packed(folder)
    (folder / "a.yaml").touch()
    assert packed(folder) == made
    path = tmp_path / "x.zip"
    path.write_bytes(made)
    place, knowledge, advice = install(path, [rules_folder()], into)
    assert place == into / "night-shift"
    assert left(place) == ["README.md", "a.yaml", "more", "more/b.yml"]
    assert (place / "a.yaml").read_text() == RULES
    assert knowledge.packs[-1].version == "2" and "notebook" in knowledge.sources
    assert [p.file for p in advice] == [str(place / "a.yaml")]  # nobody cites it
    assert not any((p.stat().st_mode & 0o111) for p in place.rglob("*") if p.is_file())


def test_a_pack_of_the_same_name_gives_way_only_when_told_to(tmp_path: Path, into: Path) -> None:
    first = archive(tmp_path, {"a.yaml": RULES, "old.yaml": "examples: []\n"})
    second = archive(tmp_path, {"a.yaml": RULES.replace("version: 2", "version: 3")}, "second.zip")
    install(first, [rules_folder()], into)
    with pytest.raises(BadInput, match="installed already"):
        install(second, [rules_folder()], into)
    # The older one, in force as it is, is not in the way of its successor.
    place, knowledge, _ = install(second, [rules_folder(), into / "night-shift"], into, replace=True)
    assert knowledge.packs[-1].version == "3" and left(into) == ["night-shift", "night-shift/a.yaml"]
    assert installed_packs(into) == [place]
    remove("night-shift", into)
    assert left(into) == []
    with pytest.raises(BadInput, match="no pack 'night-shift' is installed"):
        remove("night-shift", into)


def link(name: str) -> bytes:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w") as file:
        entry = zipfile.ZipInfo(name)
        entry.external_attr = (stat.S_IFLNK | 0o777) << 16
        file.writestr(entry, "/etc/passwd")
    return out.getvalue()


def program(name: str) -> bytes:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w") as file:
        entry = zipfile.ZipInfo(name)
        entry.external_attr = (stat.S_IFREG | 0o755) << 16
        file.writestr(entry, RULES)
    return out.getvalue()


@pytest.mark.parametrize(
    "name",
    ["../a.yaml", "/tmp/a.yaml", "x/../../a.yaml", "C:a.yaml", "..\\a.yaml", "a\\b.yaml", ".hidden/a.yaml", "a\x1b[31m.yaml",
     "./../a.yaml", "a" * 300 + ".yaml"],
)  # fmt: skip
def test_no_name_leads_out_of_the_folder(tmp_path: Path, into: Path, name: str) -> None:
    path = archive(tmp_path, {"good.yaml": RULES, name: RULES})
    with pytest.raises(BadInput, match="with the name") as fault:
        install(path, [rules_folder()], into)
    assert "\x1b" not in str(fault.value)
    assert left(into) == []
    assert not (tmp_path / "a.yaml").exists()


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (b"no zip at all", "no zip file"),
        (b"", "no zip file"),
        (link("a.yaml"), "a link or a program"),
        (program("a.yaml"), "a link or a program"),
    ],
)
def test_what_is_no_pack_is_refused(tmp_path: Path, into: Path, content: bytes, words: str) -> None:
    path = tmp_path / "pack.zip"
    path.write_bytes(content)
    with pytest.raises(BadInput, match=words):
        install(path, [rules_folder()], into)
    assert left(into) == []


@pytest.mark.parametrize(
    ("files", "words"),
    [
        ({"a.yaml": RULES, "run.sh": "rm -rf /"}, "it holds 'run.sh'"),
        ({"a.yaml": RULES, "a.py": "x"}, "it holds 'a.py'"),
        ({"README.md": "hello"}, "no rule file"),
        ({}, "no rule file"),
        ({"a.yaml": RULES, "A.yaml": RULES}, "twice"),
        ({"a.yaml": "causes:\n  - {id: x}\n"}, "its rules have a fault"),
        ({"a.yaml": b"\xff"}, "its rules have a fault"),
        ({"a.yaml": "pack: {name: x, requires: {program: 99}}\nsources: []\n"}, "needs version 99"),
        ({f"{n}.yaml": "sources: []\n" for n in range(travel.MOST_FILES + 1)}, "it holds 501 files"),
    ],
)
def test_a_pack_with_something_else_in_it_or_a_fault_is_refused(
    tmp_path: Path, into: Path, files: dict[str, str | bytes], words: str
) -> None:
    with pytest.raises(BadInput, match=words):
        install(archive(tmp_path, files), [rules_folder()], into)
    assert left(into) == []


def test_a_file_that_unpacks_without_end_is_stopped(tmp_path: Path, into: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "bomb.zip"
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as file:
        file.writestr("a.yaml", "#" * (travel.MOST_BYTES + 1))
    assert path.stat().st_size < 100_000
    with pytest.raises(BadInput, match="unpacks to more than"):
        install(path, [rules_folder()], into)
    assert left(into) == []


def test_a_damaged_archive_is_refused(tmp_path: Path, into: Path) -> None:
    path = archive(tmp_path, {"a.yaml": RULES * 50})
    whole = bytearray(path.read_bytes())
    whole[60] ^= 0xFF
    path.write_bytes(whole)
    with pytest.raises(BadInput, match="damaged"):
        install(path, [rules_folder()], into)
    assert left(into) == []


def test_a_folder_without_rules_is_not_packed(tmp_path: Path) -> None:
    (tmp_path / "a.txt").write_text("x")
    with pytest.raises(BadInput, match="no folder of rules"):
        packed(tmp_path)
