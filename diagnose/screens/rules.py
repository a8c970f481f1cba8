"""The room of the rules: read them, search them, try others on the case at hand."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from textual import on, work
from textual.app import ComposeResult
from textual.binding import Binding
from textual.containers import Horizontal, VerticalScroll
from textual.content import Content
from textual.message import Message
from textual.widgets import Input, OptionList, Static
from textual.worker import get_current_worker

from diagnose.errors import Cancelled
from diagnose.screens import look
from diagnose.screens.dialogs import LONGEST_TITLE, Page, ShortInput
from diagnose.screens.pages import laid_sections, manual_page
from diagnose.screens.paths import PathLine, expanded, unquoted
from diagnose.screens.reading import ReadingBar
from diagnose.screens.rows import Laid, Rows
from diagnose.screens.workroom import BookRoom
from diagnose.triage.entry_pages import entry_page
from diagnose.triage.manual import Section
from diagnose.triage.search import Entry, entries, find, touched
from diagnose.triage.wording import percent, times

if TYPE_CHECKING:
    from diagnose.knowledge.pack import Knowledge
    from diagnose.reasoning.network import Network
    from diagnose.triage import Triage
    from diagnose.triage.effect import Moved

MOST = 200
"""Entries listed; who wants another one types more of it."""
SHOWN = 12
"""Rankings shown that a try moves."""


class EntryList(Rows):
    """Entries of the rules."""

    def __init__(self) -> None:
        super().__init__(id="entries")
        self.add_class("list")
        self.entries: Sequence[Entry] = ()

    def show(self, found: Sequence[Entry]) -> None:
        """Show what was found, the cursor on the first."""
        self.entries = found[:MOST]
        self.show_rows(len(self.entries), 0 if self.entries else None)

    def row(self, index: int, width: int) -> Content:
        """Return one entry on one line: its name, and what it is listed under."""
        entry = self.entries[index]
        return look.spread(Content(look.plain(entry.name)), look.styled(entry.within, look.QUIET), width)


class RulesRoom(BookRoom):
    """What the rules know."""

    NAME = "rules"

    DEFAULT_CSS = """
    RulesRoom #rules-count { height: 1; padding: 0 2; color: $quiet; }
    """

    BINDINGS = [
        Binding("slash", "search", "Search", key_display="/", id="search-rules", tooltip="Type words of what you look for."),
        Binding("enter", "read", "Read", id="read-entry", tooltip="All that the rules say of the entry under the cursor."),
        Binding("u", "mine", "Of my case", id="rules-of-case", tooltip="Only what the case at hand touches, or everything again."),
        Binding("t", "try", "Try", id="try-rules", tooltip="Lay a folder or file of rules over these, for once, and see what it would change."),
        Binding("down", "into_list", "Into the list", show=False, id="into-list", tooltip="From the search line into the list."),
    ]  # fmt: skip

    class Tried(Message):
        """Other rules were tried."""

        def __init__(self, moved: Sequence[Moved], names: dict[str, str], token: object) -> None:
            super().__init__()
            self.moved, self.names, self.token = moved, names, token

    def __init__(self, knowledge: Knowledge, network: Network, triage: Triage | None, packs: Sequence[Path]) -> None:
        super().__init__(id="rules-room")
        self.knowledge, self.network, self.triage, self.packs = knowledge, network, triage, packs
        self.entries = entries(knowledge)
        self.only_mine = False

    def compose_room(self) -> ComposeResult:
        """Lay out search line, list, and the entry beside it."""
        yield ShortInput(placeholder="words of what you look for", max_length=LONGEST_TITLE, id="search-line")
        yield PathLine("path of a folder or file of rules; enter tries them", id="try-line", classes="path")
        yield Static(id="rules-count", markup=False)
        with Horizontal(classes="body"):
            yield EntryList()
            with VerticalScroll(classes="beside", can_focus=False):
                yield Static(markup=False)
        yield ReadingBar()

    def on_mount(self) -> None:
        """Show everything."""
        self.show_found()

    # -- what is shown -----------------------------------------------------------------------------------------------

    def head_line(self) -> tuple[str, str]:
        """Return what this is, and what is in force."""
        k = self.knowledge
        told = f"{times(len(k.causes), 'cause')}, {times(len(k.questions), 'question')}, {times(len(k.packs), 'pack')}"
        return "Rules", told

    def show_found(self) -> None:
        """Show what holds the words typed."""
        found = find(self.entries, self.query_one("#search-line", Input).value, touched(self.triage) if self.only_mine and self.triage else None)
        self.query_one(EntryList).show(found)
        more = f"; the first {MOST} are shown, type more of it" if len(found) > MOST else ""
        mine = " that your case touches" if self.only_mine else ""
        self.query_one("#rules-count", Static).update(Content(f"{len(found)} of {len(self.entries)} entries{mine}{more}"))
        self.show_entry()

    def _page_of(self, entry: Entry) -> list[Section]:
        cases = self.triage.other_cases() if self.triage is not None else ()
        return entry_page(self.knowledge, self.network, entry.kind, entry.id, cases)

    def show_entry(self) -> None:
        """Show the entry under the cursor beside the list, where there is room."""
        listed = self.query_one(EntryList)
        if not self.has_room_beside or listed.highlighted is None:
            self.show_beside("")
            return
        entry = listed.entries[listed.highlighted]
        sections, head = self._page_of(entry), look.styled(entry.name, look.BOLD)
        self.show_beside(Laid(lambda width: look.lines([*look.fold(head, width), Content(""), laid_sections(sections, width)])))

    # -- what the user does ------------------------------------------------------------------------------------------

    @on(Input.Changed, "#search-line")
    def searched(self, event: Input.Changed) -> None:
        """Look again."""
        event.stop()
        self.show_found()

    @on(Input.Submitted, "#search-line")
    def into_found(self, event: Input.Submitted) -> None:
        """Go into what was found."""
        event.stop()
        self.query_one(EntryList).focus()

    @on(OptionList.OptionSelected)
    def read(self, event: OptionList.OptionSelected) -> None:
        """Show all that the rules say of an entry."""
        event.stop()
        entry = self.query_one(EntryList).entries[event.option_index]
        self.app.push_screen(manual_page(entry.name, self._page_of(entry)))

    def action_read(self) -> None:
        """Enter is taken by the list; this is for its place in the help."""
        self.query_one(EntryList).action_select()

    def action_search(self) -> None:
        """Type what to look for."""
        self.query_one("#search-line").focus()

    def action_into_list(self) -> None:
        """From the search line into the list."""
        self.query_one(EntryList).focus()

    def action_mine(self) -> None:
        """Show only what the case touches, or everything again."""
        self.only_mine = not self.only_mine
        self.show_found()

    def action_try(self) -> None:
        """Ask for the rules to try."""
        self.ask_path()

    @on(Input.Submitted, "#try-line")
    def try_them(self, event: Input.Submitted) -> None:
        """Try the rules of a path."""
        event.stop()
        typed = unquoted(event.value)
        if not typed or self.token is not None:
            return
        self.try_rules(expanded(typed), self.begin_work("reading the rules"))

    @work(thread=True, exclusive=True, exit_on_error=False, group="try")
    def try_rules(self, change: Path, token: object) -> None:
        """Rank the case at hand and every worked example with and without other rules."""
        from diagnose.triage import knowledge_from
        from diagnose.triage.effect import Rules, case_at_hand, compare, worked_examples

        worker, progress = get_current_worker(), self.progress_of(token)
        before = Rules(self.knowledge, self.network)
        after = Rules.of(knowledge_from([*(p for p in self.packs if p.absolute() != change.absolute()), change]))
        situations = [*(case_at_hand(self.triage) if self.triage is not None else ()), *worked_examples(before, after)]
        moved: list[Moved] = []
        for at, situation in enumerate(situations):
            if worker.is_cancelled:
                raise Cancelled
            moved += compare(before, after, [situation])
            if at % 8 == 0:
                progress(at / len(situations), "ranking with and without them")
        names = {id: cause.name for rules in (before, after) for id, cause in rules.knowledge.causes.items()}
        self.post_message(self.Tried(moved, names, token))

    def on_rules_room_tried(self, event: Tried) -> None:
        """Show what other rules would change."""
        if event.token is self.token:
            self.end_work()
            self.app.push_screen(effect_page(event.moved, event.names))

    def why_not(self, action: str) -> str:
        """Return why something cannot be done now."""
        return "No case is open." if action == "mine" else ""

    def check_action(self, action: str, parameters: tuple[object, ...]) -> bool | None:
        """A case must be open to touch anything."""
        if action == "mine":
            return self.triage is not None or None
        return super().check_action(action, parameters)


def effect_page(moved: Sequence[Moved], names: dict[str, str]) -> Page:
    """Return what other rules would change: the case at hand first, then what breaks, then what moves most."""
    order = sorted(moved, key=lambda m: (m.kind != "open", not m.breaks, -m.share, m.name))
    shown = [m for m in order if m.kind == "open" or m.noticed]
    count = sum(m.noticed for m in moved)

    def build(width: int) -> Content:
        parts = [look.hang(Content(""), f"Ranked with and without: {times(len(moved), 'print')}; {times(count, 'ranking moves', 'rankings move')}. "
                           "Nothing was kept.", width)]  # fmt: skip
        for one in shown[:SHOWN]:
            mark = "BREAKS  " if one.breaks else "mended  " if one.failed_before and not one.failed_after else ""
            kind = "this case" if one.kind == "open" else "worked example"
            parts += [Content(""), look.hang(Content(""), Content.assemble((look.plain(f"{mark}{one.name}"), "bold"), (f"  {kind}", look.QUIET)), width)]
            if one.after is None:
                parts.append(Content("  cannot be ranked any more: the rules do not know what its answers speak of"))
                continue
            before = one.before or {}
            for id in dict.fromkeys([*list(one.after)[:3], *list(before)[:1]]):
                was = percent(before[id]) if id in before else "not there"
                now = percent(one.after[id]) if id in one.after else "not there"
                name = names.get(id, id) or "something not in the rules"
                parts.append(look.hang(Content(f"  {was:>9} > {now:<9}  "), look.plain(name), width))
            parts += [look.hang(Content("    "), look.plain(failure), width) for failure in one.failed_after]
        if len(shown) > SHOWN:
            parts += [Content(""), Content.styled(f"and {len(shown) - SHOWN} more; `diagnose rules try` shows all", look.QUIET)]
        return look.lines(parts)

    return Page("What these rules would change", build)
