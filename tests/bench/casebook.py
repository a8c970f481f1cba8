"""How long a casebook of thousands takes to list, search, compare, learn from and score."""

from __future__ import annotations

import tempfile
import time
from collections.abc import Callable
from pathlib import Path

from diagnose.cases.book import Casebook
from diagnose.cases.index import Index
from diagnose.cases.record import as_yaml, bare
from diagnose.triage import knowledge_from
from diagnose.triage.learn import learn
from diagnose.triage.score import score_learnt
from diagnose.triage.similar import similar
from tests.bench.start import median_ms, row
from tests.cases.shop import closed_cases, shop

CASES = 5000


def casebook(many: int = CASES) -> None:
    """Print the table."""
    knowledge = knowledge_from()
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place)
        for case in closed_cases(knowledge, shop(knowledge, 1), many, 1):
            (folder / f"{case.id}.yaml").write_text(as_yaml(bare(case)))
        print(f"{many:,} closed cases of an invented shop")
        row("index made from nothing", once(lambda: Index(folder).entries()), "s")
        row("list", median_ms(lambda: Index(folder).find(())) / 1e3, "s", "goal 0.3")
        row("find two words", median_ms(lambda: Index(folder).find(("strings", "petg"))) / 1e3, "s", "goal 0.3")
        cases = Casebook(folder).cases()
        row("similar", median_ms(lambda: similar(knowledge, cases[7], cases)) / 1e3, "s", "goal 0.2")
        row("learn", once(lambda: learn(knowledge, cases)), "s", "goal 10")
        row("score, one left out at a time", once(lambda: score_learnt(knowledge, cases)), "s", "goal 60")


def once(work: Callable[[], object]) -> float:
    """Return the seconds that something takes."""
    begun = time.perf_counter()
    work()
    return time.perf_counter() - begun
