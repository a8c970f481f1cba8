"""What rule files said when they were last parsed, kept so that an unchanged file is not parsed again.

Parsing is most of the time that loading the rules takes. Only files without a fault are kept, one JSON file for each,
with a digest of the bytes it was made from. A record that is damaged, old or cannot be written costs a parse and nothing
else.
"""

from __future__ import annotations

import json
import os
import tempfile
from contextlib import suppress
from hashlib import sha256
from pathlib import Path
from typing import Any

from diagnose.folders import cache

Places = dict[str, tuple[int, int]]
"""Path of an entry such as ``causes.3.evidence.2`` to its line and column, from 1."""

FORMAT = 1
LEAST_BYTES = 4_000
"""Smaller files are parsed sooner than they are looked up."""
MOST_RECORDS = 1_000


def recall(file: str, raw: bytes) -> tuple[Any, Places] | None:
    """Return the data and places of a file, if it was parsed before with these very bytes."""
    if len(raw) < LEAST_BYTES:
        return None
    try:
        kept = json.loads(_record(file).read_bytes())
        if kept["format"] == FORMAT and kept["digest"] == sha256(raw).hexdigest():
            return kept["data"], {path: (line, column) for path, (line, column) in kept["places"].items()}
    except (OSError, ValueError, LookupError, TypeError, AttributeError, RecursionError):
        pass
    return None


def keep(file: str, raw: bytes, data: Any, places: Places) -> None:
    """Remember what a file says; where that cannot be written, nothing happens."""
    if len(raw) < LEAST_BYTES:
        return
    record = _record(file)
    said = {"format": FORMAT, "digest": sha256(raw).hexdigest(), "data": data, "places": places}
    with suppress(OSError, ValueError, RecursionError):
        record.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
        _make_room(record.parent)
        handle, temporary = tempfile.mkstemp(dir=record.parent)
        try:
            with os.fdopen(handle, "w", encoding="ascii") as out:
                json.dump(said, out, separators=(",", ":"))
            Path(temporary).replace(record)
        except BaseException:
            Path(temporary).unlink(missing_ok=True)
            raise


def _record(file: str) -> Path:
    return cache("rules") / f"{sha256(os.path.abspath(file).encode(errors='surrogateescape')).hexdigest()[:32]}.json"  # noqa: PTH100


def _make_room(folder: Path) -> None:
    records = list(folder.glob("*.json"))
    if len(records) >= MOST_RECORDS:
        for old in sorted(records, key=lambda p: p.stat().st_mtime)[: MOST_RECORDS // 2]:
            old.unlink(missing_ok=True)
