"""Somebody works in a casebook and is killed at a random moment, again and again; nothing said may be lost.

A process of its own, because it forks: `python -m tests.cases.killed FOLDER KILLS SEED` prints what it found wrong.
"""

from __future__ import annotations

import os
import random
import signal
import sys
import time
from collections.abc import Iterator
from pathlib import Path

from diagnose.cases.book import Casebook
from diagnose.errors import BadInput
from diagnose.knowledge.check import load_checked
from diagnose.knowledge.pack import Knowledge
from diagnose.triage import Triage, filing
from diagnose.triage.learn import learn
from diagnose.whole import write_whole
from tests.cases.test_files import RULES

LONGEST = 0.06
"""s that one worker lives at most."""


def work(rules: Knowledge, folder: Path, told: int, name: str) -> None:
    """Start, answer, try, close, note, open again and learn, saying of each what is done once it is."""
    book = Casebook(folder)

    def done(what: str) -> None:
        os.write(told, f"{what}\n".encode())

    for number in range(10_000):
        title = f"{name}-{number}"
        triage = Triage.start(rules, book, title)
        done(f"start {title}")
        triage.answer("look", "a")
        done(f"answer {title}")
        triage.try_remedy("cool", "no-change")
        triage.try_remedy("dry", "cured")
        done(f"cured {title}")
        filing.note(triage, "remark")
        done(f"note {title}")
        learnt = learn(rules, book.cases())
        write_whole(folder.parent / "learnt.json", learnt.model_dump_json(), "learnt.json")
        done(f"learnt {learnt.cases}")


def wrong(folder: Path, said: list[str]) -> Iterator[str]:
    """Yield what is not as it was said to be."""
    entries = Casebook(folder).entries()
    yield from (f"damaged: {e.fault}" for e in entries if e.state == "damaged")
    cases = {e.case.title: e.case for e in entries}
    for line in said:
        what, _, title = line.partition(" ")
        if what == "learnt":
            continue
        case = cases.get(title)
        if case is None:
            yield f"lost: {title}"
        elif what == "answer" and case.answers.get("look") != ("a",):
            yield f"lost: the answer of {title}"
        elif what == "cured" and case.cured is None:
            yield f"lost: the cure of {title}"
        elif what == "note" and case.notes != ["remark"]:
            yield f"lost: the note of {title}"
    learnt = folder.parent / "learnt.json"
    if learnt.exists() and not learnt.read_text().endswith("}"):
        yield "half written: learnt.json"


def main(folder: Path, kills: int, seed: int) -> int:
    draw = random.Random(seed)
    rules_file = folder.parent / "rules.yaml"
    rules_file.write_text(RULES)
    rules = load_checked([rules_file])
    said: list[str] = []
    faults = []
    for kill in range(kills):
        ours, theirs = os.pipe()
        child = os.fork()
        if child == 0:
            os.close(ours)
            try:
                work(rules, folder, theirs, f"w{kill}")
            except BadInput as error:
                os.write(theirs, f"refused {error}\n".encode())
            os._exit(0)
        os.close(theirs)
        time.sleep(draw.uniform(0.001, LONGEST))
        os.kill(child, signal.SIGKILL)
        os.waitpid(child, 0)
        with os.fdopen(ours) as told:
            said += [line for line in told.read().split("\n")[:-1] if line]
        faults += [f"after kill {kill}: {fault}" for fault in wrong(folder, said)]
        faults += [f"after kill {kill}: {line}" for line in said if line.startswith("refused")]
        if faults:
            break
    print("\n".join(faults) or f"{kills} kills, {len(said)} things said, {len(Casebook(folder).entries())} cases, nothing lost")
    return 1 if faults else 0


if __name__ == "__main__":
    sys.exit(main(Path(sys.argv[1]), int(sys.argv[2]), int(sys.argv[3])))
