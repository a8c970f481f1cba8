"""A case: answers, undo, journal and resume, what counts and what is set aside."""

from __future__ import annotations

import json
import math
from pathlib import Path

import pytest

from diagnose.cases.book import Casebook
from diagnose.cases.journal import fold
from diagnose.errors import BadInput
from diagnose.knowledge.builtin import rules_folder
from diagnose.knowledge.pack import Knowledge
from diagnose.reasoning.inquiry import pace
from diagnose.reasoning.network import Network, compile_network
from diagnose.triage import Triage, knowledge_from


@pytest.fixture(scope="module")
def knowledge() -> Knowledge:
    return knowledge_from()


@pytest.fixture(scope="module")
def network(knowledge: Knowledge) -> Network:
    return compile_network(knowledge)


def test_a_case_goes_on_where_it_was_left(tmp_path: Path, knowledge: Knowledge, network: Network) -> None:
    book = Casebook(tmp_path / "book")
    triage = Triage.start(knowledge, book, "left rim", network)
    triage.answer("defect", "blobs")
    triage.unknown("mark-spacing")
    triage.choose_printer("board-memory-card")
    again = Triage.resume(knowledge, book, triage.case.id, network)
    assert again.case.title == "left rim"
    assert again.case.answers == {"defect": ("blobs",), "mark-spacing": None}
    assert again.case.printer == "board-memory-card"
    assert [s.id for s in again.ranking()] == [s.id for s in triage.ranking()]
    assert [c.id for c in book.cases()] == [triage.case.id]


def test_undo_takes_back_one_thing_at_a_time(tmp_path: Path, knowledge: Knowledge, network: Network) -> None:
    triage = Triage.start(knowledge, Casebook(tmp_path), "", network)
    at_first = [s.probability for s in triage.ranking()]
    triage.answer("defect", "blobs")
    triage.answer("mark-spacing", "even")
    triage.take_back("defect")
    assert triage.undo()
    assert list(triage.case.answers) == ["defect", "mark-spacing"]
    assert triage.undo()
    assert triage.undo()
    assert not triage.undo()
    assert [s.probability for s in triage.ranking()] == at_first


def test_a_changed_answer_keeps_its_place_and_the_gated_answer_sleeps(
    knowledge: Knowledge, network: Network
) -> None:
    gated = next(q for q in knowledge.questions.values() if q.ask_if.get("defect") and q.kind == "one")
    shut = next(
        a.id for a in knowledge.questions["defect"].answers if a.id not in gated.ask_if["defect"]
    )
    triage = Triage(knowledge, network=network)
    triage.answer("defect", gated.ask_if["defect"][0])
    triage.answer("second-defect", "none")
    triage.answer("defect-again", shut)
    triage.answer(gated.id, gated.answers[0].id)
    before = [s.probability for s in triage.ranking()]
    triage.answer("defect", shut)
    assert list(triage.case.answers) == ["defect", "second-defect", "defect-again", gated.id]
    asleep = next(g for g in triage.given() if g.id == gated.id)
    assert not asleep.counts
    assert "no longer applies" in asleep.why
    triage.answer("defect", gated.ask_if["defect"][0])
    assert [s.probability for s in triage.ranking()] == pytest.approx(before, abs=1e-12)


def test_the_ledger_of_every_cause_sums_to_its_log_odds_and_names_its_rules(
    knowledge: Knowledge, network: Network
) -> None:
    triage = Triage(knowledge, network=network)
    for question, answer in (("defect", "blobs"), ("mark-spacing", "even"), ("spiral-mode", "yes"), ("popping", "no")):
        triage.answer(question, answer)
    for suspect in triage.ranking():
        lines = triage.ledger(suspect.id)
        want = 10 * math.log10(suspect.probability / (1 - suspect.probability))
        assert sum(line.decibans for line in lines) == pytest.approx(want, abs=1e-9)
    first = triage.ledger("checkpoint-stalls")
    spacing = next(line for line in first if line.id == "mark-spacing")
    file, _, number = spacing.rule.rpartition(":")
    assert "mark-spacing" in (rules_folder().parent / file).read_text().splitlines()[int(number) - 1]
    assert spacing.because


def test_findings_answer_the_questions_they_fill_when_they_are_surer(knowledge: Knowledge, network: Network) -> None:
    filler = next(f for f in knowledge.findings.values() if f.fills == "spiral-mode")
    triage = Triage(knowledge, network=network)
    triage.answer("defect", "blobs")
    triage.answer("spiral-mode", "no")
    alone = [s.probability for s in triage.ranking()]
    triage.believe({filler.id: "yes"}, 0.5)
    assert [s.probability for s in triage.ranking()] == alone
    assert any("is it the file that was printed?" in w for w in triage.doubts())
    triage.believe({filler.id: "yes"}, 0.99)
    said = {g.id: g for g in triage.given()}
    assert not said["spiral-mode"].counts
    assert said[filler.id].counts
    assert [s.probability for s in triage.ranking()] != alone


def test_danger_is_asked_first_then_the_defect_and_results_of_prints_never(
    knowledge: Knowledge, network: Network
) -> None:
    triage = Triage(knowledge, network=network)
    danger = knowledge.danger_question()
    assert danger is not None
    assert [step.id for step in triage.next_steps(2)] == [danger.id, "defect"]
    results = knowledge.result_questions()
    assert all(
        knowledge.questions[t.question].effort == "reprint" or t.machine_minutes > 5
        for t in knowledge.tests.values()
        if t.question in results
    )
    for _ in range(200):
        step = triage.next_question()
        if step is None:
            break
        assert step.id not in results
        triage.unknown(step.id)
    assert triage.next_question() is None
    assert triage.enough


def test_attaching_the_job_competes_with_the_questions(knowledge: Knowledge, network: Network) -> None:
    triage = Triage(knowledge, network=network)
    triage.answer("defect", "blobs")
    triage.answer("danger-signs", "none")
    steps = triage.next_steps()
    assert any(step.kind == "job" and step.bits > 0.02 for step in steps)
    rate = [pace(step.bits, step.minutes) for step in steps]
    assert rate == sorted(rate, reverse=True)
    triage.believe({}, 0.5)
    assert not any(step.kind == "job" for step in triage.next_steps())


def test_a_wrong_answer_changes_nothing(tmp_path: Path, knowledge: Knowledge, network: Network) -> None:
    triage = Triage.start(knowledge, Casebook(tmp_path), "", network)
    for question, answer in (("defekt", "blobs"), ("defect", "blubs"), ("mark-spacing", "evenly")):
        with pytest.raises(BadInput) as error:
            triage.answer(question, answer)
        assert error.value.hint
    assert triage.case.answers == {}
    assert len((tmp_path / f"{triage.case.id}.journal").read_text().splitlines()) == 1


def test_a_torn_last_line_is_cut_off_and_the_rest_is_whole(
    tmp_path: Path, knowledge: Knowledge, network: Network
) -> None:
    book = Casebook(tmp_path)
    triage = Triage.start(knowledge, book, "", network)
    triage.answer("defect", "blobs")
    path = tmp_path / f"{triage.case.id}.journal"
    whole = path.read_bytes()
    for cut in range(len(whole.splitlines(keepends=True)[0]), len(whole)):
        path.write_bytes(whole[:cut])
        case = book.open(triage.case.id).case()
        assert case.answers == {}
        book.open(triage.case.id).append({"do": "answer", "question": "defect", "answers": ["strings"]})
        assert book.open(triage.case.id).case().answers == {"defect": ("strings",)}


def test_a_damaged_journal_is_told_with_its_line_and_does_not_hide_the_others(tmp_path: Path) -> None:
    book = Casebook(tmp_path)
    book.start("good")
    bad = book.start("bad")
    with bad.path.open("a") as file:
        file.write("not json\n")
    with pytest.raises(BadInput) as error:
        bad.case()
    assert error.value.where == f"{bad.path}:2"
    titles = {c.title for c in book.cases()}
    assert "good" in titles
    assert any(t.startswith("damaged") for t in titles)


def test_a_folder_that_cannot_be_made_is_told(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    with pytest.raises(BadInput) as error:
        Casebook(tmp_path / "file" / "book").start()
    assert "cannot be made" in error.value.what


def test_a_full_disk_leaves_the_earlier_state(tmp_path: Path, knowledge: Knowledge, network: Network) -> None:
    import resource
    import signal

    triage = Triage.start(knowledge, Casebook(tmp_path), "", network)
    triage.answer("defect", "blobs")
    path = tmp_path / f"{triage.case.id}.journal"
    size = path.stat().st_size
    old = resource.getrlimit(resource.RLIMIT_FSIZE)
    signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
    resource.setrlimit(resource.RLIMIT_FSIZE, (size + 10, old[1]))
    try:
        with pytest.raises(BadInput) as error:
            triage.answer("mark-spacing", "even")
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, old)
        signal.signal(signal.SIGXFSZ, signal.SIG_DFL)
    assert "cannot be saved" in error.value.what
    assert triage.case.answers == {"defect": ("blobs",)}
    assert Triage.resume(knowledge, Casebook(tmp_path), triage.case.id, network).case.answers == triage.case.answers


def test_undo_of_an_unknown_later_event_is_harmless() -> None:
    events = [{"do": "start"}, {"do": "from-a-later-version", "x": 1}, {"do": "answer", "question": "q", "answers": []}]
    case = fold("c", json.loads(json.dumps(events)))
    assert case.answers == {"q": ()}


def test_danger_stops_the_interview(knowledge: Knowledge, network: Network) -> None:
    # Common practice, no source: smoke, a burning smell or hot wires come before any diagnosis.
    danger = [(q, a) for q in knowledge.questions.values() for a in q.answers if a.stop]
    assert danger
    question, answer = danger[0]
    assert question == knowledge.danger_question()
    triage = Triage(knowledge, network=network)
    assert triage.alarms() == []
    triage.answer(question.id, answer.id)
    assert triage.alarms() == [answer.stop]


def test_two_windows_on_one_case_see_each_others_answers(
    tmp_path: Path, knowledge: Knowledge, network: Network
) -> None:
    book = Casebook(tmp_path)
    one = Triage.start(knowledge, book, "", network)
    two = Triage.resume(knowledge, book, one.case.id, network)
    one.answer("defect", "blobs")
    two.answer("mark-spacing", "even")
    assert two.case.answers == {"defect": ("blobs",), "mark-spacing": ("even",)}
    one.answer("popping", "no")
    two.undo()
    assert two.case.answers == book.open(one.case.id).case().answers == {"defect": ("blobs",), "mark-spacing": ("even",)}


def test_an_answer_that_the_rules_no_longer_have_stays_out_after_the_next_one(
    tmp_path: Path, knowledge: Knowledge, network: Network
) -> None:
    book = Casebook(tmp_path)
    journal = book.start()
    journal.append({"do": "answer", "question": "asked-once-upon-a-time", "answers": ["yes"]})
    journal.append({"do": "answer", "question": "mark-spacing", "answers": ["even", "uneven"]})
    triage = Triage.resume(knowledge, book, journal.id, network)
    assert triage.case.answers == {}
    triage.answer("defect", "blobs")
    assert triage.case.answers == {"defect": ("blobs",)}
    assert sum(s.probability for s in triage.ranking()) + triage.unexplained == pytest.approx(1.0, abs=1e-12)


def test_a_case_deleted_while_it_is_open_does_not_come_back_in_part(
    tmp_path: Path, knowledge: Knowledge, network: Network
) -> None:
    triage = Triage.start(knowledge, Casebook(tmp_path), "", network)
    triage.answer("defect", "blobs")
    (tmp_path / f"{triage.case.id}.journal").unlink()
    with pytest.raises(BadInput) as error:
        triage.answer("mark-spacing", "even")
    assert "cannot be saved" in error.value.what
    assert list(tmp_path.iterdir()) == []
    assert triage.case.answers == {"defect": ("blobs",)}


@pytest.mark.parametrize(
    "event",
    [
        {"do": "answer"}, {"do": "answer", "question": "defect", "answers": 3}, {"do": "answer", "question": 1},
        {"do": "answer", "question": "defect", "answers": [["blobs"]]}, {"do": "take-back"}, {"do": 7},
        {"do": "printer", "printer": 4}, {"do": "job", "job": []}, {"do": "job", "job": {"findings": [{"id": "x"}]}},
        {"do": "job", "job": {"findings": [{"id": "x", "answer": "y", "because": "z", "confidence": 1.5}]}},
        {"do": "tried", "result": "cured"}, {"do": "tried", "remedy": "x", "result": 3},
        {"do": "tried", "remedy": "x", "result": "cured", "closes": True, "causes": "y"},
    ],
)  # fmt: skip
def test_an_event_that_lacks_what_it_should_say_is_told_with_its_line(tmp_path: Path, event: dict[str, object]) -> None:
    journal = Casebook(tmp_path).start()
    journal.append(event)
    with pytest.raises(BadInput) as error:
        journal.case()
    assert error.value.where == f"{journal.path}:2"


def test_a_job_run_on_another_card_than_the_one_chosen_is_told(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, knowledge: Knowledge, network: Network
) -> None:
    from diagnose.coupons.spiral import lamp_shade, write

    (tmp_path / "shade.gcode").write_text(write(lamp_shade()))
    monkeypatch.chdir(tmp_path)
    triage = Triage(knowledge, network=network)
    triage.attach(triage.read_job("shade.gcode"))
    assert triage.case.job is not None
    assert triage.case.job["path"] == str(tmp_path / "shade.gcode")  # the case may be resumed from another folder
    assert not any("attach it again" in doubt for doubt in triage.doubts())
    triage.choose_printer("board-cable")
    assert any("run on no printer card" in doubt for doubt in triage.doubts())
    triage.attach(triage.read_job("shade.gcode"))
    assert not any("attach it again" in doubt for doubt in triage.doubts())
    triage.choose_printer("board-memory-card")
    assert any("run on the card board-cable" in doubt for doubt in triage.doubts())


def test_a_card_beside_the_answers_is_found_from_anywhere_and_may_vanish(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, knowledge: Knowledge, network: Network
) -> None:
    from diagnose.triage.facts import facts_file, triage_from

    text = (rules_folder() / "printers" / "generic.yaml").read_text()
    first, second = [i for i in range(len(text)) if text.startswith("\n  - id:", i)][:2]
    (tmp_path / "mine.yaml").write_text(text[:first] + text[first:second])
    (tmp_path / "facts.yaml").write_text("answers: {defect: blobs, danger-signs: none}\nprinter: mine.yaml\n")
    triage = triage_from(knowledge, facts_file(tmp_path / "facts.yaml"), network)
    assert triage.case.printer == str(tmp_path / "mine.yaml")
    monkeypatch.chdir(tmp_path)
    triage.choose_printer("mine.yaml")
    assert triage.case.printer == str(tmp_path / "mine.yaml")
    (tmp_path / "mine.yaml").unlink()
    assert triage.next_steps()
    with pytest.raises(BadInput):
        triage.read_job("any.gcode")


def test_changing_an_answer_and_undoing_it_is_the_identity(knowledge: Knowledge, network: Network) -> None:
    import random

    dice = random.Random(5)
    triage = Triage(knowledge, network=network)
    for _ in range(36):
        question = dice.choice(list(knowledge.questions.values()))
        ids = [a.id for a in question.answers]
        before = triage.case.answers, [s.probability for s in triage.ranking()], triage.given()
        if question.id in triage.case.answers and dice.random() < 0.3:
            triage.take_back(question.id)
        elif dice.random() < 0.2:
            triage.unknown(question.id)
        else:
            triage.answer(question.id, *(dice.sample(ids, dice.randrange(len(ids) + 1)) if question.kind == "several"
                                         else [dice.choice(ids)]))  # fmt: skip
        after = triage.case.answers
        assert triage.undo()
        assert (triage.case.answers, [s.probability for s in triage.ranking()], triage.given()) == before
        assert list(triage.case.answers) == list(before[0])
        for id, given in after.items():
            if triage.case.answers.get(id, 0) != given:
                triage.answer(id, *(("unknown",) if given is None else given))
        for suspect in triage.ranking()[:2]:
            got = sum(line.decibans for line in triage.ledger(suspect.id))
            p = suspect.probability
            assert got == pytest.approx(10 * math.log10(p / (1 - p)), abs=1e-6)


def test_while_there_is_danger_no_test_runs_the_machine(knowledge: Knowledge, network: Network) -> None:
    question = knowledge.danger_question()
    assert question is not None
    answer = next(a for a in question.answers if a.stop)
    triage = Triage(knowledge, network=network)
    hot = [c for c in knowledge.causes if any(v.test.machine_minutes for v in triage.confirming(c))]
    assert hot
    triage.answer(question.id, answer.id)
    assert not any(view.test.machine_minutes for cause in knowledge.causes for view in triage.confirming(cause))
    triage.take_back(question.id)
    assert [c for c in knowledge.causes if any(v.test.machine_minutes for v in triage.confirming(c))] == hot


def test_one_answer_or_a_job_alone_surprises_nobody(knowledge: Knowledge, network: Network) -> None:
    triage = Triage(knowledge, network=network)
    for question in (knowledge.by_role("defect"), knowledge.danger_question()):
        assert question is not None
        for answer in question.answers:
            triage.answer(question.id, answer.id)
            assert not any("explains these answers badly" in said for said in triage.doubts())
        triage.take_back(question.id)


def test_a_share_outside_the_rules_larger_than_any_suspect_is_said(knowledge: Knowledge, network: Network) -> None:
    triage = Triage(knowledge, network=network)
    for defect in knowledge.questions["defect"].answers:
        triage.answer("defect", defect.id)
        leads = triage.unexplained > triage.ranking()[0].probability
        assert any("something not in the rules" in said for said in triage.doubts()) == leads


def test_the_rate_is_a_starting_point_and_silence_is_said_as_such(knowledge: Knowledge, network: Network) -> None:
    triage = Triage(knowledge, network=network)
    triage.answer("defect", "blobs")
    triage.answer("popping", "yes")
    for cause in knowledge.causes.values():
        rate, _, popping = triage.ledger(cause.id)
        assert rate.strength == "starting point"
        silent = not any(line.about == "popping" for line in cause.evidence)
        assert silent == (popping.rule == "") == ("say nothing of it" in popping.because)
