"""A tiny pack whose every number can be worked out on paper."""

from __future__ import annotations

from diagnose.knowledge.frequency import Frequency
from diagnose.knowledge.models import Answer, Cause, Evidence, Finding, Question
from diagnose.knowledge.pack import Knowledge


def share(text: str) -> Frequency:
    return Frequency.parse(text)


def pack(*evidence_a: Evidence, b: tuple[Evidence, ...] = (), slips: str = "0.05") -> Knowledge:
    """Two causes, a (common) and b (occasional): priors 0.95 * 2/3 and 0.95 * 1/3, and 0.05 for neither."""
    k = Knowledge()
    k.questions["defect"] = Question(
        id="defect", ask="?", effort="glance", role="defect", slips=share(slips),
        answers=(Answer(id="d", say="d"), Answer(id="e", say="e")),
    )  # fmt: skip
    k.questions["q"] = Question(
        id="q", ask="?", effort="glance", slips=share(slips),
        answers=(Answer(id="x", say="x", usual=share("0.2")), Answer(id="y", say="y", usual=share("0.6")),
                 Answer(id="z", say="z")),
    )  # fmt: skip
    k.questions["where"] = Question(
        id="where", ask="?", effort="glance", slips=share(slips), answers=(Answer(id="in", say="in"), Answer(id="out", say="out"))
    )
    k.questions["ticks"] = Question(
        id="ticks", ask="?", effort="glance", kind="several", slips=share(slips), missed=share("0.3"),
        answers=(Answer(id="t1", say="t1"), Answer(id="t2", say="t2", usual=share("0.5"))),
    )  # fmt: skip
    k.questions["gated"] = Question(
        id="gated", ask="?", effort="glance", slips=share(slips), ask_if={"where": ("in",)},
        answers=(Answer(id="yes", say="yes"), Answer(id="no", say="no")),
    )  # fmt: skip
    k.findings["f"] = Finding(
        id="f", name="f", explain="f", answers=(Answer(id="hi", say="hi", usual=share("0.3")), Answer(id="lo", say="lo"))
    )
    for id, rate, lines in (("a", "common", evidence_a), ("b", "occasional", b)):
        k.causes[id] = Cause(
            id=id, name=id, family="f", about=id, rate=rate, defects={"d": share("half")}, evidence=tuple(lines)
        )
    return k


def line(about: str, answer: str, seen: str, given: dict[str, tuple[str, ...]] | None = None) -> Evidence:
    where = {"finding": about} if about == "f" else {"question": about}
    return Evidence(answer=answer, seen=share(seen), given=given or {}, because="so", **where)
