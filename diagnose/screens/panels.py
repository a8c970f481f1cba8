"""The bands beside the question: suspects, the ledger of one of them, and what was answered."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from textual import events
from textual.app import ComposeResult
from textual.binding import Binding
from textual.containers import Vertical, VerticalScroll
from textual.content import Content
from textual.message import Message
from textual.widgets import OptionList, Static

from diagnose.screens import look
from diagnose.screens.rows import Rows
from diagnose.triage import Given, LedgerLine, Suspect
from diagnose.triage.views import share_before
from diagnose.triage.wording import decibans, percent

NOT_IN_RULES = "Something not in the rules"
MOST_ROWS = 24
"""Suspects listed; those behind them have less than any test would tell, and the page of rules has them all."""
ROWS_IN_SIGHT = 4
"""Suspects in sight on a small screen."""

WIDE = 56
"""Cells from which a suspect or a ledger line stands on one line."""

FIXED = ("finding", "remedy")
"""What was given otherwise than by answering a question."""

BAR = 4
"""Cells of half a signed bar."""


@dataclass(frozen=True, slots=True)
class Row:
    """A line of the ranking, whether it is a cause or what no rule explains."""

    name: str
    share: float
    before: float
    """The share before the last answer."""
    change: float
    """Of the log-odds, in decibans."""


def suspect_row(row: Row, width: int, show_change: bool) -> Content:
    """Return name, bar, share and what the last answer did, on one line where there is room."""
    share = f"{percent(row.share):>7}"
    change = f"{decibans(row.change)} dB" if show_change and abs(row.change) >= look.LEAST else ""
    if width >= WIDE:
        bar = 10 if width < 90 else 24
        room = width - bar - 18
        name = Content(look.plain(row.name)).truncate(room - 1, ellipsis=True)
        return Content.assemble(
            name, " " * (room - name.cell_length), look.moved_bar(row.share, row.before if show_change else row.share, bar), f" {share}",
            (f"{change:>10}", look.QUIET),
        )  # fmt: skip
    bar = max(width - 18, 4)
    return look.lines(
        [
            *look.fold(row.name, width),
            Content.assemble(
                look.moved_bar(row.share, row.before if show_change else row.share, bar), f" {share}", (f"{change:>10}", look.QUIET)
            ),
        ]
    )  # fmt: skip


class SuspectList(Rows):
    """The causes, likeliest first, and among them what no rule explains. The ledger is of the one under the cursor."""

    class Chosen(Message):
        """The user moved the cursor to a suspect."""

        def __init__(self, cause: str) -> None:
            super().__init__()
            self.cause = cause

    class Opened(Message):
        """The user wants to see everything for and against the suspect under the cursor."""

    def __init__(self) -> None:
        super().__init__(id="suspect-list")
        self.suspects: Sequence[Suspect] = ()
        self.rest = Row(NOT_IN_RULES, 0.0, 0.0, 0.0)
        self.rest_at = 0
        """The row of what no rule explains; it has no ledger, so the cursor passes over it."""
        self.changed = False

    def show(self, suspects: Sequence[Suspect], chosen: str, rest: Row, changed: bool) -> None:
        """Show a ranking with the cursor on one cause."""
        at = next((i for i, s in enumerate(suspects) if s.id == chosen), 0)
        suspects = suspects[: max(MOST_ROWS, at + 1)]
        self.suspects, self.rest, self.changed = suspects, rest, changed
        self.rest_at = sum(s.probability >= rest.share for s in suspects)
        self.show_rows(len(suspects) + 1, at + (at >= self.rest_at))
        if at < ROWS_IN_SIGHT - 1:
            self.scroll_home(animate=False)

    def suspect(self, index: int) -> Suspect:
        """Return the suspect in a row that the cursor may rest on."""
        return self.suspects[index - (index > self.rest_at)]

    def move(self, by: int) -> None:
        """Move the cursor by rows, over the one without a ledger, and no further than the ends."""
        at = (self.highlighted or 0) + by
        if at == self.rest_at:
            at += by
        if 0 <= at < self.count:
            self.highlighted = at

    def selectable(self, index: int) -> bool:
        """Return whether a row has a ledger."""
        return index != self.rest_at

    def row(self, index: int, width: int) -> Content:
        """Return one suspect, or what no rule explains."""
        if index == self.rest_at:
            return suspect_row(self.rest, width, self.changed)
        suspect = self.suspect(index)
        return suspect_row(Row(suspect.name, suspect.probability, suspect.before, suspect.change), width, self.changed)

    def on_option_list_option_highlighted(self, event: OptionList.OptionHighlighted) -> None:
        """Tell whose ledger is wanted."""
        event.stop()
        self.post_message(self.Chosen(self.suspect(event.option_index).id))

    def on_option_list_option_selected(self, event: OptionList.OptionSelected) -> None:
        """Enter opens the whole ledger."""
        event.stop()
        self.post_message(self.Opened())


class SuspectsPanel(Vertical):
    """The ranking under its title."""

    changed = False
    """Whether there was an answer to change it."""
    like = 0
    """Solved cases like this one."""

    def compose(self) -> ComposeResult:
        """Lay out the list."""
        yield SuspectList()

    def show(
        self, suspects: Sequence[Suspect], chosen: str, unexplained: float, unexplained_change: float, changed: bool, like: int
    ) -> None:
        """Show a ranking with the cursor on one cause; `changed` says whether there was an answer to change it, `like` how
        many solved cases are like this one.
        """
        self.like = like
        rest = Row(NOT_IN_RULES, unexplained, share_before(unexplained, unexplained_change), unexplained_change)
        self.query_one(SuspectList).show(suspects, chosen, rest, changed)
        self.changed = changed
        self._entitle()

    def on_resize(self, event: events.Resize) -> None:
        """Name the band for the new width."""
        self._entitle()

    def _entitle(self) -> None:
        like = f"; k: {self.like} solved like it" if self.like else ""
        wordy = self.changed and self.size.width >= WIDE + len(like)
        self.border_title = f"{'Suspects, and what the last answer did' if wordy else 'Suspects'}{like}"


def ledger_line(line: LedgerLine, asked: str, width: int, whole: bool = False) -> Content:
    """Return one piece of evidence: sign, size, bar, the answer, how strong, and because.

    `whole` adds the question and the place of the rule.
    """
    said = line.say if line.source != "rate" else f"starting point: {line.answer}"
    if whole and asked:
        said = f"{asked}  {said}"
    because = look.styled(line.because, look.QUIET)
    if line.rule and line.source != "rate":  # neither a rate nor what the others expect is evidence of this cause's rules
        because = Content.styled(f"{look.for_or_against(line.strength, line.decibans)}: ", look.QUIET) + because
    head = Content(f"{decibans(line.decibans)} ") + look.signed_bar(line.decibans, BAR)
    if width >= WIDE:
        head = head + " "
        indent = Content(" " * head.cell_length)
        parts = [look.hang(head, said, width)]
    else:
        indent = Content("  ")
        parts = [head, *look.fold(said, width)]
    parts.append(look.hang(indent, because, width))
    if whole and line.rule:
        parts.append(look.hang(indent, f"rule: {line.rule}", width, look.QUIET))
    return look.lines(parts)


def largest_first(lines: Sequence[LedgerLine]) -> list[LedgerLine]:
    """Return the ledger with what weighs most on top; the rate, where it all starts from, comes last."""
    return sorted(lines, key=lambda line: (line.source == "rate", -abs(line.decibans)))


class LedgerPanel(VerticalScroll):
    """What speaks for and against one cause, the weightiest first; what says nothing is on the page of the ledger."""

    DEFAULT_CSS = """
    LedgerPanel { height: 1fr; padding: 0 0 0 2; scrollbar-size-vertical: 1; scrollbar-gutter: stable;
        scrollbar-color: $line; scrollbar-background: $background; scrollbar-color-hover: $quiet;
        scrollbar-background-hover: $background; scrollbar-background-active: $background;
        scrollbar-color-active: $quiet; }
    LedgerPanel > Static { height: auto; }
    """

    BINDINGS = [
        Binding("up", "scroll_up", "Scroll up", show=False, id="ledger-up", tooltip="Up one line of the ledger."),
        Binding("down", "scroll_down", "Scroll down", show=False, id="ledger-down", tooltip="Down one line of the ledger."),
    ]

    def __init__(self) -> None:
        super().__init__(id="ledger")
        self._of = ""
        self._lines: Sequence[LedgerLine] = ()
        self._asked: Mapping[str, str] = {}

    def compose(self) -> ComposeResult:
        """Lay out the lines."""
        yield Static(markup=False)

    def show(self, name: str, lines: Sequence[LedgerLine], asked: Mapping[str, str]) -> None:
        """Show the ledger of a cause; `asked` maps question and finding ids to their words."""
        telling = [line for line in largest_first(lines) if abs(line.decibans) >= look.LEAST]
        self._of, self._lines, self._asked = look.plain(name), telling, asked
        self.scroll_home(animate=False)
        self._fold()

    def on_resize(self, event: events.Resize) -> None:
        """Fold the lines for the new width, once the scroll bar has come or gone."""
        self.call_after_refresh(self._fold)

    def _fold(self) -> None:
        width = max(self.scrollable_content_region.width, 20)
        parts = [ledger_line(line, self._asked.get(line.id, ""), width) for line in self._lines]
        if width >= WIDE:
            self.border_title = f'Why "{self._of}"'
            self.query_one(Static).update(Content("\n").join(parts))
        else:
            self.border_title = "Why"
            head = look.lines(look.fold(Content.styled(self._of, look.BOLD), width))
            self.query_one(Static).update(Content("\n\n").join([head, *parts]))


class GivenList(Rows):
    """What was answered and found, in order; each answer can be changed or taken back."""

    BINDINGS = [
        Binding("enter", "select", "Change", key_display="enter", id="change-answer",
                tooltip="Answer this question again."),
        Binding("x,delete", "take_back", "Take back", key_display="x", id="take-answer-back",
                tooltip="Take this answer back; for the job file and the marks: leave them out again."),
    ]  # fmt: skip

    class ChangeAsked(Message):
        """The user wants to answer a question again."""

        def __init__(self, question: str) -> None:
            super().__init__()
            self.question = question

    class MarksAsked(Message):
        """The user wants to see the marks, or measure more."""

    class TakeBackAsked(Message):
        """The user wants an answer taken back, or the job or the marks left out."""

        def __init__(self, given: Given) -> None:
            super().__init__()
            self.given = given

    def __init__(self, *, id: str | None = None) -> None:
        super().__init__(id=id)
        self.given: Sequence[Given] = ()

    def show(self, given: Sequence[Given]) -> None:
        """Show answers and findings."""
        self.given = given
        at = self.highlighted if self.highlighted is not None else 0
        self.show_rows(len(given), min(at, len(given) - 1) if given else None)

    def row(self, index: int, width: int) -> Content:
        """Return one answer below its question."""
        given = self.given[index]
        found = given.source == "finding"
        parts = [line.stylize(look.QUIET) for line in look.fold(given.ask, width)]
        words = Content(look.plain(given.say)) if given.counts else look.styled(given.say, look.QUIET)
        parts.append(look.hang(Content("= " if found else "# " if given.source == "marks" else "  "), words, width))
        if not given.counts and given.source == "marks":
            parts.append(look.hang(Content("  "), given.why, width, look.QUIET))
        elif not given.counts and given.answers:
            parts.append(look.hang(Content("  "), f"set aside: {given.why}", width, look.QUIET))
        return look.lines(parts)

    def why_not(self, action: str) -> str:
        """Return why an action cannot be done now."""
        return "Nothing was answered yet." if not self.given else (
            "A finding comes from the job file, a result from the plan; x takes it back."
        )  # fmt: skip

    def check_action(self, action: str, parameters: tuple[object, ...]) -> bool | None:
        """There must be an answer to change or take back; findings and results of remedies are not answered here."""
        at = self.highlighted
        there = at is not None and at < len(self.given)
        if action == "take_back":
            return there or None
        if action == "select":
            return (there and self.given[at or 0].source not in FIXED) or None
        return super().check_action(action, parameters)

    def on_option_list_option_highlighted(self, event: OptionList.OptionHighlighted) -> None:
        """Grey the keys that do nothing for this row."""
        self.refresh_bindings()

    def on_option_list_option_selected(self, event: OptionList.OptionSelected) -> None:
        """Enter changes an answer; findings come from the job and results of remedies from the plan."""
        event.stop()
        given = self.given[event.option_index]
        if given.source == "marks":
            self.post_message(self.MarksAsked())
        elif given.source not in FIXED:
            self.post_message(self.ChangeAsked(given.id))

    def action_take_back(self) -> None:
        """Take back the answer under the cursor."""
        if self.highlighted is not None and self.highlighted < len(self.given):
            self.post_message(self.TakeBackAsked(self.given[self.highlighted]))
