"""``python -m tests.bench [toolpath | start] [--large]``; without a name, both. ``python -m tests.bench marks --help``."""

from __future__ import annotations

import sys

from tests.bench import marks, start, toolpath

if __name__ == "__main__":
    if sys.argv[1:2] == ["marks"]:
        sys.exit(marks.table(sys.argv[2:]))
    chosen = [name for name in sys.argv[1:] if not name.startswith("-")] or ["start", "toolpath"]
    for name in chosen:
        {"start": start.start, "toolpath": lambda: toolpath.table("--large" in sys.argv)}[name]()
