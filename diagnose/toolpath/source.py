"""Where the bytes of a job come from: a file, or a job file inside a zip archive, told from what is none."""

from __future__ import annotations

import zipfile
import zlib
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import IO

import numpy as np

from diagnose.errors import BadInput
from diagnose.toolpath.columns import Bytes

SAMPLE = 1 << 16
LARGEST_UNPACKED = 4 << 30
"""Bytes of a job inside an archive; nothing is ever unpacked to the disk."""
ENDINGS = (".gcode", ".gco", ".g", ".nc", ".ngc")
_ARCHIVE = b"PK\x03\x04"


@dataclass(frozen=True, slots=True)
class Source:
    """The bytes of one job."""

    path: Path
    """The file, or the archive."""
    member: str
    """Name of the job inside the archive; empty for a plain file."""
    size: int
    """Bytes, unpacked."""

    @property
    def where(self) -> str:
        """How messages name it."""
        return f"{self.path}/{self.member}" if self.member else str(self.path)

    @contextmanager
    def opened(self) -> Iterator[IO[bytes]]:
        """Open the bytes; whatever goes wrong while they are read becomes BadInput."""
        try:
            if not self.member:
                with self.path.open("rb", buffering=0) as file:
                    yield file
                return
            with zipfile.ZipFile(self.path) as archive, archive.open(self.member) as inside:
                yield inside
        except (zipfile.BadZipFile, zlib.error, EOFError, NotImplementedError) as fault:
            raise BadInput(
                f"the archive cannot be unpacked ({fault})", "unpack it and give the job file inside", self.where
            ) from None
        except OSError as fault:
            raise _unreadable(fault, self.where) from None


def find_source(path: Path) -> Source:
    """Return the job that a path names: a file, the first job in a zip archive, or ``archive.zip/name`` for another.

    Raises
    ------
    BadInput
        The file is missing, a folder, empty, a pointer to a file kept elsewhere, binary, or an archive without a job.
    """
    where = str(path)
    wanted = ""
    try:
        if path.is_dir():
            raise BadInput("this is a folder, not a job file", "give the G-code file itself", where)
        for outer in path.parents if not path.exists() else ():
            if outer.is_file():
                path, wanted = outer, path.relative_to(outer).as_posix()
                break
        with path.open("rb") as file:
            head = file.read(SAMPLE)
            size = path.stat().st_size
    except (FileNotFoundError, NotADirectoryError):
        raise BadInput("there is no such file", "check the spelling and the folder", where) from None
    except OSError as fault:
        raise _unreadable(fault, where) from None
    source = Source(path, "", size)
    if head.startswith(_ARCHIVE):
        source = _inside(path, wanted)
        with source.opened() as file:
            head = file.read(SAMPLE)
    elif wanted:
        raise BadInput("this is no zip archive", "give the job file itself", str(path))
    if not head:
        raise BadInput("the file is empty", "export or copy the job again", source.where)
    _refuse_other_formats(np.frombuffer(head, np.uint8), source.where)
    return source


def _inside(path: Path, wanted: str) -> Source:
    """Return the job with this name in an archive, or the first one."""
    try:
        with zipfile.ZipFile(path) as archive:
            members = [m for m in archive.infolist() if not m.is_dir()]
    except (zipfile.BadZipFile, OSError, NotImplementedError, ValueError) as fault:
        raise BadInput(f"the archive cannot be read ({fault})", "copy or pack it again", str(path)) from None
    jobs = [m for m in members if m.filename.lower().endswith(ENDINGS) and not m.filename.startswith("__MACOSX/")]
    chosen = [m for m in members if m.filename == wanted] if wanted else jobs[:1]
    if not chosen:
        names = ", ".join(m.filename for m in jobs[:5])
        what = f"the archive holds no file {wanted}" if wanted else "the archive holds no job file"
        raise BadInput(what, f"it holds {names}" if names else "names of job files end with .gcode", str(path))
    member = chosen[0]
    if member.flag_bits & 1:
        raise BadInput("the job in this archive is locked with a password", "unpack it first", str(path))
    if member.file_size > LARGEST_UNPACKED:
        raise BadInput(
            f"the job in this archive would be {member.file_size / 1e9:.1f} GB large",
            "unpack it and give the job file inside, if it is one", str(path),
        )  # fmt: skip
    return Source(path, member.filename, member.file_size)


def _unreadable(fault: OSError, where: str) -> BadInput:
    return BadInput(f"the file cannot be read ({fault.strerror or fault})", "check its permissions", where)


def _refuse_other_formats(head: Bytes, where: str) -> None:
    """Raise BadInput for content that is no text of G-code, told by its first bytes."""
    start = head[:1024].tobytes()
    if start.startswith(b"version ") and b"\noid " in start and b"\nsize " in start:
        raise BadInput(
            "this is a pointer to a job file that is kept elsewhere, not the job file",
            "fetch the real file first, then give that one", where,
        )  # fmt: skip
    if start.startswith((b"PK\x03\x04", b"\x1f\x8b", b"7z\xbc\xaf")):
        raise BadInput("this is a compressed archive", "unpack it and give the job file inside", where)
    if start.startswith((b"\xff\xfe", b"\xfe\xff")):
        raise BadInput("the text is stored in 16-bit characters", "save it as plain text or UTF-8", where)
    control = (head < 32) & ~np.isin(head, np.frombuffer(b"\0\t\n\v\f\r", np.uint8))
    odd = np.count_nonzero(control | (head == 127)) / len(head)
    zeros = np.count_nonzero(head == 0) / len(head)
    if odd > 0.02 or zeros > 0.5 or (zeros > 0.02 and odd > 0.005):
        raise BadInput("this is a binary file, not G-code text", "export the job as plain text", where)


