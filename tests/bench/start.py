"""How long commands take to start, and the reasoning behind an answer."""

from __future__ import annotations

import statistics
import subprocess
import sys
import time
from collections.abc import Callable

from diagnose.reasoning.inference import log_likelihood, posterior
from diagnose.reasoning.inquiry import gains
from diagnose.reasoning.network import compile_network
from diagnose.triage import Triage, knowledge_from


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


def start() -> None:
    """Print the table."""
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
    row("posterior after twelve answers", median_ms(lambda: posterior(network, log_likelihood(network, observed)), 50), "ms", "goal 2")
    left = [q for q in knowledge.questions if q not in triage.case.answers]
    row("gain of every open question", median_ms(lambda: gains(network, left, observed, shares), 20), "ms")
    row("next question, the job file weighed too", median_ms(triage.next_steps, 20), "ms", "goal 16")
