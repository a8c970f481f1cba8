"""What can be typed in the interview beside numbers, and the interview read aloud."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
import yaml
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from diagnose.cases.book import Casebook
from diagnose.cli.ask.interview import chosen_in
from diagnose.cli.ask.orders import ORDERS, order_in
from diagnose.errors import BadInput
from diagnose.knowledge.models import Question
from tests.cli.run import run


def ask(capsys: pytest.CaptureFixture[str], book: Path, *lines: str, more: tuple[str, ...] = ()) -> str:
    seen = run(capsys, "ask", "--casebook", book, *more, typed="".join(f"{line}\n" for line in lines))
    assert seen.code == 0, seen
    return seen.out


def case_of(book: Path) -> dict[str, tuple[str, ...] | None]:
    (case,) = Casebook(book).cases()
    return case.answers


def question(*says: str, kind: str = "one") -> Question:
    answers = [{"id": f"a{n}", "say": say} for n, say in enumerate(says)]
    return Question.model_validate({"id": "q", "ask": "What?", "kind": kind, "effort": "glance", "answers": answers})


def test_every_order_is_known_by_its_word_and_its_letter_and_no_two_share_one() -> None:
    names = [name for order in ORDERS for name in (order.word, order.letter) if name]
    assert len(set(names)) == len(names)
    for order in ORDERS:
        behind = " 1" if order.takes else ""
        for name in filter(None, (order.word, order.letter)):
            assert order_in(name + behind) == (order.word, behind.strip())
    assert order_in("banana") is None and order_in("back to front") is None, "an order without anything behind it is only that"
    with pytest.raises(BadInput, match="attach needs the path"):
        order_in("attach")


def test_answers_are_taken_by_number_and_by_their_words() -> None:
    one = question("At even steps", "No order that I can see", "No order, but in a row")
    assert chosen_in("2.", one) == [1] and chosen_in(" 1 ", one) == [0]
    assert chosen_in("at even", one) == [0] and chosen_in("No order that", one) == [1]
    assert chosen_in("0", one) is None and chosen_in("can't tell", one) is None
    with pytest.raises(BadInput, match="2 answers begin with"):
        chosen_in("no order", one)
    for wrong in ("4", "-", "banana", "99999999999", "-1", "1.5x"):
        with pytest.raises(BadInput, match="no answer here"):
            chosen_in(wrong, one)
    several = question("Left", "Left and right", kind="several")
    assert chosen_in("-", several) == [] and chosen_in("1, 2", several) == [0, 1]
    assert chosen_in("left", several) == [0], "a whole answer wins over the beginning of another"


def test_answers_are_listed_changed_and_dropped(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    out = ask(capsys, tmp_path, "1", "1", "list", "change 2", "pits", "drop 1", "list", "drop 7", "change 0", "quit")
    assert "  2  What is the main thing wrong with the part?" in out
    assert out.count("there is no number") == 2
    assert case_of(tmp_path) == {"defect": ("pits",)}


def test_another_question_is_chosen_from_the_steps_and_back_gives_it_up(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    out = ask(capsys, tmp_path, "1", "1", "steps", "ask 2", "back", "why", "quit")
    steps = re.findall(r"^ +([12])  (.*?)  \(\d", out, re.M)
    first, second = (ask for number, ask in steps[:2])
    after = out[out.index("> ask 2") :]
    assert after.index(second[:30]) < after.index(first[:30]), "the second one is asked, and after back the first"
    assert len(case_of(tmp_path)) == 2, "nothing was undone"


def test_the_interview_waits_while_there_is_danger(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    out = ask(capsys, tmp_path, "3", "1", "safe", "1")
    assert out.count("The interview waits.") == 2, "a number is not taken for an answer while it waits"
    assert case_of(tmp_path) == {"danger-signs": ("smoke",), "defect": ("blobs",)}
    slip = tmp_path / "slip"
    ask(capsys, slip, "3", "back", "1")
    assert case_of(slip) == {"danger-signs": ("none",)}


def test_the_case_is_saved_as_a_page_and_as_answers_that_rank_alike(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    page, answers = tmp_path / "case.html", tmp_path / "facts.yaml"
    out = ask(capsys, tmp_path / "book", "1", "1", f"save {page}", f"save '{answers}'", f"save {page}", "save case.doc", "quit")
    assert page.read_text().startswith("<!") and out.count("written: ") == 2
    assert "there is a file" in out and "a case is saved as" in out
    assert yaml.safe_load(answers.read_text())["answers"] == {"danger-signs": "none", "defect": "blobs"}
    ranked = run(capsys, "rank", answers, "-q").out.splitlines()[0]
    assert ranked.split("  ")[-1] in out


def test_what_is_asked_of_the_program_is_told(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    out = ask(capsys, tmp_path, "1", "1", "printer", "printer board-memory-card", "manual 2", "similar", "doubts", "ledger 3", "tests 2", "help")
    for said in ("board-cable: ", "printer card: board-memory-card", "What it is", "No solved case", "How to read it", "halves"[:0] or "undo the last"):
        assert said in out, said
    assert "likeliest of all" in out or "no doubt to tell" in out


def test_read_aloud_nothing_depends_on_columns_pictures_or_signs(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    out = ask(capsys, tmp_path, "1", "1", "rank", "ledger", "why", "list", "steps", "help", "1", "quit", more=("--spoken",))
    assert "Question: What is the main thing wrong with the part?" in out and "1: Blobs or pimples standing out of the walls." in out
    assert "Now first: " in out and "percent" in out and "decibans" in out
    told = [line for line in out.splitlines() if not line.startswith("  ")]
    for line in told:
        assert "   " not in line and not re.search(r"[_|#~=]{2,}|[▲█│●]|\d %", line), line


def test_stopping_at_the_prompt_says_how_to_go_on(capsys: pytest.CaptureFixture[str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def interrupted(prompt: str) -> str:
        raise KeyboardInterrupt

    monkeypatch.setattr("diagnose.cli.ask.interview.typed", interrupted)
    seen = run(capsys, "ask", "--casebook", tmp_path)
    (case,) = Casebook(tmp_path).cases()
    assert seen.code == 130 and f"--case {case.id}" in seen.out


LINES = st.lists(
    st.one_of(
        st.sampled_from([f"{o.word} {o.takes and 2}".strip() for o in ORDERS if o.word not in ("quit", "save", "attach", "marks")]),
        st.integers(-1, 40).map(str), st.text(max_size=12), st.sampled_from(["1 2", "-", "safe", "1", "0"]),
    ),
    max_size=12,
)  # fmt: skip


@settings(max_examples=12, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture], derandomize=True)
@given(lines=LINES)
def test_no_lines_break_it_or_lose_the_case(capsys: pytest.CaptureFixture[str], tmp_path: Path, lines: list[str]) -> None:
    book = tmp_path / f"book-{abs(hash(tuple(lines)))}"
    seen = run(capsys, "ask", "--casebook", book, typed="".join(f"{' '.join(line.splitlines())}\n" for line in lines))
    assert seen.code == 0 and "Traceback" not in seen.err + seen.out
    assert Casebook(book).cases()
