"""Reports: all there is to say, whole in themselves, and harmless whatever the case and the rules hold."""

from __future__ import annotations

import json
import re
from html.parser import HTMLParser
from pathlib import Path

import pytest

from diagnose.cases.book import Casebook
from diagnose.knowledge.check import load_checked
from diagnose.knowledge.pack import Knowledge
from diagnose.reports.html import html
from diagnose.reports.markdown import markdown, plain
from diagnose.reports.surface import as_svg, as_text
from diagnose.triage import Triage, filing, knowledge_from
from diagnose.triage.report import report
from tests.cases.test_files import RULES, solved
from tests.triage.handmade import told

EVIL = "<script>alert(1)</script><img src=x onerror=alert(1)> [a](javascript:alert(1)) `x` | # & \"'"


@pytest.fixture
def rules(tmp_path: Path) -> Knowledge:
    (tmp_path / "rules.yaml").write_text(RULES)
    return load_checked([tmp_path / "rules.yaml"])


class Page(HTMLParser):
    """What a browser would make of a page: its tags, what it would fetch or run, its text."""

    VOID = ("meta", "link", "br", "img", "rect", "path", "circle")

    def __init__(self, text: str) -> None:
        super().__init__()
        self.tags: list[str] = []
        self.open: list[str] = []
        self.risky: list[tuple[str, str]] = []
        self.words: list[str] = []
        self.feed(text)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)
        if tag not in self.VOID:
            self.open.append(tag)
        for name, value in attrs:
            if name.startswith("on") or name in ("src", "action", "formaction") or (name == "href" and value != "data:,"):
                self.risky.append((name, value or ""))

    def handle_endtag(self, tag: str) -> None:
        if tag not in self.VOID:
            assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        self.words.append(data)

    @property
    def text(self) -> str:
        return " ".join(" ".join(self.words).split())


def test_a_page_is_sound_stands_alone_and_says_everything(rules: Knowledge, tmp_path: Path) -> None:
    triage = solved(rules, Casebook(tmp_path / "book"))
    page = Page(html(report(triage)))
    assert page.open == [] and page.risky == []
    assert not {"script", "iframe", "object", "embed", "form", "img", "base"} & set(page.tags)
    text = html(report(triage))
    assert "default-src 'none'" in text and "@media print" in text
    assert not re.search(r"(https?:)?//(?!www\.w3\.org)", text) and "url(" not in text and "@import" not in text
    for words in ("the vase", "It was cured by: Dry it. It was: Wet.", "Suspects", "something not in the rules", "Which plastic? PETG",
                  "What was tried", "Cool it: no change"):  # fmt: skip
        assert words in page.text, words


def test_an_open_case_has_its_plan_with_cautions_and_alarms() -> None:
    triage = Triage(knowledge_from())
    triage.answer("defect", "strings")
    triage.answer("popping", "yes")
    made = report(triage)
    assert made.outcome == "" and made.steps and made.cost > 0
    for text in (Page(html(made)).text, markdown(made)):
        assert "What to do next" in text and "ends it" in text
    cautions = [step.caution for step in made.steps if step.caution]
    assert cautions and all(c in Page(html(made)).text for c in cautions)
    triage.answer("danger-signs", "smoke")
    alarmed = report(triage)
    assert alarmed.alarms and "Danger:" in Page(html(alarmed)).text and "**DANGER:" in markdown(alarmed)


def test_hostile_texts_are_shown_and_nothing_else(rules: Knowledge, tmp_path: Path) -> None:
    triage = solved(rules, Casebook(tmp_path / "book"), EVIL)
    filing.note(triage, EVIL + " \x1b[31m \u202e")
    made = report(triage)
    page = Page(html(made))
    assert page.open == [] and page.risky == [] and "script" not in page.tags and "img" not in page.tags
    assert "<script>alert(1)</script>" in page.text
    assert "\x1b" not in html(made) + markdown(made) and "\u202e" not in html(made) + markdown(made)
    assert "<script" not in markdown(made) and not re.search(r"(?<!\\)\]\(javascript", markdown(made))
    json.dumps(made.as_json())


def test_hostile_rules_are_shown_and_nothing_else() -> None:
    from tests.cli.test_hostile_rules import hostile_pack

    triage = Triage(hostile_pack())
    triage.answer("defect", "strings")
    triage.answer("popping", "yes")
    page = Page(html(report(triage)))
    assert page.open == [] and page.risky == [] and {"b"}.isdisjoint(page.tags)
    assert "<b>y</b>" in page.text


def test_the_unrolled_surface_is_drawn_and_written(rules: Knowledge) -> None:
    weighed = told(rules, {}, off=(6,))
    svg = Page(as_svg(weighed))
    assert svg.open == [] and svg.tags.count("circle") >= 10 and "mark" in svg.text and "mm" in svg.text
    lines = list(as_text(weighed))
    assert len({len(line) for line in lines[:-2]}) == 1 and any("o" in line for line in lines)


def test_json_says_what_the_page_says(rules: Knowledge, tmp_path: Path) -> None:
    triage = solved(rules, Casebook(tmp_path / "book"))
    data = report(triage).as_json()
    assert {"id", "title", "facts", "outcome", "suspects", "unexplained", "cause", "ledger", "given", "steps", "tried", "similar"} <= set(data)
    total = sum(line["decibans"] for _, line in data["ledger"]) + data["rest"][1]
    share = next(s["share"] for s in data["suspects"] if s["id"] == "wet")
    assert 10 ** (total / 10) == pytest.approx(share / (1 - share), rel=1e-6)


@pytest.mark.parametrize("text", ["a*b_c", "[x](y)", "<b>", "1 | 2", "`code`", "# head", "a\nb"])
def test_nothing_means_anything_in_markdown(text: str) -> None:
    made = plain(text)
    assert "\n" not in made
    assert not re.search(r"(?<!\\)[*_\[\]|`#]|[<>]", made)
