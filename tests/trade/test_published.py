"""Numbers of the rules and cards against published ones, source beside each. What is compared stands in the pack."""

from __future__ import annotations

import math
import re

import iapws
import pytest

from diagnose.cli.words import USUAL_FILAMENT_MM
from diagnose.knowledge.materials import ATMOSPHERE_PA, ZERO_CELSIUS_K, Material
from diagnose.knowledge.pack import Knowledge
from diagnose.triage import knowledge_from

STEPS_A_TURN = 200
"""Full steps of a motor of 1.8 degrees (from memory)."""
TURNING = ("belt-worn-or-mis-seated", "motor-step-texture")
"""Causes whose pattern is tied to a length: a tooth, a step."""


@pytest.fixture(scope="module")
def knowledge() -> Knowledge:
    return knowledge_from()


def numbers(text: str) -> list[float]:
    return [float(n) for n in re.findall(r"\d+(?:\.\d+)?", text)]


def named(knowledge: Knowledge, words: str) -> list[Material]:
    """The plastics that a rule's text means by `PLA`, `ABS or ASA`, `nylon`, `flexible ones`."""
    other = {"nylon": "pa", "flexible": "tpu"}
    found = [other.get(w.lower(), w.lower()) for w in re.findall(r"[A-Za-z]+", words)]
    return [knowledge.materials[i] for i in found if i in knowledge.materials]


# Heat and water


def test_a_thousandth_of_water_becomes_the_steam_that_the_industrial_formulation_gives(knowledge: Knowledge) -> None:
    """IAPWS R7-97(2012), by a library of others; near-ideal at 1 atm, so the program's ideal gas is within 1 %."""
    for plastic in knowledge.materials.values():
        for celsius in plastic.nozzle_c.bounds:
            steam = iapws.IAPWS97(T=celsius + ZERO_CELSIUS_K, P=ATMOSPHERE_PA / 1e6)
            real = 0.1 / 100 * plastic.density_g_cm3.value * 1e3 * steam.v
            assert plastic.steam_volume(0.1, celsius) == pytest.approx(real, rel=0.01), (plastic.id, celsius)


def test_the_library_of_steam_gives_the_values_printed_for_checking_it() -> None:
    """IAPWS R7-97(2012), table 35: saturation pressure at 300, 500 and 600 K."""
    for kelvin, megapascal in ((300, 0.00353658941), (500, 2.63889776), (600, 12.3443146)):
        pressure = iapws.IAPWS97(T=kelvin, x=0).P
        assert pressure == pytest.approx(megapascal, rel=1e-8)


@pytest.mark.parametrize(("celsius", "volumes"), [(200, 2.6724), (230, 2.8418), (250, 2.9548)])
def test_pla_with_a_thousandth_of_water_foams_to_nearly_four_times_its_volume(
    knowledge: Knowledge, celsius: float, volumes: float
) -> None:
    """w rho R T / (M p), M = 18.015268 g/mol: ideal gas, worked apart from this program, for a density of 1.24 g/cm3."""
    assert knowledge.materials["pla"].steam_volume(0.1, celsius) == pytest.approx(volumes, rel=1e-4)


def test_what_the_cited_source_says_of_steam_holds_for_every_plastic_printed_that_hot(knowledge: Knowledge) -> None:
    words = {"two": 2, "three": 3}
    cite = knowledge.sources["steam-volume"].cite
    least, most = (words[w] for w in re.search(r"(\w+) to (\w+) volumes", cite).groups())  # type: ignore[union-attr]
    cold, hot = map(float, re.search(r"at (\d+) to (\d+) degrees", cite).groups())  # type: ignore[union-attr]
    assert "0.1 % of water" in cite
    plastic = knowledge.materials["pla"]
    assert least <= plastic.steam_volume(0.1, cold) < plastic.steam_volume(0.1, hot) <= most


def test_texts_of_rules_dry_each_plastic_as_its_own_entry_does_and_below_its_softening_point(
    knowledge: Knowledge,
) -> None:
    """Entry: resin makers' sheets or common practice, named there. A text that drifts from it could melt a spool."""
    told = 0
    for text in (knowledge.tests["dry-and-reprint"].do, knowledge.remedies["dry-filament"].do):
        for words, celsius in re.findall(r"([A-Z]\w+(?: or \w+)?|nylon|flexible ones) (?:at |about )?(\d+) °C", text):
            for plastic in named(knowledge, words):
                assert plastic.drying.at_c == float(celsius), (plastic.id, text)
                assert float(celsius) < plastic.softens_c.least
                told += 1
    assert told >= 12


def test_the_warning_about_softening_names_the_point_of_the_plastic_s_entry(knowledge: Knowledge) -> None:
    """Glass transition of PLA 55 to 60 °C: a resin maker's sheet."""
    caution = knowledge.tests["dry-and-reprint"].caution or ""
    words, celsius = re.search(r"(\w+) softens from (\d+) °C", caution).groups()  # type: ignore[union-attr]
    (plastic,) = named(knowledge, words)
    assert plastic.softens_c.least == float(celsius) == 55


def test_beds_are_warmed_to_the_range_of_the_plastic_s_entry(knowledge: Knowledge) -> None:
    """Common practice, no source."""
    found = re.findall(r"([A-Z]\w+(?: and [A-Z]\w+)?) (\d+) to (\d+) °C", knowledge.remedies["warmer-bed"].do)
    assert len(found) == 3
    for words, least, most in found:
        for plastic in named(knowledge, words):
            assert plastic.bed_c.bounds == (float(least), float(most)), plastic.id


@pytest.mark.parametrize(
    ("plastic", "density", "softens", "limit"),
    [("pla", 1.24, (55, 60), 0.025), ("petg", 1.27, (70, 88), 0.04), ("abs", 1.04, (100, 105), 0.1)],
)
def test_plastics_have_the_density_softening_and_water_limit_of_their_sheets(
    knowledge: Knowledge, plastic: str, density: float, softens: tuple[float, float], limit: float
) -> None:
    """Resin makers' sheets and moulding notes for PLA and PETG; ABS from memory but for its water limit."""
    m = knowledge.materials[plastic]
    assert m.density_g_cm3.value == density
    assert m.softens_c.bounds == softens
    assert m.water.limit_percent is not None
    assert m.water.limit_percent.value == limit


def test_polyamide_takes_up_more_water_than_any_other_plastic_and_polypropylene_least(knowledge: Knowledge) -> None:
    """PA 6 2 to 3 %, PA 12 0.8 to 1.2 % at 23 °C and half humidity: storage note of a conduit maker."""
    uptake = {m.id: m.water.uptake_percent.most for m in knowledge.materials.values() if m.water.uptake_percent}
    assert max(uptake, key=uptake.__getitem__) == "pa"
    assert min(uptake, key=uptake.__getitem__) == "pp"
    assert knowledge.materials["pa"].water.uptake_percent.bounds == (0.8, 3)  # type: ignore[union-attr]


# Filament and drive


def test_filament_of_one_and_three_quarter_millimetres_has_its_area(knowledge: Knowledge) -> None:
    """pi d^2 / 4 = 2.405282 mm2 at 1.75 mm, so a kilogram of PLA is 335.28 m; geometry and the sheet's density."""
    plastic = knowledge.materials["pla"]
    for card in knowledge.printers.values():
        diameter = card.hot_end.filament_mm.value
        area_mm2 = 1e6 / plastic.density_g_cm3.value / (plastic.metres_per_kg(diameter) * 1e3)
        assert area_mm2 == pytest.approx(2.405282, abs=1e-6)
    assert plastic.metres_per_kg(USUAL_FILAMENT_MM) == pytest.approx(335.28, abs=0.005)
    assert plastic.metres_per_kg(2.85) == pytest.approx(335.28 * 2.405282 / 6.379397, abs=0.005)


def test_lead_screws_of_the_cards_are_threads_of_the_trapezoidal_standard(knowledge: Knowledge) -> None:
    """Tr8x8(P2), ISO 2901 and 2904: lead 8 mm, pitch 2 mm, so four starts; a start more or less is another screw."""
    pitch, most_starts = 2.0, 4
    for card in knowledge.printers.values():
        starts = card.drive.z_lead_mm.value / pitch
        assert starts in range(1, most_starts + 1), card.id
        assert card.drive.z_lead_mm.value == 8
        assert STEPS_A_TURN * 16 / card.drive.z_lead_mm.value == 400  # sixteenths of a step in a millimetre


def test_leads_named_to_the_user_are_whole_starts_of_the_standard_pitch(knowledge: Knowledge) -> None:
    """Same standard: with one, two and four starts a pitch of 2 mm gives 2, 4 and 8 mm a turn."""
    look = knowledge.questions["screw-pitch-match"].look or ""
    told = numbers(re.search(r"([\d, and]+) mm are common", look).group(1))  # type: ignore[union-attr]
    assert told == [2.0 * starts for starts in (1, 2, 4)]
    assert {card.drive.z_lead_mm.value for card in knowledge.printers.values()} <= set(told)


def test_the_whole_step_told_to_the_user_is_the_lead_over_the_steps_of_a_turn(knowledge: Knowledge) -> None:
    """8 mm / 200 = 0.04 mm; five layers of 0.2 mm are 25 whole steps."""
    text = next(t.do for t in knowledge.tests.values() if "lead of the screw divided by steps" in t.do)
    step, lead, steps = numbers(re.search(r"turn, (.*? steps)", text).group(1))  # type: ignore[union-attr]
    assert steps == STEPS_A_TURN
    assert step == pytest.approx(lead / steps, abs=1e-12)


def test_belts_of_the_cards_have_the_pitch_of_the_trade_and_move_a_whole_number_of_steps(knowledge: Knowledge) -> None:
    """2 mm belts on 20 teeth: 40 mm a turn, 0.2 mm a full step, pitch diameter z p / pi = 12.7324 mm; drive notes."""
    for card in knowledge.printers.values():
        drive = card.drive
        assert drive.belt_pitch_mm.value == 2
        turn = drive.belt_pitch_mm.value * drive.pulley_teeth.value
        assert turn / STEPS_A_TURN == pytest.approx(0.2, abs=1e-12), card.id
        assert turn / math.pi == pytest.approx(12.7324, abs=5e-5)


def test_the_pitch_of_teeth_told_for_shifted_layers_is_that_of_the_cards(knowledge: Knowledge) -> None:
    looks = [q.look or "" for q in knowledge.questions.values() if "pitch of the belt" in (q.look or "")]
    assert looks
    for look in looks:
        (told,) = numbers(re.search(r"mostly (\S+) mm", look).group(1))  # type: ignore[union-attr]
        assert {card.drive.belt_pitch_mm.value for card in knowledge.printers.values()} == {told}


def test_a_turn_of_the_feeder_is_the_way_round_a_gear_of_its_size(knowledge: Knowledge) -> None:
    """pi D of a gear of 7.3 mm: 22.934 mm of filament a turn; geometry."""
    for card in knowledge.printers.values():
        assert card.drive.feeder_turn_mm.value == pytest.approx(math.pi * 7.3, rel=0.002), card.id


# Waves


def test_the_wave_after_a_corner_is_as_long_as_speed_over_frequency(knowledge: Knowledge) -> None:
    """v / f: six waves in 12.14 mm at 100 mm/s are a swing of 49.4 Hz (a community document on tuning)."""
    length = 12.14 / 6
    assert 100 / length == pytest.approx(49.4, abs=0.05)
    cite = knowledge.sources["wave-length"].cite
    hertz, speed, told = numbers(re.search(r"swing of (.*) mm apart", cite).group(1))  # type: ignore[union-attr]
    assert told == pytest.approx(speed / hertz, rel=1e-12)
    assert told == pytest.approx(length * 49.4234 / hertz, rel=1e-4)


def test_causes_that_swing_leave_waves_that_grow_with_speed_and_parts_that_turn_leave_waves_that_do_not(
    knowledge: Knowledge,
) -> None:
    """v / f doubles with v; the mark of a tooth (2 mm) or of four full steps (0.8 mm) is as long at any speed."""
    likeliest: dict[str, str] = {}
    for cause in knowledge.causes.values():
        said = [e for e in cause.evidence if e.question == "ripples-at-two-speeds"]
        if said:
            likeliest[cause.id] = max(said, key=lambda e: e.seen.value).answer
    swings = {c.id for c in knowledge.causes.values() if c.source == "wave-length"} & set(likeliest)
    assert swings
    assert {likeliest[cause] for cause in swings} == {"twice-as-far"}
    assert {likeliest[cause] for cause in TURNING} == {"same-distance"}
