"""``python -m tests.bench [toolpath | start] [--large]``; without a name, both."""

from __future__ import annotations

import sys

from tests.bench import start, toolpath

if __name__ == "__main__":
    chosen = [name for name in sys.argv[1:] if not name.startswith("-")] or ["start", "toolpath"]
    for name in chosen:
        {"start": start.start, "toolpath": lambda: toolpath.table("--large" in sys.argv)}[name]()
