"""From the share of a cause among prints that show a sign to how often the cause shows it."""

from __future__ import annotations

import numpy as np
import pytest

from diagnose.knowledge.builtin import rules_folder
from diagnose.knowledge.check import load_checked
from diagnose.knowledge.pack import Knowledge
from diagnose.reasoning.counts import before_the_sign, turn
from diagnose.reasoning.inference import Seen, log_likelihood, posterior
from diagnose.reasoning.network import Network, compile_network


@pytest.fixture(scope="module")
def rules() -> tuple[Knowledge, Network]:
    knowledge = load_checked([rules_folder()])
    return knowledge, compile_network(knowledge)


def test_counts_of_a_made_up_shop_come_back_as_the_frequency_they_were_drawn_with() -> None:
    """1,000 prints, 200 with the cause; 150 of them show the sign, and 80 of the other 800: arithmetic by hand."""
    found = turn(150, 230, base=0.2, usual=0.1)
    assert found.seen == pytest.approx(0.75)
    assert found.low < 0.75 < found.high


@pytest.mark.parametrize("seen", [0.05, 0.3, 0.9])
@pytest.mark.parametrize("base", [0.02, 0.3])
@pytest.mark.parametrize("usual", [0.05, 0.5])
def test_it_is_the_inverse_of_bayes(seen: float, base: float, usual: float) -> None:
    share = base * seen / (base * seen + (1 - base) * usual)
    many = 10_000_000
    assert turn(round(share * many), many, base, usual).seen == pytest.approx(seen, rel=1e-3)


def test_few_counts_leave_much_open_and_many_little() -> None:
    few, many = turn(3, 4, 0.2, 0.05), turn(300, 400, 0.2, 0.05)
    assert few.low < many.low < many.seen < many.high < few.high
    assert few.seen == pytest.approx(many.seen)


def test_all_of_them_and_none_of_them_are_still_frequencies() -> None:
    assert 0 < turn(0, 5, 0.2, 0.1).seen < turn(5, 5, 0.2, 0.1).seen < np.inf


def test_counts_that_no_frequency_can_bring_are_known_by_their_interval() -> None:
    assert turn(9, 10, base=0.01, usual=0.3).low > 1
    assert not turn(9, 10, base=0.01, usual=0.3).possible


def test_what_stands_before_the_sign_is_what_the_network_says(rules: tuple[Knowledge, Network]) -> None:
    """The slow way: share of the cause, and the sign's chance summed over the others one by one."""
    knowledge, network = rules
    base, usual = before_the_sign(knowledge, network, "wet-filament", ("popping", "yes"), "strings")
    defect, popping = network.index["defect"], network.index["popping"]
    known = {defect: Seen(network.nodes[defect].states.index("strings"))}
    shares = posterior(network, log_likelihood(network, known))
    row = network.row("wet-filament")
    assert base == pytest.approx(shares[row])
    table, left = network.reported(popping, {defect: known[defect].state})
    assert left == ()
    yes = network.nodes[popping].states.index("yes")
    others = [r for r in range(len(shares)) if r != row]
    assert usual == pytest.approx(sum(shares[r] * table[r, yes] for r in others) / sum(shares[r] for r in others))


def test_an_option_of_a_question_of_kind_several_can_be_counted(rules: tuple[Knowledge, Network]) -> None:
    knowledge, network = rules
    question = next(q for q in knowledge.questions.values() if q.kind == "several" and not q.ask_if)
    base, usual = before_the_sign(knowledge, network, "wet-filament", (question.id, question.answers[0].id), None)
    assert 0 < base < 1 and 0 < usual < 1
