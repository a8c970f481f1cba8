"""Rule files as a shop would write them, with the mistakes a shop would make."""

from __future__ import annotations

from pathlib import Path

import pytest

from diagnose.knowledge.builtin import rules_folder
from diagnose.knowledge.check import check
from diagnose.knowledge.frequency import WORDS, Frequency
from diagnose.knowledge.pack import Knowledge, load
from diagnose.knowledge.reader import Problem

QUESTIONS = """
questions:
  - id: defect
    ask: What is wrong?
    effort: glance
    role: defect
    answers: [{id: lumps, say: Lumps}, {id: bands, say: Bands}]
  - id: sound
    ask: Does it pop?
    effort: recall
    answers: [{id: pops, say: It pops, usual: 1 in 10}, {id: quiet, say: It is quiet}]
"""
CAUSE = """
causes:
  - id: damp
    name: The plastic is damp
    family: material
    about: Water turns to steam in the nozzle.
    rate: common
    defects: {lumps: mostly}
    evidence:
      - {question: sound, answer: pops, seen: 7 in 10, because: steam pops}
"""


def pack(folder: Path, **files: str) -> Path:
    folder.mkdir(exist_ok=True)
    for name, text in files.items():
        (folder / f"{name}.yaml").write_text(text)
    return folder


def faults(*folders: Path) -> tuple[Knowledge, list[Problem]]:
    knowledge, problems = load(folders)
    return knowledge, sorted(p for p in problems + check(knowledge) if p.hard)


def test_a_small_pack_loads_without_a_fault(tmp_path: Path) -> None:
    knowledge, found = faults(pack(tmp_path / "shop", q=QUESTIONS, c=CAUSE))
    assert not found
    assert knowledge.causes["damp"].evidence[0].seen == Frequency(0.7, "7 in 10")
    assert str(knowledge.lines["damp", 0]).endswith("c.yaml:10")


def test_the_built_in_pack_has_no_fault_and_enough_of_everything() -> None:
    # Counts asked for by the project's own plan of work.
    knowledge, found = faults(rules_folder())
    assert not found
    asked = set(knowledge.questions) - knowledge.result_questions()
    assert len(knowledge.causes) >= 35
    assert len(asked) >= 40
    assert len(knowledge.printers) >= 3
    cards = [(p.motion.planning, p.supply.feed) for p in knowledge.printers.values()]
    assert {("board", "card"), ("board", "cable")} <= set(cards)
    assert any(planning == "host" for planning, _ in cards)
    for cause in knowledge.causes.values():
        assert len(cause.evidence) >= 3, cause.id
        assert cause.confirm, cause.id
        assert cause.remedies, cause.id
        assert cause.misleads, cause.id


def test_five_different_mistakes_in_one_file_are_all_told_with_their_lines(tmp_path: Path) -> None:
    broken = """
causes:
  - id: damp
    name: The plastic is damp
    family: material
    about: Water turns to steam in the nozzle.
    rate: commonly
    defects: {lumps: mostly}
    evidence:
      - {question: sound, answer: pops, seen: 12 in 10, because: steam pops}
  - id: old
    name: The plastic is old
    family: material
    about: It has grown brittle.
    rate: rare
    defects: {lumps: mostly}
    evidense: []
  - id: dusty
    name: The plastic is dusty
    family: material
    about: Dust rides into the nozzle.
    rate: rare
    defects: {lump: mostly}
    evidence:
      - {question: sond, answer: pops, seen: half, because: it may pop}
"""
    _, found = faults(pack(tmp_path / "shop", q=QUESTIONS, c=broken))
    told = [(p.line, p.id, p.what, p.instead) for p in found]
    assert [line for line, *_ in told] == [7, 10, 17, 23, 25]
    assert "'commonly'" in told[0][2]
    assert "did you mean 'common'?" in told[0][3]
    assert "12 in 10" in told[1][2]
    assert "`evidense` is not a field" in told[2][2]
    assert "did you mean 'evidence'?" in told[2][3]
    assert "no answer 'lump'" in told[3][2]
    assert "did you mean 'sound'?" in told[4][3]
    assert str(found[0]).startswith(f"{tmp_path}/shop/c.yaml:7:11: damp: ")


@pytest.mark.parametrize(
    ("line", "words"),
    [
        ("{question: sound, answer: pops, seen: half}", "`because` is missing"),
        ("{question: sound, finding: job-x, answer: pops, seen: half, because: x}", "neither of `question` and"),
        ("{question: sound, answer: bangs, seen: half, because: x}", "no answer 'bangs'"),
        ("{question: sound, answer: pops, seen: oft, because: x}", "'oft' is not a frequency"),
        ("{question: sound, answer: pops, seen: 1.5, because: x}", "not between 0 and 1"),
        ("{question: sound, answer: pops, seen: half, given: {x: y}, because: x}", "'x' is not known"),
        ("{question: sound, answer: pops, seen: half, given: {defect: lump}, because: x}", "no answer 'lump'"),
        ("{question: sound, answer: pops, seen: half, because: ''}", "`because` is empty"),
        ("just a text", "is a text, not a mapping"),
    ],
)
def test_a_bad_line_of_evidence_names_its_fault(tmp_path: Path, line: str, words: str) -> None:
    text = CAUSE.replace("{question: sound, answer: pops, seen: 7 in 10, because: steam pops}", line)
    _, found = faults(pack(tmp_path / "shop", q=QUESTIONS, c=text))
    assert sum(words in p.what for p in found) == 1
    assert {p.line for p in found} == {10}


def with_evidence(*lines: str) -> str:
    return CAUSE + "".join(f"      - {line}\n" for line in lines)


def test_answers_of_one_question_seen_more_than_always_are_a_fault(tmp_path: Path) -> None:
    text = with_evidence("{question: sound, answer: quiet, seen: half, because: x}")
    _, found = faults(pack(tmp_path / "shop", q=QUESTIONS, c=text))
    assert [p.line for p in found] == [11]
    assert "add up to 1.20" in found[0].what


def test_two_equally_specific_lines_that_can_both_hold_are_a_fault(tmp_path: Path) -> None:
    both = (
        "{question: sound, answer: quiet, seen: 0.3, given: {defect: lumps}, because: x}",
        "{question: sound, answer: quiet, seen: 0.31, given: {defect: [lumps, bands]}, because: x}",
    )
    _, found = faults(pack(tmp_path / "shop", q=QUESTIONS, c=with_evidence(*both)))
    assert len(found) == 1
    assert "both can hold" in found[0].what
    apart = (both[0], both[1].replace("[lumps, bands]", "bands"))
    assert not faults(pack(tmp_path / "shop", c=with_evidence(*apart)))[1]


def test_conditions_that_go_round_in_a_circle_are_a_fault(tmp_path: Path) -> None:
    asked = QUESTIONS.replace("    ask: Does it pop?", "    ask: Does it pop?\n    ask_if: {damp-room: wet}") + """
  - id: damp-room
    ask: Is the room damp?
    effort: recall
    ask_if: {sound: pops}
    answers: [{id: wet, say: Damp}, {id: dry, say: Dry}]
"""
    _, found = faults(pack(tmp_path / "shop", q=asked, c=CAUSE))
    assert any("go round in a circle" in p.what for p in found)


def test_usual_shares_that_cannot_be_are_a_fault(tmp_path: Path) -> None:
    too_much = QUESTIONS.replace("say: It is quiet", "say: It is quiet, usual: 0.5").replace("1 in 10", "0.9")
    _, found = faults(pack(tmp_path / "shop", q=too_much, c=CAUSE))
    assert "add up to 1.40" in found[0].what


def test_a_pack_over_another_must_say_that_it_replaces(tmp_path: Path) -> None:
    below = pack(tmp_path / "below", q=QUESTIONS, c=CAUSE)
    above = pack(tmp_path / "above", c=CAUSE.replace("common", "rare"))
    _, found = faults(below, above)
    assert "an earlier pack has this id" in found[0].what
    (above / "c.yaml").write_text(CAUSE.replace("common", "rare\n    replaces: true"))
    knowledge, found = faults(below, above)
    assert not found
    assert knowledge.causes["damp"].rate == "rare"
    origin = knowledge.origins["causes", "damp"]
    assert (origin.pack, origin.over.pack if origin.over else None) == ("above", "below")


def test_single_lines_can_be_adjusted_and_added(tmp_path: Path) -> None:
    below = pack(tmp_path / "below", q=QUESTIONS, c=CAUSE)
    adjust = """
adjust:
  - cause: damp
    rate: everyday
    evidence:
      - {question: sound, answer: pops, seen: 3 in 10, because: our dryer is good}
      - {question: sound, answer: quiet, seen: 7 in 10, given: {defect: bands}, because: seen twice here}
"""
    knowledge, found = faults(below, pack(tmp_path / "shop", a=adjust))
    assert not found
    damp = knowledge.causes["damp"]
    assert damp.rate == "everyday"
    assert [line.seen.said for line in damp.evidence] == ["3 in 10", "7 in 10"]
    assert knowledge.lines["damp", 0].over is not None


def test_findings_may_not_count_one_fact_twice(tmp_path: Path) -> None:
    findings = """
findings:
  - {id: demand, name: Demand, explain: Moves a second., answers: [{id: high, say: High}, {id: low, say: Low}]}
  - id: reserve
    name: Reserve
    explain: From demand.
    derived_from: demand
    answers: [{id: short, say: Short}, {id: long, say: Long}]
  - {id: heard, name: Heard, explain: Sound., fills: sound, answers: [{id: pops, say: Pops}, {id: bangs, say: Bangs}]}
"""
    text = with_evidence(
        "{finding: reserve, answer: short, seen: half, because: x}",
        "{finding: heard, answer: pops, seen: half, because: x}",
    )
    _, found = faults(pack(tmp_path / "shop", q=QUESTIONS, c=text, f=findings))
    said = " / ".join(p.what for p in found)
    assert "one fact would count twice" in said
    assert "fills the question 'sound'" in said
    assert "bangs are not answers" in said


def test_an_unknown_id_in_a_worked_example_is_a_fault(tmp_path: Path) -> None:
    examples = """
examples:
  - {name: One, answers: {sound: pop}, expect: {first: damp}}
  - {name: Two, answers: {sounds: pops}, expect: {first: dump}}
  - {name: Three, expect: {cause: damp}}
"""
    _, found = faults(pack(tmp_path / "shop", q=QUESTIONS, c=CAUSE, e=examples))
    said = " / ".join(p.what for p in found)
    assert "no answer 'pop'" in said
    assert "the question 'sounds' is not known" in said
    assert "the cause 'dump' is not known" in said
    assert "is not an expectation" in said


def test_words_and_shares_for_frequencies() -> None:
    # The values of the words are the project's own table; 1 in 4 and 0.25 are one number.
    assert {w: Frequency.parse(w).value for w in WORDS} == WORDS
    assert Frequency.parse("1 in 4").value == Frequency.parse("0.25").value == 0.25
    assert Frequency.parse("0").value == 0.005
    assert Frequency.parse("10 in 10").value == 0.995


def test_a_control_character_in_a_rule_text_is_refused(tmp_path: Path) -> None:
    text = CAUSE.replace("The plastic is damp", '"damp \\e[31m"')
    _, found = faults(pack(tmp_path / "shop", q=QUESTIONS, c=text))
    assert "control character" in found[0].what


def test_a_share_of_infinitely_many_is_no_share(tmp_path: Path) -> None:
    nines = "9" * 400
    _, found = faults(pack(tmp_path / "shop", q=QUESTIONS, c=CAUSE.replace("7 in 10", f"{nines} in {nines}")))
    assert len(found) == 1
    assert "is not a share" in found[0].what


def test_how_early_a_remedy_is_tried_may_be_told_by_defect(tmp_path: Path) -> None:
    remedy = "remedies:\n  - {id: dry, name: Dry it, do: Dry it., minutes: 5, tried: {lumps: 1, %s}}"
    knowledge, found = faults(pack(tmp_path / "shop", q=QUESTIONS, c=CAUSE, r=remedy % "other: 4"))
    dry = knowledge.remedies["dry"]
    assert not found and [dry.tried_for(d) for d in ("lumps", "bands", None)] == [1, 4, 4]
    _, found = faults(pack(tmp_path / "shop", q=QUESTIONS, c=CAUSE, r=remedy % "band: 2"))
    assert [(p.line, p.what) for p in found] == [(2, "'defect' has no answer 'band'")]
    _, found = faults(pack(tmp_path / "shop", q=QUESTIONS, c=CAUSE, r=remedy % "other: 6"))
    assert found and found[0].line == 2


def test_costs_are_finite(tmp_path: Path) -> None:
    for minutes in ("inf", "nan"):
        remedy = f"remedies:\n  - {{id: dry-it, name: Dry it, do: Dry it., minutes: {minutes}}}\n"
        _, found = faults(pack(tmp_path / minutes, q=QUESTIONS, c=CAUSE, r=remedy))
        assert [p.what for p in found] == [f"`minutes` cannot be '{minutes}'"]


MORE = "\n  - {id: damp-room, ask: Is the room damp?, effort: recall, answers: [{id: wet, say: Damp}, {id: dry, say: Dry}]}\n"
HEARD = """
findings:
  - {id: heard, name: Heard, explain: Sound., fills: sound, answers: [{id: pops, say: Pops}, {id: quiet, say: Quiet}]}
"""


@pytest.mark.parametrize(
    ("files", "words"),
    [
        # Such a finding is no node of its own: both of these once ended the program.
        ({"c": with_evidence("{question: damp-room, answer: wet, seen: half, given: {heard: pops}, because: x}"), "f": HEARD},
         "'heard' fills the question 'sound' and cannot be a condition"),
        ({"q": QUESTIONS + MORE.replace("effort", "ask_if: {heard: pops}, effort"), "f": HEARD}, "cannot be a condition"),
        ({"f": HEARD + HEARD.replace("findings:", "").replace("id: heard", "id: seen")}, "is filled by 'heard' already"),
        ({"q": QUESTIONS.replace("effort: recall", "effort: recall\n    kind: several"), "f": HEARD}, "cannot be filled"),
        ({"q": QUESTIONS.replace("usual: 1 in 10", "usual: {lump: 1 in 10}")}, "'defect' has no answer 'lump'"),
        ({"q": QUESTIONS.replace("say: Lumps", "say: Lumps, usual: {lumps: half}")}, "cannot hang on the defect"),
        ({"q": QUESTIONS.replace("role: defect", "role: defect\n    ask_if: {sound: pops}")}, "every print has a main defect"),
        ({"c": with_evidence("{question: defect, answer: lumps, seen: half, because: x}")}, "`defects` says this already"),
        ({"c": with_evidence("{question: sound, answer: quiet, seen: 0.1, because: x}")}, "add up to 0.80"),
        ({"q": QUESTIONS + MORE.replace("effort", "ask_if: {sound: []}, effort")}, "`sound` is empty"),
        ({"q": QUESTIONS + MORE.replace("effort", "role: defect-again, effort")}, "its answers are not those of 'defect'"),
        # A gate on the main defect opens on the second one too, so this goes round.
        ({"q": QUESTIONS + MORE.replace("effort", "role: second-defect, ask_if: {hum: 'yes'}, effort") + """
  - {id: hum, ask: Does it hum?, effort: recall, ask_if: {defect: lumps}, answers: [{id: 'yes', say: It does}, {id: 'no', say: No}]}
"""}, "go round in a circle"),
    ],
)  # fmt: skip
def test_what_the_reasoning_could_not_use_is_a_fault(tmp_path: Path, files: dict[str, str], words: str) -> None:
    _, found = faults(pack(tmp_path / "shop", **{"q": QUESTIONS + MORE, "c": CAUSE, **files}))
    assert [words in p.what for p in found] == [True], [p.what for p in found]


def test_a_finding_derived_from_one_that_fills_a_question_is_given_the_question(tmp_path: Path) -> None:
    derived = "  - {id: rate, name: R, explain: R., derived_from: heard, answers: [{id: high, say: H}, {id: low, say: L}]}\n"
    text = "{finding: rate, answer: high, seen: half, given: {%s: %s}, because: x}"
    files = {"q": QUESTIONS + MORE, "f": HEARD + derived}
    _, found = faults(pack(tmp_path / "shop", **files, c=with_evidence(text % ("sound", "pops"))))
    assert not found
    _, found = faults(pack(tmp_path / "shop", **files, c=with_evidence(text % ("damp-room", "wet"))))
    assert "computed from sound: one fact would count twice" in found[0].what


def test_marks_repeat_from_the_smaller_to_the_greater_length(tmp_path: Path) -> None:
    text = CAUSE.replace("    evidence:", "    leaves: {every: time, from_s: 120, to_s: 1}\n    evidence:")
    _, found = faults(pack(tmp_path / "shop", q=QUESTIONS, c=text))
    assert [p.what for p in found] == ["`leaves` goes from 120 to 1"]
    _, found = faults(pack(tmp_path / "shop", c=text.replace("from_s: 120, to_s: 1}", "from_s: 1, to_s: 120}")))
    assert not found
