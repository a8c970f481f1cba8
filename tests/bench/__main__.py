"""``python -m tests.bench [start | rules | keys | casebook | toolpath | plan | users ...] [--large]``; without a name, start and toolpath.

``python -m tests.bench marks --help`` for the marks, which has options of its own.
"""

from __future__ import annotations

import argparse
import sys

from tests.bench import casebook, cure, keys, marks, rules, start, toolpath, users

NAMES = ("start", "rules", "keys", "casebook", "toolpath", "plan", "users")


def main(arguments: list[str]) -> int:
    """Print the tables asked for."""
    if arguments[:1] == ["marks"]:
        return marks.table(arguments[1:])
    parser = argparse.ArgumentParser(prog="python -m tests.bench", description=__doc__)
    parser.add_argument("names", nargs="*", metavar="NAME", help=f"marks, {', '.join(NAMES)}")
    parser.add_argument("--large", action="store_true", help="more people, and a job of 1,000 MB")
    asked = parser.parse_args(arguments)
    if unknown := [name for name in asked.names if name not in NAMES]:
        parser.error(f"no table is called {', '.join(unknown)}; there are marks, {', '.join(NAMES)}")
    for name in asked.names or ["start", "toolpath"]:
        {
            "start": start.start,
            "rules": rules.rules,
            "keys": keys.keys,
            "casebook": casebook.casebook,
            "toolpath": lambda: toolpath.table(asked.large),
            "plan": lambda: cure.table(8 if asked.large else cure.EACH),
            "users": lambda: users.users(20 if asked.large else users.EACH),
        }[name]()
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
