"""Sizes, colours and characters: nothing clipped, nothing told by colour alone, no text taken for markup."""

from __future__ import annotations

import asyncio
import re
from pathlib import Path

import pytest
from textual.color import Color
from textual.content import Content

from diagnose.screens import look
from tests.screens.stage import at_work, bench, opened, press, said, seen, settle, sticking_out, write_case

HALF_WAY = (said("fault", "dots"), said("spacing", "even"))


@pytest.mark.parametrize("size", [(80, 24), (100, 30), (119, 24), (120, 40), (160, 45)])
def test_no_widget_sticks_out_of_any_page(tmp_path: Path, size: tuple[int, int]) -> None:
    write_case(tmp_path, *HALF_WAY)

    async def story() -> None:
        async with at_work(tmp_path, size) as pilot:
            work = pilot.app.screen
            assert sticking_out(pilot) == []
            for key in ("a", "t", "s", "l", "j", "w", "question_mark"):
                await press(pilot, key)
                assert sticking_out(pilot) == [], key
                if pilot.app.screen is not work:
                    await press(pilot, "escape")
                assert pilot.app.screen is work

    asyncio.run(story())


@pytest.mark.usefixtures("builtin_pack")
@pytest.mark.parametrize("size", [(80, 24), (120, 40)])
def test_nothing_of_the_built_in_rules_sticks_out_along_a_whole_interview(tmp_path: Path, size: tuple[int, int]) -> None:
    async def story() -> None:
        async with at_work(tmp_path, size) as pilot:
            for number in range(8):
                assert sticking_out(pilot) == [], bench(pilot).triage.case.answers
                await press(pilot, "down" if number else "up", "enter")
            assert bench(pilot).triage.case.answers

    asyncio.run(story())


def test_the_bands_change_places_when_the_window_changes_size(tmp_path: Path) -> None:
    write_case(tmp_path, *HALF_WAY)

    async def story() -> None:
        async with at_work(tmp_path, (80, 24)) as pilot:
            for size in ((120, 40), (80, 24), (160, 45), (80, 24), (60, 16), (80, 24)):
                await pilot.resize_terminal(*size)
                await pilot.pause(0.1)  # the toolkit waits for the end of a dragged resize before it tells the widgets
                await settle(pilot)
                names = "given-band", "question", "suspects", "ledger"
                regions = [bench(pilot).query_one(f"#{name}").region for name in names]
                if size[0] >= 120:
                    assert [r.x for r in regions] == sorted({r.x for r in regions})
                else:
                    below = [r.y for r in regions[1:] if r.area]  # in a small window Why has given way
                    assert below == sorted(set(below)) and len(below) >= 2
                if size >= (80, 24):
                    assert sticking_out(pilot) == []

    asyncio.run(story())


@pytest.mark.parametrize("size", [(80, 24), (120, 40)])
def test_without_colour_every_word_and_sign_is_still_there(
    tmp_path: Path, size: tuple[int, int], monkeypatch: pytest.MonkeyPatch
) -> None:
    write_case(tmp_path, *HALF_WAY)

    async def picture() -> tuple[str, str]:
        async with at_work(tmp_path, size) as pilot:
            await press(pilot, "right")
            return seen(pilot), pilot.app.export_screenshot()

    coloured, svg = asyncio.run(picture())
    assert any(len(set(re.findall("..", c))) > 1 for c in _colours(svg))
    monkeypatch.setenv("NO_COLOR", "1")
    grey, svg = asyncio.run(picture())
    assert grey == coloured
    assert all(max(_parts(c)) - min(_parts(c)) <= 3 for c in _colours(svg)), "every colour is a grey"
    assert "+" in grey and "-" in grey and "for:" in grey and "against:" in grey


def _colours(svg: str) -> set[str]:
    drawn = svg[svg.index("-matrix") :]
    classes = re.findall(r"-r\d+ \{ fill: #([0-9a-f]{6})", svg)
    return {*classes, *re.findall(r'<rect fill="#([0-9a-f]{6})" x', drawn)}


def _parts(colour: str) -> list[int]:
    return [int(p, 16) for p in re.findall("..", colour)]


@pytest.mark.parametrize("theme", [look.DARK, look.LIGHT], ids=lambda t: t.name)
def test_text_and_bars_stand_out_from_their_ground(theme: look.Theme) -> None:
    def contrast(one: str, other: str) -> float:
        light, dark = sorted((_luminance(one), _luminance(other)), reverse=True)
        return (light + 0.05) / (dark + 0.05)

    grounds = [str(theme.background), str(theme.panel)]
    for ground in grounds:
        for text in (theme.foreground, theme.accent, theme.variables["quiet"], theme.variables["alarm"]):
            assert contrast(str(text), ground) >= 4.0, (text, ground)
    for bar in (theme.variables["pro"], theme.variables["contra"]):
        assert contrast(bar, grounds[0]) >= 3.0, bar


def _luminance(colour: str) -> float:
    """Relative luminance of sRGB (WCAG 2.1)."""
    parts = [c / 255 for c in Color.parse(colour).rgb]
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in parts]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def test_a_title_of_markup_and_controls_is_shown_as_it_is(tmp_path: Path) -> None:
    write_case(tmp_path, title="[red]lid[/red] [@click=app.quit]x[/] \x1b[2Jy\u202ez")

    async def story() -> None:
        async with opened(tmp_path) as pilot:
            assert "[red]lid[/red] [@click=app.quit]x[/] [2Jyz" in seen(pilot)
            await press(pilot, "enter")
            assert "[red]lid[/red] [@click=app.quit]x[/] [2Jyz" in seen(pilot)

    asyncio.run(story())


def test_the_light_look_is_one_key_away(tmp_path: Path) -> None:
    async def story() -> None:
        async with opened(tmp_path) as pilot:
            await press(pilot, "f2")
            assert pilot.app.theme == look.LIGHT.name
            await press(pilot, "f2")
            assert pilot.app.theme == look.DARK.name

    asyncio.run(story())


@pytest.mark.parametrize(
    ("share", "width", "drawn"),
    [(0.0, 4, "    "), (1e-9, 4, "▏   "), (0.5, 4, "██  "), (1.0, 4, "████"), (0.99, 4, "████"), (2.0, 4, "████")],
)
def test_a_bar_is_as_long_as_its_share(share: float, width: int, drawn: str) -> None:
    assert look.bar(share, width) == drawn


@pytest.mark.parametrize(
    ("decibans", "drawn"),
    [(0.0, "    │    "), (0.1, "    │▌   "), (10.0, "    │██  "), (40.0, "    │████"), (-7.5, "  ▐█│    "), (-99, "████│    ")],
)
def test_a_weight_points_to_its_side(decibans: float, drawn: str) -> None:
    assert look.signed_bar(decibans, 4).plain == drawn


@pytest.mark.parametrize(
    ("room", "kept"),
    [
        (60, "Look again: the belt is loose. Or e.g. the wheel is worn."),
        (56, "Look again: the belt is loose"),
        (28, "Look again"),
        (9, ""),
    ],
)
def test_a_text_too_long_is_cut_only_where_something_whole_ends(room: int, kept: str) -> None:
    assert look.whole("Look again: the belt is loose. Or e.g. the wheel is worn.", room) == kept


def test_a_hanging_text_keeps_to_its_width_and_its_margin() -> None:
    text = look.hang(Content("12  "), "a text of several words that has to be folded, and 幅広い文字 too", 24)
    first, *rest = text.split("\n")
    assert first.plain.startswith("12  a text")
    assert all(line.plain.startswith("    ") and line.cell_length <= 24 for line in rest)
