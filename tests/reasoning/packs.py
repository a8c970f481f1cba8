"""Random packs for the tests of the reasoning, and their probability tables worked out the slow, plain way.

Nothing here uses the program's own compilation: the tables follow the formulas of the design one cell at a time.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from itertools import product

import numpy as np

from diagnose.knowledge.frequency import Frequency
from diagnose.knowledge.models import Answer, Cause, Evidence, Finding, Question, Remedy
from diagnose.knowledge.pack import Knowledge

RATES = {"everyday": 16, "common": 8, "occasional": 4, "uncommon": 2, "rare": 1}


def share(value: float) -> Frequency:
    return Frequency.parse(f"{value:.4f}")


TRIED = "tried/"
"""Before the id of a remedy in the name of its node."""


def random_pack(
    rng: np.random.Generator, causes: int, questions: int, findings: int = 3, remedies: int = 0
) -> Knowledge:
    """A pack with contexts, gates (on either defect too), several-choice questions, usual by defect and findings.

    Each remedy cures some of the causes.
    """
    k = Knowledge()

    def answers(n: int, prefix: str = "a") -> list[Answer]:
        usual = rng.dirichlet(np.full(n, 3.0))
        stated = rng.random(n) < 0.6
        return [
            Answer(id=f"{prefix}{i}", say="so", usual=share(max(0.01, 0.9 * usual[i])) if stated[i] else None)
            for i in range(n)
        ]

    defects = [Answer(id=f"d{i}", say="so") for i in range(4)]
    k.questions["defect"] = Question(id="defect", ask="?", effort="glance", role="defect", answers=tuple(defects))
    second = [Answer(id="none", say="so", usual=share(0.7)), *defects]
    k.questions["second"] = Question(
        id="second", ask="?", effort="glance", role="second-defect", answers=tuple(second)
    )
    plain: list[str] = []
    for i in range(questions - 2):
        id = f"q{i}"
        several = rng.random() < 0.15
        gate = {}
        pick = rng.random()
        if pick < 0.3:
            gate = {"defect": tuple(f"d{j}" for j in rng.choice(4, 2, replace=False))}
        elif pick < 0.5 and plain:
            other = k.questions[str(rng.choice(plain))]
            gate = {other.id: (other.answers[0].id,)}
            if rng.random() < 0.3:
                gate["defect"] = ("d0", "d1", "d2")
        own = answers(int(rng.integers(2, 5)))
        if several:
            own = [Answer(id=a.id, say="so", usual=share(0.1 + 0.6 * rng.random())) for a in own]
        elif rng.random() < 0.3:
            own = [
                Answer(id=own[0].id, say="so", usual={"d1": share(0.7), "other": share(0.2)}),
                *(Answer(id=a.id, say="so") for a in own[1:]),
            ]
        k.questions[id] = Question(
            id=id, ask="?", effort="handle", kind="several" if several else "one", ask_if=gate, answers=tuple(own),
            slips=share(0.02 + 0.2 * rng.random()),
        )  # fmt: skip
        if not several:
            plain.append(id)
    for i in range(findings):
        k.findings[f"f{i}"] = Finding(id=f"f{i}", name="f", explain="f", answers=tuple(answers(2)))
    order = list(k.questions)
    pool: dict[str, list[str]] = {}  # a reference table has a cell for each combination: two contexts a question
    for id in [*order, *k.findings]:
        earlier = [q for q in plain if id in k.findings or q in order[: order.index(id)]]
        pool[id] = [str(q) for q in rng.choice(earlier, min(2, len(earlier)), replace=False)] if earlier else []
    for c in range(causes):
        evidence: list[Evidence] = []
        for id in [q for q in order[2:] if rng.random() < 0.5] + [f for f in k.findings if rng.random() < 0.6]:
            asked = k.questions.get(id) or k.findings[id]
            some = [a.id for a in asked.answers if rng.random() < 0.6]
            if not some:
                continue
            several = isinstance(asked, Question) and asked.kind == "several"
            mass = rng.dirichlet(np.ones(len(some) + 1)) if not several else rng.random(len(some) + 1)
            given = {}
            if rng.random() < 0.4 and pool[id]:
                for q in pool[id][: int(rng.integers(1, 3))]:
                    given[q] = (k.questions[q].answers[0].id,)
            where = {"question": id} if id in k.questions else {"finding": id}
            for a, m in zip(some, mass, strict=False):
                evidence.append(Evidence(answer=a, seen=share(0.95 * m), given=given, because="so", **where))
                if given and rng.random() < 0.5:
                    evidence.append(Evidence(answer=a, seen=share(0.3 * m), because="so", **where))
        mass = rng.dirichlet(np.ones(3))
        k.causes[f"c{c}"] = Cause(
            id=f"c{c}", name="c", family="f", about="c", rate=str(rng.choice(list(RATES))),
            defects={f"d{j}": share(0.9 * m) for j, m in zip(rng.choice(4, 2, replace=False), mass, strict=False)},
            evidence=tuple(evidence),
        )  # fmt: skip
    for r in range(remedies):
        k.remedies[f"r{r}"] = Remedy(id=f"r{r}", name="r", do="r", minutes=5, sure=share(0.4 + 0.55 * rng.random()))
    for c in list(k.causes) if remedies else ():
        cured_by = tuple(r for r in k.remedies if rng.random() < 0.3)
        k.causes[c] = k.causes[c].model_copy(update={"remedies": cured_by})
    return k


def nodes_of(k: Knowledge) -> dict[str, tuple[str, ...]]:
    """Every reported variable and its states, with `n-a` last where it is gated."""
    found: dict[str, tuple[str, ...]] = {}
    for q in k.questions.values():
        end = ("n-a",) if q.ask_if else ()
        if q.kind == "several":
            for a in q.answers:
                found[f"{q.id}:{a.id}"] = ("yes", "no", *end)
        else:
            found[q.id] = (*(a.id for a in q.answers), *end)
    for f in k.findings.values():
        found[f.id] = tuple(a.id for a in f.answers)
    for r in k.remedies:
        found[TRIED + r] = ("cured", "better", "no-change")
    return found


def parents_of(k: Knowledge, node: str) -> list[str]:
    """Gates and contexts of a node, without the cause."""
    if node.startswith(TRIED):
        return []
    id, _, option = node.partition(":")
    found: list[str] = []
    q = k.questions.get(id)
    asked = q or k.findings[id]
    if q:
        found += list(q.ask_if)
        if "defect" in q.ask_if:
            found.append("second")
    for c in k.causes.values():
        for line in c.evidence:
            if line.about == id and (not option or line.answer == option):
                found += list(line.given)
    mine = [a for a in asked.answers if not option or a.id == option]
    if any(isinstance(a.usual, dict) for a in mine):
        found.append("defect")
    return list(dict.fromkeys(found))


def cell(k: Knowledge, node: str, cause: str | None, context: dict[str, str], slips: float | None = None) -> list[float]:
    """P(reported state | cause, parents), `n-a` last where the node is gated. ``cause`` None: not in the rules."""
    if node.startswith(TRIED):
        remedy = k.remedies[node.removeprefix(TRIED)]
        if cause is None or remedy.id not in k.causes[cause].remedies:
            return [0.02, 0.1, 0.88]  # as the reasoning states it: by chance
        sure = remedy.sure.value
        return [sure, (1 - sure) / 2, (1 - sure) / 2]
    id, _, option = node.partition(":")
    q = k.questions.get(id)
    asked = q or k.findings[id]
    if q and q.ask_if:
        opened = all(
            context[g] in answers or (g == "defect" and context["second"] in answers)
            for g, answers in q.ask_if.items()
        )
        if not opened:
            return [0.0] * (2 if option else len(q.answers)) + [1.0]
    tail = [0.0] if q and q.ask_if else []
    defect = context.get("defect")
    mine = [a for a in asked.answers if not option or a.id == option]
    if option:
        u = mine[0].usual_for(defect)
        usual = {"yes": 0.2 if u is None else u}
        usual["no"] = 1 - usual["yes"]
    else:
        stated = {a.id: a.usual_for(defect) for a in mine}
        rest = 1 - sum(v for v in stated.values() if v is not None)
        missing = [a for a, v in stated.items() if v is None]
        usual = {a: rest / len(missing) if v is None else v for a, v in stated.items()}
        total = sum(usual.values())
        usual = {a: v / total for a, v in usual.items()}
    said: dict[str, tuple[int, float]] = {}
    if cause is not None:
        c = k.causes[cause]
        lines = list(c.evidence)
        if id == "defect":
            lines = [Evidence(question="defect", answer=a, seen=s, because="so") for a, s in c.defects.items()]
        for line in lines:
            if line.about != id or (option and line.answer != option):
                continue
            if all(context[g] in answers for g, answers in line.given.items()):
                key = "yes" if option else line.answer
                if key not in said or len(line.given) > said[key][0]:
                    said[key] = (len(line.given), line.seen.value)
    full = {a: s for a, (_, s) in said.items()}
    silent = [a for a in usual if a not in full]
    total = sum(full.values())
    if not silent:
        star = {a: v / total for a, v in full.items()}
    else:
        if total > 0.995:
            full = {a: v * 0.995 / total for a, v in full.items()}
            total = 0.995
        star = {**full, **{a: (1 - total) * usual[a] / sum(usual[b] for b in silent) for a in silent}}
    s = slips if slips is not None else (q.slips.value if q else 0.0)
    mixed = [(1 - s) * star[a] + s * usual[a] for a in usual]
    if option:
        assert q is not None
        yes = mixed[0] * (1 - q.missed.value)
        mixed = [yes, 1 - yes]
    return mixed + tail


def contexts(states: Mapping[str, Sequence[str]], parents: Sequence[str]) -> list[dict[str, str]]:
    """Every combination of parent states, the last parent running fastest."""
    return [dict(zip(parents, combo, strict=True)) for combo in product(*(states[p] for p in parents))]
