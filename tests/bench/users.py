"""Invented users interviewed by the program and in the best fixed order of questions."""

from __future__ import annotations

import statistics
import sys
import time
from collections.abc import Sequence

from diagnose.reasoning.network import compile_network
from diagnose.triage import knowledge_from
from diagnose.triage.score import wilson
from tests.bench.people import Choose, Interview, best_next, in_order, interview, people, static_orders

EACH = 4
SEED = 5


def users(each: int = EACH, seed: int = SEED, static: bool = True) -> None:
    """Print how often the true cause is found and after how many questions."""
    knowledge = knowledge_from()
    network = compile_network(knowledge)
    print(f"{each} users for each of {len(network.causes)} causes, seed {seed}")

    def talks(choose: Choose) -> list[Interview]:
        begun = time.perf_counter()
        found = [interview(person, choose) for person in people(knowledge, network, each, seed)]
        print(f"  ({time.perf_counter() - begun:.0f} s)", file=sys.stderr)
        return found

    own = talks(best_next)
    report("the program's own questions", own)
    worst = sorted({i.cause for i in own}, key=lambda c: (sum(i.place <= 3 for i in own if i.cause == c), c))
    print(f"  within three least often: {', '.join(worst[:12])}")
    if not static:
        return
    orders = {name: talks(in_order(order)) for name, order in static_orders(knowledge, network).items()}
    for name, found in orders.items():
        report(f"fixed order, {name}", found)
    for what, of in (("median", statistics.median), ("mean", statistics.fmean)):
        best = min(of([i.questions for i in found]) for found in orders.values())
        print(
            f"{what}: {of([i.questions for i in own]) / best:.2f} of the questions of the best fixed order (goal 0.85)"
        )


def report(name: str, found: Sequence[Interview]) -> None:
    """Print a block of figures."""
    n = len(found)
    print(name)
    for most, goal in ((1, ""), (3, "goal 85 %"), (5, "")):
        hits = sum(i.place <= most for i in found)
        share = wilson(hits, n)
        print(f"  within {most}: {100 * hits / n:5.1f} % ({100 * share.low:.1f} to {100 * share.high:.1f})  {goal}")
    asked = sorted(i.questions for i in found)
    quarter, three = asked[n // 4], asked[3 * n // 4]
    print(f"  questions: median {statistics.median(asked):g} (goal 15), mean {statistics.fmean(asked):.1f}, "
          f"middle half {quarter} to {three}, most {asked[-1]}")  # fmt: skip
    sure = [i for i in found if i.leader >= 0.9]
    right = sum(i.place == 1 for i in sure)
    print(
        f"  ended with a leader of 90 %: {100 * len(sure) / n:.0f} %, which is the true one in {100 * right / max(1, len(sure)):.0f} %"
    )
