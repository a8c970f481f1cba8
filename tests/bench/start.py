"""Measure what people wait for. Not a test: ``python -m tests.bench`` prints a table; run it on a quiet machine.

Every figure of the engine stands beside a plain one taken in the same run (numpy reading the same bytes as text), so
that two machines can be compared by the ratio.
"""

from __future__ import annotations

import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np

from diagnose.coupons.spiral import tube, write
from diagnose.reasoning.inference import log_likelihood, posterior
from diagnose.reasoning.inquiry import gains
from diagnose.reasoning.network import compile_network
from diagnose.triage import Triage, card, knowledge_from, machine_of


def median_ms(work: Callable[[], object], times: int = 5) -> float:
    """Return the median of several runs after one to warm up."""
    work()
    taken = []
    for _ in range(times):
        start = time.perf_counter()
        work()
        taken.append(1e3 * (time.perf_counter() - start))
    return statistics.median(taken)


def row(what: str, value: float, unit: str, note: str = "") -> None:
    print(f"{what:<46} {value:>10.1f} {unit:<6} {note}")


def command(*arguments: str) -> Callable[[], object]:
    return lambda: subprocess.run([sys.executable, "-m", "diagnose", *arguments], capture_output=True, check=True)


def reasoning() -> None:
    row("diagnose --help, whole process", median_ms(command("--help")), "ms")
    row("diagnose rank, whole process", median_ms(command("rank", "--answer", "defect=blobs")), "ms")
    row("load and check the built-in pack", median_ms(knowledge_from), "ms")
    knowledge = knowledge_from()
    row("compile it to a network", median_ms(lambda: compile_network(knowledge)), "ms")
    network = compile_network(knowledge)
    triage = Triage(knowledge, network=network)
    for step in range(12):
        question = triage.next_question()
        if question is None:
            break
        answers = triage.question(question.id).answers
        triage.answer(question.id, answers[step % len(answers)].id)
    observed = triage.standing.observed
    shares = triage.standing.shares
    row("posterior after twelve answers", median_ms(lambda: posterior(network, log_likelihood(network, observed)), 50), "ms")
    left = [q for q in knowledge.questions if q not in triage.case.answers]
    row("gain of every open question", median_ms(lambda: gains(network, left, observed, shares), 20), "ms")


def engine(megabytes: float) -> None:
    from diagnose.toolpath.job import read_file, read_job

    machine = machine_of(card(knowledge_from(), "board-memory-card"))
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "tube.gcode"
        once = write(tube(radius=20.0, facets=150, speed=150.0, height=20.0))
        body = once * max(1, round(megabytes * 1e6 / len(once)))
        path.write_text(body)
        size = path.stat().st_size / 1e6
        plain = Path(folder) / "tube.txt"
        plain.write_text("\n".join("1.234 5.678 9.012 0.345" for _ in range(body.count("\n"))))
        columns = median_ms(lambda: np.loadtxt(plain), 1)
        read = median_ms(lambda: read_file(path), 3)
        whole = median_ms(lambda: read_job(path, machine), 3)
    row(f"read {size:.0f} MB: words, moves, shape", read, "ms", f"{size / read * 1e3:.0f} MB/s, {columns / read:.2f} x loadtxt")
    row("the same with queue and findings", whole, "ms", f"{size / whole * 1e3:.0f} MB/s, {columns / whole:.2f} x loadtxt")


if __name__ == "__main__":
    reasoning()
    for size in (1, 10, 100):
        engine(size)
