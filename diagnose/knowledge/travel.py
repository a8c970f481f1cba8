"""Packs that travel from shop to shop in one file: a zip of rule files and nothing else.

A file from somebody else is trusted with nothing: names that would leave the folder, links, anything that is not plain
text, and sizes beyond bounds are refused before a byte is laid down, and what it says is checked like any rules.
"""

from __future__ import annotations

import shutil
import stat
import tempfile
import zipfile
from collections.abc import Iterator, Sequence
from contextlib import suppress
from pathlib import Path, PurePosixPath

from diagnose.errors import BadInput
from diagnose.knowledge.check import check
from diagnose.knowledge.pack import SUFFIXES, Knowledge, load, rule_files
from diagnose.knowledge.reader import Problem
from diagnose.knowledge.settings import installed_packs

MOST_FILES = 500
MOST_BYTES = 20_000_000
"""Of all files together, unpacked."""
NOTES = (".md", ".txt")
"""Texts for people that may travel along."""
SAME_FOR_ALL = (1980, 1, 1, 0, 0, 0)
"""The time every file in a pack bears, so that the same rules make the same bytes."""


def packed(folder: Path) -> bytes:
    """Return a folder of rules as the bytes of a zip file: its rule files, and notes for people.

    Raises BadInput where the folder holds no rules, or more than a pack may.
    """
    inside = rule_files(folder)
    if not folder.is_dir() or not inside:
        raise BadInput("there is no folder of rules", "give a folder that holds .yaml files", str(folder))
    notes = (p for p in sorted(folder.rglob("*")) if p.suffix in NOTES and p.is_file())
    files = [*inside, *(p for p in notes if not any(part.startswith(".") for part in p.relative_to(folder).parts))]
    if len(files) > MOST_FILES or sum(p.stat().st_size for p in files) > MOST_BYTES:
        raise BadInput(f"holds more than {MOST_FILES} files or {MOST_BYTES:,} bytes", "pack fewer rules", str(folder))
    with tempfile.TemporaryFile() as file:
        with zipfile.ZipFile(file, "w", zipfile.ZIP_DEFLATED) as archive:
            for path in files:
                entry = zipfile.ZipInfo(path.relative_to(folder).as_posix(), SAME_FOR_ALL)
                entry.external_attr = 0o644 << 16
                entry.compress_type = zipfile.ZIP_DEFLATED
                archive.writestr(entry, path.read_bytes())
        file.seek(0)
        return file.read()


def name_of(folder: Path, otherwise: str) -> str:
    """Return what a pack is called, as the name of a folder: from its header, else the name given."""
    knowledge, _ = load([folder])
    stated = knowledge.packs[0].name
    words = "".join(c if c.isascii() and c.isalnum() else " " for c in (otherwise if stated == folder.name else stated).lower())
    return "-".join(words.split())[:60] or "pack"


def install(archive: Path, below: Sequence[Path], into: Path, *, replace: bool = False) -> tuple[Path, Knowledge, list[Problem]]:
    """Unpack a pack into a folder of its name, if it is sound; return where, the rules with it, and advice on them.

    Parameters
    ----------
    below
        The packs it is to be laid over, the built-in one first.
    into
        The folder of installed packs; it is made if need be.
    replace
        Whether an installed pack of the same name gives way.

    Raises BadInput, with nothing left behind, where the file is no pack or its rules have a fault.
    """
    into.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory(prefix=".arriving-", dir=into) as work:
        fresh = Path(work) / "pack"
        fresh.mkdir()
        for name, content in _contents(archive):
            path = fresh / name
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_bytes(content)
        name = name_of(fresh, archive.stem)
        place = into / name
        if place.exists() and not replace:
            raise BadInput(f"a pack {name!r} is installed already", "say --force to put this one in its place", str(archive))
        named = fresh.with_name(name)
        fresh.rename(named)
        knowledge, problems = load([*(p for p in below if p.absolute() != place.absolute()), named])
        problems = sorted(problems + check(knowledge))
        own = [p for p in problems if p.hard]
        if own:
            more = f" (and {len(own) - 1} more)" if len(own) > 1 else ""
            first = own[0]
            shown = first.file.removeprefix(str(named) + "/")
            raise BadInput(f"its rules have a fault: {first.what}{more}", first.instead, f"{archive}: {shown}:{first.line}:{first.column}")
        older = Path(work) / "older"
        if place.exists():
            place.rename(older)
        try:
            named.rename(place)
        except OSError:
            if older.exists():
                older.rename(place)
            raise
    moved = str(named)
    return place, knowledge, [
        Problem(str(place) + p.file.removeprefix(moved), p.line, p.column, p.id, p.what, p.instead, p.hard, p.rule)
        for p in problems if p.file.startswith(moved)
    ]  # fmt: skip


def remove(name: str, folder: Path) -> Path:
    """Take an installed pack away; raises BadInput where there is none of the name."""
    there = {p.name: p for p in installed_packs(folder)}
    if name not in there:
        raise BadInput(f"no pack {name!r} is installed", f"installed are: {', '.join(there) or 'none'}")
    with tempfile.TemporaryDirectory(prefix=".leaving-", dir=folder) as work:
        there[name].rename(Path(work) / name)  # out of force at once, whatever becomes of the rest
    return there[name]


def _contents(archive: Path) -> Iterator[tuple[str, bytes]]:
    """Yield name and bytes of each file; raises BadInput at the first that a pack may not hold."""
    try:
        with zipfile.ZipFile(archive) as file:
            entries = [entry for entry in file.infolist() if not entry.is_dir()]
            if len(entries) > MOST_FILES:
                raise _refused(archive, f"it holds {len(entries):,} files", f"a pack holds at most {MOST_FILES}")
            seen: set[str] = set()
            left = MOST_BYTES
            for entry in entries:
                name = _safe_name(archive, entry)
                if name.lower() in seen:
                    raise _refused(archive, f"it holds {name!r} twice", "ask for a pack made anew")
                seen.add(name.lower())
                with file.open(entry) as opened:
                    content = opened.read(left + 1)  # what the entry says of its size is not believed
                left -= len(content)
                if left < 0:
                    raise _refused(archive, f"it unpacks to more than {MOST_BYTES:,} bytes", "a pack of rules is far smaller")
                yield name, content
            if not any(name.endswith(SUFFIXES) for name in seen):
                raise _refused(archive, "it holds no rule file", "give a file made by `diagnose rules pack`")
    except OSError as error:
        raise BadInput(f"cannot be read ({error.strerror or error})", "check the path", str(archive)) from error
    except (zipfile.BadZipFile, EOFError, NotImplementedError, RuntimeError, ValueError) as error:
        raise _refused(archive, "it is no zip file, or a damaged or locked one", "ask for a pack made anew") from error


def _safe_name(archive: Path, entry: zipfile.ZipInfo) -> str:
    name = entry.filename
    parts = PurePosixPath(name).parts
    if (
        not parts or name.startswith("/") or "\\" in name or ":" in name or any(p in ("..", ".") or p.startswith(".") for p in parts)
        or not name.isprintable() or len(name) > 200
    ):  # fmt: skip
        raise _refused(archive, f"it holds a file with the name {name[:80]!r}", "names lead nowhere but into the pack's own folder")
    mode = entry.external_attr >> 16
    if stat.S_IFMT(mode) not in (0, stat.S_IFREG) or mode & 0o111:
        raise _refused(archive, f"{name!r} is a link or a program", "a pack holds plain text files only")
    if PurePosixPath(name).suffix not in (*SUFFIXES, *NOTES):
        raise _refused(archive, f"it holds {name!r}", f"a pack holds only files that end in {', '.join((*SUFFIXES, *NOTES))}")
    return name


def _refused(archive: Path, what: str, hint: str) -> BadInput:
    return BadInput(f"this is no pack of rules that may be installed: {what}", hint, str(archive))


def clear_leftovers(folder: Path) -> None:
    """Delete what an installation that was killed left behind."""
    for left in folder.glob(".arriving-*"):
        with suppress(OSError):
            shutil.rmtree(left)
