"""How long rules take to load and check, the built-in ones and a pack of ten thousand causes, and to rank by."""

from __future__ import annotations

import random
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

from diagnose.knowledge.builtin import rules_folder
from diagnose.knowledge.check import check
from diagnose.knowledge.pack import load
from diagnose.reasoning.network import compile_network
from diagnose.triage import Triage
from tests.bench.start import median_ms, row

CAUSES, LINES_EACH, QUESTIONS, FILES = 10_000, 2, 300, 10
ANSWERED = 10
IN_A_NEW_PROCESS = """
import time
from pathlib import Path
from diagnose.knowledge.check import check
from diagnose.knowledge.pack import load
start = time.perf_counter()
knowledge, problems = load([Path({folder!r})])
problems += check(knowledge)
print(time.perf_counter() - start)
"""


def rules() -> None:
    """Print the table."""
    new = [_in_a_new_process(rules_folder()) for _ in range(6)][1:]
    row("built-in pack, loaded and checked, new process", sorted(new)[2], "ms", "goal 400")
    row("the same again in one process", median_ms(lambda: _load_and_check(rules_folder())), "ms")
    with tempfile.TemporaryDirectory() as folder:
        large(Path(folder))
        first = _in_a_new_process(Path(folder))
        row(f"{CAUSES:,} causes, {CAUSES * LINES_EACH:,} lines, first time", first / 1e3, "s", "goal 15")
        row("the same, new process, warm", _in_a_new_process(Path(folder)) / 1e3, "s")
        knowledge, _ = load([Path(folder)])
        start = time.perf_counter()
        network = compile_network(knowledge)
        row("compiled to a network", time.perf_counter() - start, "s")
        triage = Triage(knowledge, network=network)
        triage.answer("look", "a")
        for number in range(ANSWERED):
            triage.answer(f"q{number}", "y")
        row(f"ranked after {ANSWERED + 1} answers", median_ms(_once_more(triage)), "ms", "goal 100")


def _once_more(triage: Triage) -> Callable[[], object]:
    turn = iter(range(1_000_000))

    def answer_and_rank() -> object:
        triage.answer("q0", "yn"[next(turn) % 2])
        return triage.ranking()

    return answer_and_rank


def _load_and_check(folder: Path) -> object:
    knowledge, problems = load([folder])
    return problems + check(knowledge)


def _in_a_new_process(folder: Path) -> float:
    code = IN_A_NEW_PROCESS.format(folder=str(folder))
    told = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    return 1e3 * float(told.stdout)


def large(folder: Path) -> None:
    """Write a pack of causes that nobody knows, two lines of evidence each, seeded."""
    draw = random.Random(1)
    asked = ["questions:", "  - {id: look, ask: Which?, role: defect, effort: glance, answers: [{id: a, say: A}, {id: b, say: B}, {id: c, say: C}]}"]
    asked += [
        f"  - {{id: q{n}, ask: Question {n}?, effort: glance, answers: [{{id: y, say: Y}}, {{id: n, say: N}}, {{id: m, say: M}}]}}"
        for n in range(QUESTIONS)
    ]
    (folder / "questions.yaml").write_text("\n".join(asked) + "\n")
    for part in range(FILES):
        lines = ["causes:"]
        for n in range(part * CAUSES // FILES, (part + 1) * CAUSES // FILES):
            lines += [f"  - id: c{n}", f"    name: Cause {n}", "    family: invented", "    about: It is so.", "    rate: common",
                      f"    defects: {{{draw.choice('abc')}: half}}", "    evidence:"]  # fmt: skip
            lines += [
                f"      - {{question: q{q}, answer: {draw.choice('ynm')}, seen: {draw.randint(5, 10)} in 10, because: it is so}}"
                for q in draw.sample(range(QUESTIONS), LINES_EACH)
            ]
        (folder / f"causes-{part}.yaml").write_text("\n".join(lines) + "\n")
