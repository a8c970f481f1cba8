"""A few pictures of the screens, compared with those kept here. `pytest --snapshot-update` draws them anew."""

from __future__ import annotations

from collections.abc import Callable
from importlib.metadata import version
from pathlib import Path
from typing import Any

import pytest
from textual.pilot import Pilot

from diagnose.screens.app import DiagnoseApp
from diagnose.triage.marks import packed
from tests.screens.stage import press, said, settle, small_pack, write_case
from tests.triage.handmade import MARKS, told

DRAWN_WITH = "8.2."
pytestmark = pytest.mark.skipif(
    not version("textual").startswith(DRAWN_WITH),
    reason=f"the pictures were drawn with version {DRAWN_WITH}x of the toolkit; another one draws other outlines",
)

Compare = Callable[..., bool]


@pytest.fixture
def app(tmp_path: Path) -> DiagnoseApp:
    write_case(tmp_path, said("fault", "dots"), title="an older plate")
    write_case(tmp_path, said("fault", "dots"), said("spacing", "even"), {"do": "title", "title": "plate 7, left side"})
    return DiagnoseApp([], tmp_path)


def case_after(*keys: str) -> Callable[[Pilot[Any]], Any]:
    async def story(pilot: Pilot[Any]) -> None:
        await settle(pilot)
        await press(pilot, "enter")
        await settle(pilot)
        for key in keys:
            await press(pilot, key)
            await settle(pilot)

    return story


def test_the_case_on_a_small_screen(snap_compare: Compare, app: DiagnoseApp) -> None:
    assert snap_compare(app, terminal_size=(80, 24), run_before=case_after("right"))


def test_the_case_on_a_wide_screen(snap_compare: Compare, app: DiagnoseApp) -> None:
    assert snap_compare(app, terminal_size=(120, 40), run_before=case_after())


def test_the_case_without_colour(snap_compare: Compare, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("NO_COLOR", "1")
    write_case(tmp_path, said("fault", "dots"), said("spacing", "even"))
    assert snap_compare(DiagnoseApp([], tmp_path), terminal_size=(80, 24), run_before=case_after("right"))


def test_tests_and_remedies_with_their_cautions(snap_compare: Compare, app: DiagnoseApp) -> None:
    assert snap_compare(app, terminal_size=(80, 24), run_before=case_after("t"))


def test_marks_beside_the_unrolled_surface(snap_compare: Compare, tmp_path: Path) -> None:
    columns = packed(MARKS)
    weighed = told(small_pack(), {}, off=(6,), warnings=["I can't place mark 7: it lies 2.1 mm off the surface."])
    write_case(
        tmp_path, said("fault", "dots"), {"do": "job", "job": {"path": "part.gcode", "findings": []}},
        {"do": "marks", "marks": {"columns": columns, "source": "typed"}, "weighed": weighed},
    )  # fmt: skip
    assert snap_compare(DiagnoseApp([], tmp_path), terminal_size=(100, 30), run_before=case_after("m"))
