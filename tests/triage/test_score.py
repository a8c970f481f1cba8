"""The score of solved cases, on invented cases whose shares can be worked out by hand."""

from __future__ import annotations

from math import log2
from pathlib import Path

import numpy as np
import pytest
from scipy import stats

from diagnose.cases.journal import Case
from diagnose.cases.solved import read_solved
from diagnose.errors import BadInput
from diagnose.knowledge.pack import Knowledge, load
from diagnose.triage.score import Score, Scored, bits, brier, fold, score, score_learnt, wilson

PACK = """
questions:
  - id: defect
    ask: What is wrong?
    effort: glance
    role: defect
    slips: 0.005
    answers: [{id: lumps, say: Lumps, usual: 0.5}, {id: bands, say: Bands, usual: 0.5}]
  - id: sound
    ask: Does it pop?
    effort: recall
    slips: 0.005
    answers: [{id: pops, say: It pops, usual: 0.1}, {id: quiet, say: It is quiet, usual: 0.9}]
findings:
  - {id: spiral, name: Spiral, explain: One rising line, answers: [{id: "yes", say: "Yes", usual: 0.2}, {id: "no", say: "No", usual: 0.8}]}
causes:
  - {id: damp, name: Damp, family: material, about: Steam, rate: common, defects: {lumps: 0.9},
     evidence: [{question: sound, answer: pops, seen: 0.8, because: steam pops}]}
  - {id: shaky, name: Shaky, family: mechanics, about: It shakes, rate: common, defects: {bands: 0.9}}
  - {id: seams, name: Seams, family: seam, about: Starts show, rate: common, defects: {lumps: 0.6},
     evidence: [{finding: spiral, answer: "yes", seen: 0.01, because: a spiral has no seam}]}
"""


@pytest.fixture(scope="module")
def knowledge(tmp_path_factory: pytest.TempPathFactory) -> Knowledge:
    folder = tmp_path_factory.mktemp("pack")
    (folder / "pack.yaml").write_text(PACK)
    made, problems = load([folder])
    assert not problems
    return made


def scored(knowledge: Knowledge, folder: Path, *entries: str) -> Score:
    (folder / "solved.yaml").write_text("cases:\n" + "".join(f"  - {{source: invented, {e}}}\n" for e in entries))
    return score(knowledge, read_solved(folder))


def made(id: str, shares: list[float], truth: int) -> Scored:
    order = np.argsort(-np.array(shares[1:]), kind="stable")
    place = int(np.flatnonzero(order == truth - 1)[0]) + 1 if truth else None
    rates = np.full(len(shares), 1 / len(shares))
    return Scored(id, "invented", f"c{truth}", place, f"c{order[0] + 1}", np.array(shares), rates, truth)


def test_places_shares_and_errors_are_those_of_the_formula(knowledge: Knowledge, tmp_path: Path) -> None:
    found = scored(
        knowledge, tmp_path,
        "id: a, answers: {defect: lumps, sound: pops}, cause: damp",
        "id: b, answers: {defect: lumps, sound: pops}, cause: shaky",
        "id: c, answers: {}, cause: seams",
    )  # fmt: skip
    # P(v|c) = (1 - slips) seen + slips usual; a cause that says nothing shows the usual; prior 0.05 and a third of 0.95.
    mix = lambda seen, usual: 0.995 * seen + 0.005 * usual  # noqa: E731
    weight = {
        "": 0.05 * 0.5 * 0.1,
        "damp": 0.95 / 3 * mix(0.9, 0.5) * mix(0.8, 0.1),
        "shaky": 0.95 / 3 * mix(0.1, 0.5) * 0.1,
        "seams": 0.95 / 3 * mix(0.6, 0.5) * 0.1,
    }
    share = {cause: w / sum(weight.values()) for cause, w in weight.items()}
    a, b, c = found.cases
    assert a.shares == pytest.approx(list(share.values()), abs=1e-12)
    assert (a.place, b.place, c.place) == (1, 3, 3)
    assert a.brier == pytest.approx((1 - share["damp"]) ** 2 + share[""] ** 2 + share["shaky"] ** 2 + share["seams"] ** 2)
    assert b.bits == pytest.approx(-log2(share["shaky"]))
    assert c.share == pytest.approx(0.95 / 3)
    assert (b.winner, b.leader_share) == ("damp", pytest.approx(share["damp"]))
    assert [found.within(n).count for n in (1, 3, 5)] == [1, 3, 3]
    assert [case.id for case in found.missed()] == ["b", "c"]
    assert found.bits == pytest.approx((a.bits + b.bits + c.bits) / 3)
    assert found.bits_of_rates == pytest.approx(-log2(0.95 / 3))


def test_a_cause_that_the_rules_lack_is_missed_and_only_the_unknown_share_speaks_for_it(
    knowledge: Knowledge, tmp_path: Path
) -> None:
    (case,) = scored(knowledge, tmp_path, "id: a, answers: {defect: lumps}, cause: ghosts").cases
    assert case.place is None
    assert case.share == case.shares[0]
    assert case.brier == pytest.approx((1 - case.shares[0]) ** 2 + (case.shares[1:] ** 2).sum())
    assert Score((case,)).within(5).count == 0
    assert Score((case,)).missed() == [case]


def test_findings_of_a_case_count(knowledge: Knowledge, tmp_path: Path) -> None:
    told, silent = scored(
        knowledge, tmp_path,
        'id: a, answers: {defect: lumps}, findings: {spiral: "yes"}, cause: seams',
        "id: b, answers: {defect: lumps}, cause: seams",
    ).cases  # fmt: skip
    assert told.share < silent.share / 3


@pytest.mark.parametrize(
    ("entry", "what"),
    [
        ("id: a, answers: {defct: lumps}, cause: damp", "a: there is no question 'defct'"),
        ("id: a, answers: {defect: lump}, cause: damp", "a: the question 'defect' has no answer 'lump'"),
        ("id: a, answers: {}, findings: {spirl: x}, cause: damp", "a: there is no finding 'spirl'"),
        ("id: a, answers: {}, findings: {spiral: maybe}, cause: damp", "a: the finding 'spiral' has no answer"),
        ("id: a, answers: {}, printer: none-such, cause: damp", "a: there is no printer card"),
    ],
)
def test_a_case_that_the_rules_do_not_take_is_told_with_its_place(
    knowledge: Knowledge, tmp_path: Path, entry: str, what: str
) -> None:
    with pytest.raises(BadInput) as told:
        scored(knowledge, tmp_path, entry)
    assert told.value.what.startswith(what)
    assert told.value.where == f"{tmp_path / 'solved.yaml'}:2"


@pytest.mark.parametrize(("count", "of", "low", "high"), [(81, 263, 0.2553, 0.3662), (0, 20, 0.0, 0.1611)])
def test_intervals_are_the_printed_ones(count: int, of: int, low: float, high: float) -> None:
    """Newcombe 1998, table I (from memory)."""
    assert wilson(count, of).low == pytest.approx(low, abs=5e-5)
    assert wilson(count, of).high == pytest.approx(high, abs=5e-5)


def test_intervals_are_those_of_a_statistics_library() -> None:
    for of in (1, 2, 7, 46):
        for count in range(of + 1):
            theirs = stats.binomtest(count, of).proportion_ci(0.95, "wilson")
            assert wilson(count, of).low == pytest.approx(theirs.low, abs=1e-12)
            assert wilson(count, of).high == pytest.approx(theirs.high, abs=1e-12)
    assert (wilson(0, 0).low, wilson(0, 0).high) == (0.0, 1.0)


def test_the_brier_score_goes_from_nought_to_two_and_bits_never_below_nought() -> None:
    assert brier(np.array([0.0, 1.0, 0.0]), 1) == 0
    assert brier(np.array([0.0, 1.0, 0.0]), 2) == 2
    assert bits(1.0) == 0
    assert bits(0.25) == 2
    assert np.isfinite(bits(0.0))


def test_shares_drawn_as_they_are_stated_come_out_calibrated_and_doubled_odds_do_not() -> None:
    rng = np.random.default_rng(20)
    sound, bold = [], []
    for n in range(3000):
        shares = rng.dirichlet(np.full(6, 0.6))
        truth = int(rng.choice(6, p=shares))
        sharp = shares**2 / (shares**2).sum()
        sound.append(made(str(n), list(shares), truth))
        bold.append(made(str(n), list(sharp), truth))
    inside = [b.came.low <= b.said <= b.came.high for b in Score(tuple(sound)).calibration()]
    assert len(inside) == 9
    assert sum(inside) >= 7  # of nine 95 % intervals
    top = Score(tuple(bold)).calibration()[-1]
    assert top.said > top.came.high
    assert Score(tuple(bold)).leader_share > Score(tuple(bold)).within(1).high
    assert Score(tuple(sound)).brier < Score(tuple(bold)).brier


def test_every_share_falls_in_one_bin_and_the_bins_count_each_case_once() -> None:
    shares = [[0.0, 1.0], [0.01, 0.99], [0.4, 0.6], [0.2, 0.8], [0.0999, 0.9001]]
    found = Score(tuple(made(str(n), s, n % 2) for n, s in enumerate(shares)))
    bins = found.calibration()
    assert sum(b.came.of for b in bins) == 10
    assert sum(b.came.count for b in bins) == 5
    assert all(b.least <= b.said <= b.most for b in bins)
    assert Score(()).calibration() == []


def test_folds_part_the_cases_by_their_ids_alone_and_stay_as_cases_are_added() -> None:
    cases = [made(f"R{n:03}", [0.1, 0.6, 0.3], 1) for n in range(200)]
    parts = Score(tuple(cases)).folds(5)
    assert sorted(c.id for p in parts for c in p.cases) == [c.id for c in cases]
    assert all(20 <= len(p.cases) <= 60 for p in parts)
    fewer = Score(tuple(cases[:50])).folds(5)
    for part, smaller in zip(parts, fewer, strict=True):
        assert {c.id for c in smaller.cases} <= {c.id for c in part.cases}
    assert fold("R001", 5) == fold("R001", 5)


def test_the_parts_of_the_brier_score_add_up_to_it_as_murphy_has_them() -> None:
    """Murphy (1973), J. Appl. Meteorol. 12: of forecasts that take few values BS = reliability - resolution + uncertainty.

    By hand: ten cases of two suspects and nothing else, given 0.7 and 0.3; the first is right in six.
    """
    cases = Score(tuple(made(f"c{n}", [0.0, 0.7, 0.3], 1 if n < 6 else 2) for n in range(10)))
    parts = cases.parts()
    assert cases.brier == pytest.approx(2 * (0.6 * 0.3**2 + 0.4 * 0.7**2))
    # Thirty forecasts: ten of 0 that never come, ten of 0.7 of which six come, ten of 0.3 of which four come.
    base = 10 / 30
    assert parts.uncertainty == pytest.approx(3 * base * (1 - base))
    assert parts.reliability == pytest.approx(3 * (10 * 0.1**2 + 10 * 0.1**2) / 30)
    assert parts.resolution == pytest.approx(3 * (10 * base**2 + 10 * (0.6 - base) ** 2 + 10 * (0.4 - base) ** 2) / 30)
    assert parts.within == pytest.approx(0.0, abs=1e-12)
    assert Score(()).parts().uncertainty == 0


def test_of_any_shares_the_parts_and_what_bins_leave_add_up() -> None:
    draw = np.random.default_rng(3)
    cases = Score(tuple(made(f"c{n}", draw.dirichlet(np.ones(6)).tolist(), int(draw.integers(1, 6))) for n in range(200)))
    p = cases.parts()
    assert p.reliability - p.resolution + p.uncertainty + p.within == pytest.approx(cases.brier)
    assert abs(p.within) < 0.02 and p.reliability > 0 and p.resolution > 0


def test_what_is_taken_for_another_is_counted() -> None:
    shares = {1: [0.0, 0.2, 0.8], 2: [0.0, 0.8, 0.2]}
    cases = Score(tuple(made(f"c{n}", shares[t], t) for n, t in enumerate([1, 1, 2, 1])))
    assert cases.confused() == [("c1", "c2", 3), ("c2", "c1", 1)]


def test_closed_cases_are_scored_by_the_rules_and_by_what_the_others_taught(knowledge: Knowledge) -> None:
    """A shop in which what lies in lumps is hardly ever damp: the others teach it, and the case itself does not."""
    cases = [Case(f"c{n}", outcome="cured", cause="seams", answers={"defect": ("lumps",), "sound": ("pops",)}) for n in range(40)]
    alone, learnt = score_learnt(knowledge, cases)
    assert len(alone.cases) == len(learnt.cases) == 40
    assert learnt.bits < alone.bits - 0.2 and alone.within(1).count == 0
    one, same = score_learnt(knowledge, cases[:1])
    assert same.bits == pytest.approx(one.bits)
