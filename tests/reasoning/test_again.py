"""A second look at the main defect: its table against a plain sum over what is there, and the gates it opens."""

from __future__ import annotations

import numpy as np
import pytest

from diagnose.knowledge.models import Answer, Question
from diagnose.knowledge.pack import Knowledge
from diagnose.reasoning.inference import Seen, applies, log_likelihood, standing
from diagnose.reasoning.network import compile_network, stated_shares, usual_shares
from tests.reasoning.packs import random_pack, share

SLIPS, REPEATS = 0.12, 0.3


@pytest.fixture
def pack() -> Knowledge:
    k = random_pack(np.random.default_rng(3), causes=5, questions=6)
    first = k.questions["defect"].model_copy(update={"slips": share(SLIPS)})
    k.questions["defect"] = first
    # The second look lists the defects in an order of its own.
    answers = tuple(Answer(id=a.id, say="so") for a in reversed(first.answers))
    k.questions["again"] = Question(
        id="again", ask="?", effort="glance", role="defect-again", slips=share(REPEATS), answers=answers
    )
    return k


def test_two_looks_are_as_likely_as_a_sum_over_what_is_there(pack: Knowledge) -> None:
    network = compile_network(pack)
    defects = [a.id for a in pack.questions["defect"].answers]
    usual = usual_shares(pack.questions["defect"].answers, None)
    rows = [usual]
    for cause in pack.causes.values():
        said = {defects.index(d): f.value for d, f in cause.defects.items()}
        rows.append(stated_shares(said, usual))
    first, again = network.index["defect"], network.index["again"]
    for d, one in enumerate(defects):
        for e, two in enumerate(defects):
            states = {first: d, again: network.nodes[again].states.index(two)}
            got = np.exp(log_likelihood(network, {i: Seen(s) for i, s in states.items()}))
            for row, there in enumerate(rows):
                reported = [(1 - SLIPS) * (t == d) + SLIPS * usual[d] for t in range(len(defects))]
                # Somebody who only repeats says what people usually say who said the first: mostly the same again.
                repeated = [usual[t] * reported[t] / usual[d] for t in range(len(defects))]
                p_first = sum(there[t] * reported[t] for t in range(len(defects)))
                honest = there[e] * reported[e]
                expected = (1 - REPEATS) * honest + REPEATS * repeated[e] * p_first
                assert got[row] == pytest.approx(expected, rel=1e-12), (one, two, row)


def test_a_second_look_opens_the_questions_of_the_defect_it_names(pack: Knowledge) -> None:
    pack.questions["gated"] = Question(
        id="gated", ask="?", effort="glance", ask_if={"defect": ("d1",)},
        answers=(Answer(id="a", say="so"), Answer(id="b", say="so")),
    )  # fmt: skip
    network = compile_network(pack)
    seen = {network.index["defect"]: Seen(0)}
    assert not applies(network, "gated", standing(network, seen)[0])
    seen[network.index["again"]] = Seen(network.nodes[network.index["again"]].states.index("d1"))
    assert applies(network, "gated", standing(network, seen)[0])
