"""``python -m tests.bench [toolpath | start | users | plan] [--large]``; without a name, start and toolpath. ``... marks --help``."""

from __future__ import annotations

import sys

from tests.bench import cure, marks, start, toolpath, users

if __name__ == "__main__":
    if sys.argv[1:2] == ["marks"]:
        sys.exit(marks.table(sys.argv[2:]))
    chosen = [name for name in sys.argv[1:] if not name.startswith("-")] or ["start", "toolpath"]
    large = "--large" in sys.argv
    for name in chosen:
        {
            "start": start.start,
            "toolpath": lambda: toolpath.table(large),
            "plan": lambda: cure.table(8 if large else cure.EACH),
            "users": lambda: users.users(20 if large else users.EACH),
        }[name]()
