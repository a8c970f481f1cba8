"""Rule files with one fault each: the line is right, and the message names the fault. Invented, all of them."""

from __future__ import annotations

from pathlib import Path

import pytest

from diagnose.knowledge.builtin import rules_folder
from diagnose.knowledge.check import check
from diagnose.knowledge.pack import load
from diagnose.knowledge.reader import Problem

CAUSE = """\
causes:
  - id: damp-dryer
    name: The dryer blows damp air
    family: shop
    about: Its filter is spent.
    rate: rare
    defects: {strings: 5 in 10}
    evidence:
      - {question: popping, answer: "yes", seen: mostly, because: water flashes to steam}
"""
QUESTION = """\
questions:
  - id: dryer-smell
    ask: How does its air smell?
    effort: glance
    answers:
      - {id: musty, say: Musty, usual: 1 in 20}
      - {id: plain, say: Of nothing}
"""
REMEDY = """\
remedies:
  - id: new-filter
    name: Change the filter
    do: Change it.
    minutes: 5
"""
TEST = """\
tests:
  - id: sniff
    name: Smell it
    do: Hold a hand before it.
    reads: "Musty: damp."
    question: popping
    minutes: 1
"""
EXAMPLE = """\
examples:
  - name: A case
    answers: {defect: strings}
    expect: {first: wet-filament}
"""


def cause(old: str, new: str) -> str:
    assert old in CAUSE
    return CAUSE.replace(old, new)


def question(old: str, new: str) -> str:
    assert old in QUESTION
    return QUESTION.replace(old, new)


LINE = "- {question: popping, answer: \"yes\", seen: mostly, because: water flashes to steam}"
SEEN = "seen: mostly"

BROKEN: dict[str, tuple[str | bytes, int, str]] = {
    # YAML itself
    "a key twice in a file": (CAUSE + "causes: []\n", 10, "given twice (first on line 1)"),
    "a key twice in an entry": (cause("    rate: rare\n", "    rate: rare\n    rate: common\n"), 7, "given twice (first on line 6)"),
    "a tab for indentation": (cause("    rate: rare", "\trate: rare"), 6, "not with tabs"),
    "a bracket left open": (cause("{strings: 5 in 10}", "{strings: 5 in 10"), 8, "not valid YAML"),
    "a quote left open": (cause("Its filter is spent.", "\"Its filter is spent."), 9, "not valid YAML"),
    "a colon in a bare text": (cause("Its filter is spent.", "Two faults: filter and fan: both."), 5, "double quotes"),
    "bad indentation": (cause("    rate: rare", "   rate: rare"), 6, "not valid YAML"),
    "two documents": (CAUSE + "---\n" + QUESTION, 10, "not valid YAML"),
    "not UTF-8": (CAUSE.replace("spent", "spent \xfc").encode("latin-1"), 5, "UTF-8"),
    "a control character": (cause("spent.", "spent.\x07"), 5, "not valid YAML"),
    "an escape in quotes": (cause("Its filter is spent.", '"Its filter \\e[31m is spent."'), 5, "control character"),
    "a text that turns the reading direction": (cause("Its filter is spent.", '"Its filter \\u202e is spent."'), 5, "control character"),
    "a tag that builds an object": (cause("rate: rare", "rate: !!python/object/apply:os.system [ls]"), 6, "builds something else"),
    "a tag of one's own": (cause("rate: rare", "rate: !ours rare"), 6, "builds something else"),
    "aliases that explode": (
        "sources:\n" + "\n".join(["  - &a0 [x, x]"] + [f"  - &a{i} [{', '.join([f'*a{i - 1}'] * 9)}]" for i in range(1, 12)]),
        1, "aliases expand",
    ),
    "an alias of its own parent": ("sources: &all\n  - *all\n", 1, "refers to itself"),
    "an alias of nothing": (cause("rate: rare", "rate: *none"), 6, "not valid YAML"),
    "a list as a key": ("? [a]\n: b\n", 1, "where a key should"),
    "nested without end": ("a: " + "[" * 3000 + "]" * 3000 + "\n", 1, "nested too deeply"),
    "a line of 10 MB": ("sources:\n  - {id: long, cite: " + "x" * 10_000_000 + "}\n", 1, "bytes long"),
    "no mapping": ("- causes\n", 1, "not a mapping"),
    "a bare text": ("causes\n", 1, "not a mapping"),
    # kinds and fields
    "an unknown kind": (CAUSE.replace("causes:", "cause:"), 1, "did you mean 'causes'"),
    "a kind that holds no list": ("causes: {id: x}\n", 1, "holds no list"),
    "an entry that is a text": ("causes:\n  - damp-dryer\n", 2, "not a mapping"),
    "an unknown field": (cause("    family: shop", "    famliy: shop"), 4, "did you mean 'family'"),
    "a field that lacks": (cause("    family: shop\n", ""), 2, "`family` is missing"),
    "an id in capitals": (cause("id: damp-dryer", "id: Damp Dryer"), 2, "is not an id"),
    "an empty text": (cause("Its filter is spent.", '""'), 5, "is empty"),
    "a name too long": (cause("The dryer blows damp air", "The dryer " + "and so on " * 10), 3, "characters"),
    "a list where a text should be": (cause("Its filter is spent.", "[a, b]"), 5, "not a text"),
    "a text where a list should be": (cause("    evidence:\n      " + LINE, "    evidence: popping"), 8, "not a list"),
    "a text where a mapping should be": (cause("{strings: 5 in 10}", "strings"), 7, "not a mapping"),
    "an unknown rate": (cause("rate: rare", "rate: rarely"), 6, "did you mean 'rare'"),
    "no defects": (cause("{strings: 5 in 10}", "{}"), 7, "is empty"),
    # frequencies
    "a frequency over 1": (cause(SEEN, "seen: 1.5"), 9, "not between 0 and 1"),
    "more than all": (cause(SEEN, "seen: 12 in 10"), 9, "is not a share"),
    "out of none": (cause(SEEN, "seen: 0 in 0"), 9, "is not a share"),
    "a word that is no frequency": (cause(SEEN, "seen: mostely"), 9, "did you mean 'mostly'"),
    "a percent sign": (cause(SEEN, "seen: 80 %"), 9, "is not a frequency"),
    "defects that add up to more than 1": (cause("{strings: 5 in 10}", "{strings: 8 in 10, blobs: 5 in 10}"), 7, "add up to 1.3"),
    "seen that adds up to more than 1": (
        CAUSE + "      - {question: popping, answer: \"no\", seen: 9 in 10, because: no water}\n", 10, "add"),
    "usual that adds up to more than 1": (question("say: Of nothing", "say: Of nothing, usual: 0.9").replace("1 in 20", "0.4"), 6, "add up to"),
    "usual by a defect that is none": (question("usual: 1 in 20", "usual: {stringz: 1 in 20}"), 6, "stringz"),
    # what points at something
    "evidence on an unknown question": (cause("question: popping", "question: poping"), 9, "did you mean 'popping'"),
    "evidence on an unknown answer": (cause('answer: "yes"', "answer: loud"), 9, "has no answer 'loud'"),
    "evidence on an unknown finding": (cause("question: popping", "finding: pops"), 9, "the finding 'pops' is not known"),
    "evidence on both": (cause("question: popping,", "question: popping, finding: job-spiral,"), 9, "both or neither"),
    "evidence on the defect": (cause('question: popping, answer: "yes"', "question: defect, answer: strings"), 9, "says this already"),
    "evidence without a reason": (cause(", because: water flashes to steam", ""), 9, "`because` is missing"),
    "three contexts": (
        cause(SEEN, 'seen: mostly, given: {fed-by: card, spiral-mode: "yes", defect: strings}'), 9, "too many"),
    "an unknown context": (cause(SEEN, "seen: mostly, given: {weather: wet}"), 9, "the question or finding 'weather'"),
    "the same line twice": (CAUSE + "      " + LINE.replace("mostly", "half") + "\n", 10, "popping"),
    "an unknown defect": (cause("{strings: 5 in 10}", "{string: 5 in 10}"), 7, "no answer 'string'"),
    "an unknown test": (CAUSE + "    confirm: [sniffing]\n", 10, "the confirming test 'sniffing'"),
    "an unknown remedy": (CAUSE + "    remedies: new-filter\n", 10, "the remedy 'new-filter'"),
    "an unknown source": (CAUSE + "    source: a-friend\n", 10, "the source 'a-friend'"),
    "a place no cause can leave marks at": (CAUSE + "    leaves: {at: seam}\n", 10, "did you mean 'seams'"),
    "two ways of leaving marks": (CAUSE + "    leaves: {at: seams, every: time}\n", 10, "more or less than one"),
    "a period in the wrong unit": (CAUSE + "    leaves: {every: height, from_s: 1, to_s: 2}\n", 10, "which has none"),
    "a period backwards": (CAUSE + "    leaves: {every: time, from_s: 9, to_s: 2}\n", 10, "goes from 9 to 2"),
    # questions, findings, tests, remedies
    "an answer twice": (question("id: plain", "id: musty"), 2, "'musty' is given twice"),
    "an answer that is built in": (question("id: plain", "id: unknown"), 7, "is built in"),
    "a single answer": (question("      - {id: plain, say: Of nothing}\n", ""), 2, "single answer"),
    "an unknown effort": (question("effort: glance", "effort: a glance"), 4, "did you mean 'glance'"),
    "a gate on nothing": (question("    effort: glance", "    effort: glance\n    ask_if: {weather: wet}"), 5, "'weather' is not known"),
    "a gate on no answer": (question("    effort: glance", "    effort: glance\n    ask_if: {popping: loud}"), 5, "has no answer 'loud'"),
    "a gate on itself": (
        question("    effort: glance", "    effort: glance\n    ask_if: {dryer-smell: musty}"), 5, "round in a circle"),
    "a second question for the defect": (question("    effort: glance", "    effort: glance\n    role: defect"), 5, "is held by"),
    "a finding that nobody computes a question for": (
        "findings:\n  - id: pops\n    name: It pops\n    explain: x\n    fills: poping\n    answers: [{id: a, say: A}, {id: b, say: B}]\n",
        5, "did you mean 'popping'"),
    "a test without a question": (TEST.replace("question: popping", "question: sniffed"), 6, "'sniffed' is not known"),
    "a cost below nothing": (REMEDY.replace("minutes: 5", "minutes: -5"), 5, "no less than 0"),
    "a cost that is no number": (REMEDY.replace("minutes: 5", "minutes: five"), 5, "write a number"),
    "a cost beyond numbers": (REMEDY.replace("minutes: 5", "minutes: 1e999"), 5, "minutes"),
    "an example of an unknown question": (EXAMPLE.replace("{defect:", "{deffect:"), 3, "did you mean 'defect'"),
    "an example of an unknown answer": (EXAMPLE.replace("strings}", "string}"), 3, "no answer 'string'"),
    "an example of an unknown cause": (EXAMPLE.replace("wet-filament", "wet-filment"), 4, "did you mean 'wet-filament'"),
    "an example that expects nothing": (EXAMPLE.replace("{first: wet-filament}", "{above: 0.5}"), 4, "not an expectation"),
    # packs
    "an id of an earlier pack": (cause("id: damp-dryer", "id: wet-filament"), 2, "replaces: true"),
    "an adjustment of nothing": ("adjust:\n  - {cause: wet-filment, rate: rare}\n", 2, "did you mean 'wet-filament'"),
    "an adjustment to a rate that is none": ("adjust:\n  - {cause: wet-filament, rate: often}\n", 2, "cannot be 'often'"),
    "a header that names nothing": ("pack: {version: 2}\n" + CAUSE, 1, "`name` is missing"),
    "a pack that needs a later program": ("pack: {name: p, requires: {program: 99.1}}\n" + CAUSE, 1, "needs version 99.1"),
    "a pack that needs another": ("pack: {name: p, requires: {packs: [base]}}\n" + CAUSE, 1, "needs the pack 'base'"),
}  # fmt: skip


def faults(tmp_path: Path, *texts: str | bytes) -> list[Problem]:
    packs = []
    for number, text in enumerate(texts):
        path = tmp_path / f"{number}" / "mine.yaml"
        path.parent.mkdir()
        path.write_bytes(text if isinstance(text, bytes) else text.encode())
        packs.append(path.parent)
    knowledge, problems = load([rules_folder(), *packs])
    return sorted(p for p in problems + check(knowledge) if p.hard)


def test_there_are_enough_of_them_and_the_parts_they_are_made_from_are_sound(tmp_path: Path) -> None:
    assert len(BROKEN) >= 60
    assert faults(tmp_path, CAUSE, QUESTION, REMEDY, TEST, EXAMPLE) == []


@pytest.mark.parametrize("name", BROKEN)
def test_a_broken_file_is_told_with_its_line_and_its_fault(tmp_path: Path, name: str) -> None:
    text, line, words = BROKEN[name]
    found = faults(tmp_path, text)
    assert len(found) == 1, [str(p) for p in found]
    (problem,) = found
    assert words in f"{problem.what}: {problem.instead}"
    assert problem.file.endswith("mine.yaml")
    assert problem.line == line, str(problem)
    assert problem.instead and problem.column >= 1
    assert "\x1b" not in str(problem) and "\x07" not in str(problem)


def test_two_packs_in_conflict_are_told_with_both_places(tmp_path: Path) -> None:
    (problem,) = faults(tmp_path, CAUSE, "sources: []\n" + CAUSE)
    assert "1/mine.yaml" in problem.file and problem.line == 3
    assert "0/mine.yaml:2" in problem.what
    assert "replaces: true" in problem.instead


def test_one_pack_that_has_an_id_twice_is_told_with_both_places(tmp_path: Path) -> None:
    (problem,) = faults(tmp_path, CAUSE + CAUSE.removeprefix("causes:\n"))
    assert problem.line == 10 and "mine.yaml:2" in problem.what


def test_a_file_with_seven_faults_gives_seven(tmp_path: Path) -> None:
    text = (
        cause("    family: shop\n", "    familiy: shop\n").replace("    about: Its filter is spent.\n", "")
        .replace("rate: rare", "rate: rarely")
        .replace("{strings: 5 in 10}", "{string: 5 in 10}")
        .replace("question: popping", "question: poping")
        .replace(SEEN, "seen: 12 in 10")
        + "    remedies: [new-filtr]\n"
    )  # fmt: skip
    found = faults(tmp_path, text)
    assert len(found) == 7, [str(p) for p in found]
    assert [p.line for p in found] == [2, 4, 5, 6, 8, 8, 9]
