"""Finding entries of the rules, and their pages."""

from __future__ import annotations

from itertools import pairwise

import pytest

from diagnose.errors import BadInput
from diagnose.letters import folded
from diagnose.triage import Triage, knowledge_from
from diagnose.triage.entry_pages import entry_page
from diagnose.triage.search import KINDS, entries, find

KNOWLEDGE = knowledge_from()
ALL = entries(KNOWLEDGE)


def test_every_entry_is_there_once_and_causes_stand_by_family() -> None:
    assert len({(e.kind, e.id) for e in ALL}) == len(ALL) == sum(len(getattr(KNOWLEDGE, kind)) for kind in KINDS)
    families = [e.within for e in ALL if e.kind == "causes"]
    assert len(set(families)) == sum(a != b for a, b in pairwise(families)) + 1
    assert find(ALL, "") == ALL


@pytest.mark.parametrize("typed", ["filament wet", "WET  filament", "wet-filament", "wét filamènt"])
def test_words_are_found_in_any_order_whatever_their_case_and_accents(typed: str) -> None:
    assert find(ALL, typed)[0].id == "wet-filament"


def test_names_come_before_texts_and_beginnings_before_insides() -> None:
    found = find(ALL, "nozzle")
    in_name = [any(word.startswith("nozzle") for word in folded(e.name).split()) for e in found]
    assert in_name[0] and in_name == sorted(in_name, reverse=True), "all whose name says it come before all whose text does"
    assert find(ALL, "nozzle zebra") == []


def test_only_what_may_be_found_is() -> None:
    assert [e.id for e in find(ALL, "", {("causes", "wet-filament"), ("questions", "defect")})] == ["wet-filament", "defect"]


def test_every_entry_has_a_page_that_says_where_it_is_from() -> None:
    network = Triage(KNOWLEDGE).network
    for kind in KINDS:
        for id in getattr(KNOWLEDGE, kind):
            sections = entry_page(KNOWLEDGE, network, kind, id)
            assert all(section.lines for section in sections)
            origin = KNOWLEDGE.origins[kind, id]
            assert any(f"{origin}" in line.text for line in sections[-1 if kind != "causes" else -2].lines + sections[-1].lines), (kind, id)
    with pytest.raises(BadInput, match="no 'nothing'"):
        entry_page(KNOWLEDGE, network, "tests", "nothing")


def test_a_question_tells_for_and_against_which_causes_each_answer_speaks() -> None:
    network = Triage(KNOWLEDGE).network
    cause = KNOWLEDGE.causes["wet-filament"]
    line = next(e for e in cause.evidence if e.question)
    text = " ".join(x.text for s in entry_page(KNOWLEDGE, network, "questions", line.about) for x in s.lines)
    assert cause.name in text and line.because in text and " dB  " in text


def test_a_test_and_a_remedy_tell_what_they_are_for() -> None:
    network = Triage(KNOWLEDGE).network
    cause = KNOWLEDGE.causes["wet-filament"]
    for kind, id in (("tests", cause.confirm[0]), ("remedies", cause.remedies[0])):
        sections = {s.title: s for s in entry_page(KNOWLEDGE, network, kind, id)}
        told = sections["It confirms" if kind == "tests" else "It cures"]
        assert cause.name in [line.text for line in told.lines]
        assert any("Costs" in line.text for line in sections["What to do"].lines)
