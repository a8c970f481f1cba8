"""The room of the printer cards: read them, use one for the case, change one, make one from a job's own settings."""

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

from diagnose.errors import BadInput
from diagnose.knowledge.cards import Printer
from diagnose.screens import look
from diagnose.screens.dialogs import Page, problem_page
from diagnose.screens.paths import PathLine, file_at
from diagnose.screens.printer_form import CardForm
from diagnose.screens.reading import ReadingBar
from diagnose.screens.rows import Laid, Rows
from diagnose.screens.workroom import BookRoom
from diagnose.triage import newcard
from diagnose.triage.cardfile import own_file, take_in
from diagnose.triage.printers import in_short, shown_fields

if TYPE_CHECKING:
    from diagnose.knowledge.pack import Knowledge
    from diagnose.triage import Triage

ORIGINS = {"measured": "measured", "job": "from a job", "generic": "generic"}


class CardList(Rows):
    """The printer cards."""

    def __init__(self) -> None:
        super().__init__(id="cards")
        self.add_class("list")
        self.cards: Sequence[Printer] = ()
        self.used = ""
        self.own: set[str] = set()

    def show(self, cards: Sequence[Printer], used: str, own: set[str]) -> None:
        """Show cards; ``used`` is the id of the one that the case is on, ``own`` those that may be changed in place."""
        self.cards, self.used, self.own = cards, used, own
        at = self.highlighted if self.highlighted is not None else next((i for i, c in enumerate(cards) if c.id == used), 0)
        self.show_rows(len(cards), min(at, len(cards) - 1) if cards else None)

    def row(self, index: int, width: int) -> Content:
        """Return one card: its name, and what matters most of it."""
        card = self.cards[index]
        words = ["this case" * (card.id == self.used), "your own" * (card.id in self.own)]
        head = look.spread(look.styled(card.name, look.BOLD), look.styled(", ".join(filter(None, words)), look.ACCENT), width)
        return look.lines([head, look.hang(Content("  "), look.styled(in_short(card), look.QUIET), width)])


class PrintersRoom(BookRoom):
    """The printer cards."""

    NAME = "printers"

    DEFAULT_CSS = "PrintersRoom #printers-said { height: auto; padding: 0 2; }"

    BINDINGS = [
        Binding("enter", "read", "Read", id="read-card", tooltip="Every number of the card under the cursor: what it is, what it changes, where it came from."),
        Binding("u", "use", "Use", id="use-card", tooltip="Use this card for the case at hand."),
        Binding("e", "edit", "Change", id="change-card", tooltip="Change numbers of this card; of one that is not your own, a copy is made."),
        Binding("n", "new", "From a job", id="card-from-job", tooltip="Make a card from what a job file says of its printer."),
    ]  # fmt: skip

    class Made(Message):
        """A card was made from a job."""

        def __init__(self, made: newcard.Made, token: object) -> None:
            super().__init__()
            self.made, self.token = made, token

    def __init__(self, knowledge: Knowledge, triage: Triage | None, packs: Sequence[Path] = (), own_pack: Path | None = None) -> None:
        super().__init__(id="printers-room")
        self.knowledge, self.triage, self.packs, self.own_pack = knowledge, triage, packs, own_pack

    def compose_room(self) -> ComposeResult:
        """Lay out the cards, and the numbers of one beside them."""
        yield PathLine("path of a job file (G-code) written for the printer; enter reads it", id="job-line", classes="path")
        with Horizontal(classes="body"):
            yield CardList()
            with VerticalScroll(classes="beside", can_focus=False):
                yield Static(markup=False)
        yield Static(id="printers-said", markup=False)
        yield ReadingBar()

    def on_mount(self) -> None:
        """Show the cards."""
        self._say("")
        self.show_cards()

    # -- what is shown -----------------------------------------------------------------------------------------------

    def head_line(self) -> tuple[str, str]:
        """Return what this is."""
        return "Printer cards", f"{len(self.knowledge.printers)} known"

    def show_cards(self) -> None:
        """Show the cards."""
        cards = list(self.knowledge.printers.values())
        used = (self.triage.case.printer or "") if self.triage is not None else ""
        own = {card.id for card in cards if own_file(self.knowledge, card, self.own_pack) is not None}
        self.query_one(CardList).show(cards, used, own)
        self.show_entry()

    @property
    def chosen(self) -> Printer:
        """The card under the cursor."""
        listed = self.query_one(CardList)
        return listed.cards[listed.highlighted or 0]

    def show_entry(self) -> None:
        """Show the entry under the cursor beside the list, where there is room."""
        if self.has_room_beside:
            card = self.chosen
            self.show_beside(Laid(lambda width: card_text(card, width, explain=False)))

    def _say(self, text: str) -> None:
        said = self.query_one("#printers-said", Static)
        said.update(Content(look.plain(text)))
        said.display = bool(text)

    # -- what the user does ------------------------------------------------------------------------------------------

    @on(OptionList.OptionSelected)
    def read(self, event: OptionList.OptionSelected) -> None:
        """Show every number of a card, explained."""
        event.stop()
        self.action_read()

    def action_read(self) -> None:
        """Show every number of the card under the cursor."""
        card = self.chosen
        self.app.push_screen(Page(card.name, lambda width: card_text(card, width, explain=True)))

    def action_use(self) -> None:
        """Use the card for the case."""
        if self.triage is None:
            return
        try:
            self.triage.choose_printer(self.chosen.id)
        except BadInput as error:
            self.app.push_screen(problem_page(error))
            return
        job = self.triage.case.job
        again = " Attach the job file again: it was read on another card." if job and job.get("printer") != self.chosen.id else ""
        self._say(f"The case is on {self.chosen.name} now.{again}")
        self.show_cards()

    def action_edit(self) -> None:
        """Change numbers of the card, or of a copy of it."""
        card = self.chosen
        try:
            form = CardForm(self.knowledge, card, None, self.packs, self.own_pack)
        except BadInput as error:
            self.app.push_screen(problem_page(error))
            return
        self.app.push_screen(form, self._saved)

    def _saved(self, path: Path | None) -> None:
        if path is not None:
            take_in(self.knowledge, path)
            self.show_head()
            self.show_cards()
            self._say(f"Written: {path}")

    def action_new(self) -> None:
        """Ask for a job file."""
        self.ask_path()

    @on(Input.Submitted, "#job-line")
    def read_job(self, event: Input.Submitted) -> None:
        """Make a card from a job file."""
        event.stop()
        path = file_at(event.value, "the job file")
        if isinstance(path, str):
            self._say(path)
            return
        if self.token is not None:
            return
        self._say("")
        self.make_card(path, self.chosen, self.begin_work("reading the job file"))

    @work(thread=True, exclusive=True, exit_on_error=False, group="card")
    def make_card(self, path: Path, start: Printer, token: object) -> None:
        """Read what a job says of its printer."""
        worker, known = get_current_worker(), list(self.knowledge.printers.values())
        made = newcard.make("my-printer", None, start, path, known, self.progress_of(token), lambda: worker.is_cancelled)
        self.post_message(self.Made(made, token))

    def on_printers_room_made(self, event: Made) -> None:
        """Go on to the form."""
        if event.token is not self.token:
            return
        self.end_work()
        self.app.push_screen(CardForm(self.knowledge, self.chosen, event.made, self.packs, self.own_pack), self._saved)

    def action_stop(self) -> None:
        """Stop reading."""
        if self.stop_work():
            self._say("Stopped. Nothing was made.")

    def why_not(self, action: str) -> str:
        """Return why something cannot be done now."""
        return "No case is open to use it for." if action == "use" else ""

    def check_action(self, action: str, parameters: tuple[object, ...]) -> bool | None:
        """A case must be open to use a card."""
        if action == "use":
            return self.triage is not None or None
        return super().check_action(action, parameters)


def card_text(card: Printer, width: int, *, explain: bool) -> Content:
    """Return everything a card says: each number, where it came from, and, where asked for, what it is."""
    parts: list[Content] = [*look.fold(look.styled(card.name, look.BOLD), width), look.hang(Content(""), look.plain(card.about), width)]
    told, group = Printer.explain(), ""
    for name, value, origin in shown_fields(card):
        head, _, short = name.partition(".")
        if head != group:
            group = head
            parts += [Content(""), look.styled(head.replace("_", " "), look.STRONG)]
        shown = f"{value:g}" if origin else "yes" if value is True else "no" if value is False else str(value)
        right = Content.assemble(shown, (f"  {ORIGINS.get(origin or '', ''):<10}", look.QUIET))
        parts.append(look.spread(Content(f"  {short}"), right, width))
        if explain and name in told and short.rpartition(".")[2] not in ("x", "y", "z"):
            parts.append(look.hang(Content("    "), look.styled(told[name], look.QUIET), width))
    return look.lines(parts)
