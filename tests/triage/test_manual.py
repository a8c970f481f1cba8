"""Pages of the manual: what an answer weighs by itself is what the ledger says where nothing else speaks."""

from __future__ import annotations

from math import log10
from pathlib import Path

import pytest

from diagnose.cases.journal import Case, Cured
from diagnose.knowledge.builtin import rules_folder
from diagnose.knowledge.check import load_checked
from diagnose.knowledge.models import Cause
from diagnose.knowledge.pack import Knowledge
from diagnose.reasoning.network import compile_network
from diagnose.triage import Triage
from diagnose.triage.manual import Section, cause_page, weigh

RULES = """
questions:
  - {id: look, ask: Which?, role: defect, effort: glance, slips: 0.0, answers: [{id: a, say: A}, {id: b, say: B}]}
  - {id: sound, ask: What sound?, effort: glance, slips: 0.1, answers: [{id: pop, say: Pops, usual: 0.1}, {id: hiss, say: Hisses, usual: 0.3}, {id: none, say: None}]}
  - id: signs
    ask: Which of these?
    kind: several
    effort: glance
    slips: 0.05
    missed: 0.2
    answers: [{id: dust, say: Dust, usual: 0.1}, {id: heat, say: Heat}]
causes:
  - id: speaker
    name: The speaker
    family: x
    about: It speaks.
    rate: common
    defects: {a: 0.6}
    misleads: It sounds like another.
    evidence:
      - {question: sound, answer: pop, seen: 0.8, because: it pops}
      - {question: signs, answer: dust, seen: 0.7, because: it dusts}
      - {question: signs, answer: heat, seen: 0.05, because: it is cold}
  - {id: silent, name: The silent one, family: x, about: It is silent., rate: common, defects: {a: 0.5}}
"""


@pytest.fixture
def rules(tmp_path: Path) -> Knowledge:
    path = tmp_path / "rules.yaml"
    path.write_text(RULES)
    return load_checked([path])


def titles(page: list[Section]) -> list[str]:
    return [section.title for section in page]


def test_a_weight_is_the_closed_form(rules: Knowledge) -> None:
    cause = rules.causes["speaker"]
    weighed = weigh(rules, cause, cause.evidence[0])
    seen = 0.9 * 0.8 + 0.1 * 0.1  # slips mixed in, as design 5 has it
    assert weighed.seen == pytest.approx(10 * log10(seen / 0.1))
    assert weighed.otherwise == pytest.approx(10 * log10((1 - seen) / 0.9))


@pytest.mark.parametrize(("question", "answers", "line"), [("sound", ["pop"], 0), ("signs", ["dust"], 1)])
def test_a_weight_is_what_the_ledger_says_where_nobody_else_speaks(
    rules: Knowledge, question: str, answers: list[str], line: int
) -> None:
    cause = rules.causes["speaker"]
    triage = Triage(rules)
    triage.answer(question, *answers)
    told = next(entry for entry in triage.ledger("speaker") if entry.id == question)
    weighed = weigh(rules, cause, cause.evidence[line])
    # Of a question of kind several, what is not ticked counts as well.
    unticked = weigh(rules, cause, cause.evidence[2]).otherwise if question == "signs" else 0.0
    assert unticked is not None
    assert told.decibans == pytest.approx(weighed.seen + unticked, abs=0.05)


def test_the_page_says_all_there_is_to_say_and_leaves_empty_parts_out(rules: Knowledge) -> None:
    network = compile_network(rules)
    page = cause_page(rules, network, rules.causes["speaker"])
    assert titles(page) == [
        "What it is", "How it looks", "What speaks for it", "What speaks against it", "What it is mistaken for",
        "Where this is from", "Cases",
    ]  # fmt: skip
    whole = "\n".join(line.text for section in page for line in section.lines)
    for words in ("It speaks.", "Pops", "it pops", "+8.6 dB", "It sounds like another.", "The silent one", "rules.yaml:"):
        assert words in whole, words
    assert titles(cause_page(rules, network, rules.causes["silent"]))[:2] == ["What it is", "How it looks"]


def test_closed_cases_of_the_casebook_are_named(rules: Knowledge) -> None:
    cured = [Case(f"c{n}", title=f"Vase {n}", cured=Cured("dry", ("speaker",))) for n in range(7)]
    other = Case("x", title="Lid", cured=Cured("dry", ("silent",)))
    page = cause_page(rules, compile_network(rules), rules.causes["speaker"], [*cured, other])
    told = [line.text for line in page[-1].lines]
    assert told[0].startswith("Vase 0") and "and 2 more cases of yours" in told
    assert not any("Lid" in text for text in told)


def test_every_cause_of_the_built_in_rules_has_a_page_with_its_cautions() -> None:
    k = load_checked([rules_folder()])
    network = compile_network(k)
    for cause in k.causes.values():
        page = cause_page(k, network, cause)
        assert {"What it is", "How it looks", "What speaks for it", "How to confirm it", "How to cure it"} <= set(titles(page))
        lines = [line for section in page for line in section.lines]
        said = {line.text for line in lines if line.tone == "caution"}
        assert said == {e.caution for e in _costed(k, cause) if e.caution}
        assert all(e.because in text for e in cause.evidence for text in [next(x.text for x in lines if e.because in x.text)])


def _costed(k: Knowledge, cause: Cause) -> list:  # type: ignore[type-arg]
    return [*(k.tests[t] for t in cause.confirm), *(k.remedies[r] for r in cause.remedies)]
