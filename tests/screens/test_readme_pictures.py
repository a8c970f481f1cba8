"""The pictures in the README show the app as it is."""

from __future__ import annotations

import re
from importlib.metadata import version
from pathlib import Path

import pytest

from tests.screens.pictures import FOLDER, PICTURES, drawn
from tests.screens.test_pictures import DRAWN_WITH

README = Path(__file__).parents[2] / "README.md"


def test_the_readme_shows_every_picture_and_each_says_what_it_shows() -> None:
    shown = re.findall(r"!\[(.{20,}?)\]\((tests/screens/readme/(\w+)\.svg)\)", README.read_text())
    assert [name for _, _, name in shown] == list(PICTURES)
    for _, path, _ in shown:
        text = (README.parent / path).read_text()
        assert "http" not in text.replace("http://www.w3.org/2000/svg", "").replace("https://www.w3.org", ""), "a picture fetches nothing"


@pytest.mark.usefixtures("builtin_pack")
@pytest.mark.skipif(not version("textual").startswith(DRAWN_WITH), reason="another version of the toolkit draws other outlines")
def test_the_pictures_are_those_the_app_draws_now() -> None:
    for name, svg in drawn().items():
        kept = (FOLDER / f"{name}.svg").read_text()
        assert _texts(svg) == _texts(kept), f"{name} is out of date: python -m tests.screens.pictures"


def _texts(svg: str) -> list[str]:
    return re.findall(r"<text [^>]*>(.*?)</text>", svg)
