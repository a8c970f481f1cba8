"""Changing a printer card: every field on a line, each new value checked as it is typed in, saved whole or not at all."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from textual import on
from textual.app import ComposeResult
from textual.binding import Binding
from textual.containers import Vertical
from textual.content import Content
from textual.screen import ModalScreen, Screen
from textual.widgets import Input, OptionList, Static

from diagnose.errors import BadInput
from diagnose.knowledge.cards import Printer
from diagnose.screens import look
from diagnose.screens.dialogs import DIALOG_CSS, ShortInput, problem_page
from diagnose.screens.rows import KeyLine, Rows, SaysWhyNot, TooSmall
from diagnose.triage import newcard
from diagnose.triage.cardfile import free_id, number, own_file, place_of, save_changed, save_new, text_of
from diagnose.triage.printers import shown_fields

if TYPE_CHECKING:
    from diagnose.knowledge.pack import Knowledge

LONGEST_VALUE = 40
ASK_AGAIN = "Changes are not saved: ctrl+s saves them, escape again drops them."
BOOLS = {"yes": True, "true": True, "on": True, "no": False, "false": False, "off": False}


class Fields(Rows):
    """The fields of a card; changed ones are marked."""

    def __init__(self) -> None:
        super().__init__(id="fields")
        self.lines: Sequence[tuple[str, str, str, bool]] = ()
        """(dotted name, value, where it came from, whether it was changed here)."""

    def show(self, lines: Sequence[tuple[str, str, str, bool]]) -> None:
        """Show the fields; the cursor stays."""
        self.lines = lines
        self.show_rows(len(lines), self.highlighted or 0)

    def row(self, index: int, width: int) -> Content:
        """Return one field on one line."""
        name, value, origin, changed = self.lines[index]
        head = Content.assemble(("* " if changed else "  ", look.ACCENT), name)
        return look.spread(head, Content.assemble((value, "bold" if changed else ""), (f"  {origin:<10}", look.QUIET)), width)


class CardForm(SaysWhyNot, Screen[Path | None]):
    """A card being changed. Closes with the file that was written, or with None."""

    DEFAULT_CSS = """
    CardForm { background: $background; }
    CardForm > #form-head { height: 1; padding: 0 1; color: $quiet; }
    CardForm > #form-said { height: auto; padding: 0 2; margin: 1 0; color: $quiet; }
    CardForm > Fields { margin: 0 1; }
    """

    BINDINGS = [
        Binding("enter", "change", "Change", id="change-field", tooltip="Type another value for the field under the cursor."),
        Binding("x", "take_back", "As it was", id="take-change-back", tooltip="Take the change of this field back."),
        Binding("ctrl+s", "save", "Save", key_display="ctrl+s", id="save-card", tooltip="Write the card among your own rules."),
        Binding("escape,q", "close", "Back", key_display="esc", id="leave-form", tooltip="Back; changes that are not saved are asked for once."),
    ]

    def __init__(self, knowledge: Knowledge, card: Printer, made: newcard.Made | None, packs: Sequence[Path], pack: Path | None) -> None:
        super().__init__(id="card-form")
        self.knowledge, self.card, self.packs, self.pack = knowledge, card, packs, pack
        self.file = None if made is not None else own_file(knowledge, card, pack)
        """The file of a card of the user's own, which is changed in place."""
        self.read = text_of(self.file) if self.file is not None else ""
        self.made = made or newcard.make("my-printer", None, card, None, list(knowledge.printers.values()))
        self.changes: dict[str, Any] = {}
        self.warned = False

    def compose(self) -> ComposeResult:
        """Lay out the fields."""
        yield Static(id="form-head", markup=False)
        yield Static(id="form-said", markup=False)
        yield Fields()
        yield KeyLine()
        yield TooSmall()

    def on_mount(self) -> None:
        """Show the fields."""
        self.show_fields()
        self._say(self._about())
        self.query_one(Fields).focus()

    def on_resize(self) -> None:
        """Lay the line on top out for the new width."""
        width = max(self.app.size.width - 2, 20)
        right = "your own card" if self.file else "a new card"
        self.query_one("#form-head", Static).update(look.spread(look.styled(self.card.name, look.BOLD), Content(right), width))

    def _about(self) -> str:
        if self.file is not None:
            return f"What you change is marked as measured, and written into {self.file}; your comments stay."
        if self.made.job is None:
            return "This card is not your own: your changes go into a copy of it, among your own rules."
        left = f"; {len(self.made.left)} it says of the other corner rule are left out" if self.made.left else ""
        told = " ".join(self.made.told)
        return f"{len(self.made.taken)} of {self.made.numbers} numbers are taken from {self.made.job.name}{left}. {told} The rest is of the card {self.made.like}."

    def show_fields(self) -> None:
        """Show every field with its value as it stands."""
        lines = []
        for name, value, origin in shown_fields(self.card):
            shown = self.changes.get(name, self.made.values.get(name, value))
            text = f"{shown:g}" if origin and not isinstance(shown, bool) else "yes" if shown is True else "no" if shown is False else str(shown)
            from_ = "measured" if name in self.changes and origin else "from a job" if name in self.made.values else origin or ""
            lines.append((name, text, from_, name in self.changes))
        self.query_one(Fields).show(lines)
        self.refresh_bindings()

    @property
    def field(self) -> str:
        """The field under the cursor."""
        listed = self.query_one(Fields)
        return listed.lines[listed.highlighted or 0][0]

    def _is_number(self, name: str) -> bool:
        return any(name == n and origin is not None for n, _, origin in shown_fields(self.card))

    def _value(self, name: str, typed: str) -> Any:
        if self._is_number(name):
            return number(typed)
        return BOOLS.get(typed.casefold(), typed)

    def _with(self, changes: dict[str, Any], id: str | None = None, name: str | None = None) -> newcard.Made:
        """Return the card with changes, checked as a whole; raises BadInput where it is not sound."""
        measured = {n: v for n, v in changes.items() if self._is_number(n)}
        chosen = {n: v for n, v in changes.items() if n not in measured}
        made = newcard.remade(self.made, id or self.made.id, name, self.card, measured, chosen)
        newcard.check(made, self.knowledge)
        return made

    @on(OptionList.OptionSelected)
    def chosen_field(self, event: OptionList.OptionSelected) -> None:
        """Type another value."""
        event.stop()
        self.action_change()

    @on(OptionList.OptionHighlighted)
    def moved(self, event: OptionList.OptionHighlighted) -> None:
        """Grey what does nothing for this field."""
        event.stop()
        self.refresh_bindings()

    def action_change(self) -> None:
        """Ask for another value of the field under the cursor."""
        name = self.field
        said = Printer.explain()
        about = said.get(name) or said.get(name.rpartition(".")[0], "")

        def check(typed: str) -> str:
            try:
                self._with(self.changes | {name: self._value(name, typed)})
            except BadInput as error:
                return f"{look.sentence(error.what)} {look.sentence(error.hint)}".strip()
            return ""

        def taken(typed: str | None) -> None:
            if typed is not None:
                self.changes[name] = self._value(name, typed)
                self.warned = False
                self.show_fields()

        now = self.query_one(Fields).lines[self.query_one(Fields).highlighted or 0][1]
        self.app.push_screen(AskLine(name, about, now, check), taken)

    def action_take_back(self) -> None:
        """Take the change of the field back."""
        self.changes.pop(self.field, None)
        self.show_fields()

    def action_save(self) -> None:
        """Write the card: into its own file, or as a new one whose id is asked for."""
        if self.file is not None:
            self._done(self._save_own)
            return

        def check(typed: str) -> str:
            try:
                self._with(self.changes, free_id(typed, self.knowledge))
            except BadInput as error:
                return f"{look.sentence(error.what)} {look.sentence(error.hint)}".strip()
            return ""

        def named(id: str | None) -> None:
            if id is not None:
                self._done(lambda: save_new(self._with(self.changes, id, f"{self.card.name}, {id}"), self.packs, self.pack))

        about = f"An id for the new card: small letters, digits, hyphens. It is written as {place_of('ID', self.pack)}."
        self.app.push_screen(AskLine("Save as", about, "", check), named)

    def _save_own(self) -> Path:
        assert self.file is not None
        values = {n: {"value": v, "from": "measured"} if self._is_number(n) else v for n, v in self.changes.items()}
        save_changed(self.file, self.card.id, values, self.read, self.packs, self.pack)
        return self.file

    def _done(self, save: Callable[[], Path]) -> None:
        try:
            path = save()
        except BadInput as error:
            self.app.push_screen(problem_page(error))
            return
        self.dismiss(path)

    def action_close(self) -> None:
        """Back; unsaved changes are asked for once."""
        if self.changes and not self.warned:
            self.warned = True
            self.query_one(KeyLine).say(ASK_AGAIN)
            return
        self.dismiss(None)

    def _say(self, text: str) -> None:
        self.query_one("#form-said", Static).update(Content(look.plain(text)))

    def why_not(self, action: str) -> str:
        """Return why something cannot be done now."""
        return {"take_back": "This field was not changed.", "save": "Nothing was changed yet."}.get(action, "")

    def check_action(self, action: str, parameters: tuple[object, ...]) -> bool | None:
        """There must be a change to take back, and something to save."""
        if action == "take_back" and self.is_mounted:
            return self.field in self.changes or None
        if action == "save":
            return bool(self.changes or self.made.job) or None
        return super().check_action(action, parameters)


class AskLine(ModalScreen[str | None]):
    """One line to type, checked before it is taken; what is wrong is said, and the line stays to be mended."""

    DEFAULT_CSS = DIALOG_CSS.format(name="AskLine") + """
    AskLine Static { height: auto; padding: 0 2; }
    AskLine #ask-about { color: $quiet; }
    AskLine Input { border: none; height: 1; margin: 1 2; padding: 0; background: $panel; }
    AskLine Input:focus { border: none; }
    AskLine KeyLine { dock: none; }
    """

    BINDINGS = [Binding("escape", "close", "Back", key_display="esc", id="leave-line", tooltip="Back, changing nothing.")]

    def __init__(self, title: str, about: str, now: str, check: Callable[[str], str]) -> None:
        super().__init__()
        self.title_text, self.about, self.now, self.check = title, about, now, check
        """``check``: what was typed to a sentence on what is wrong with it; empty where it is right."""

    def compose(self) -> ComposeResult:
        """Lay out the line."""
        with Vertical() as box:
            box.border_title = look.plain(self.title_text)
            yield Static(Content(look.plain(self.about)), id="ask-about", markup=False)
            yield ShortInput(self.now, max_length=LONGEST_VALUE, select_on_focus=True)
            yield Static(id="ask-wrong", markup=False)
            yield KeyLine()
        yield TooSmall()

    def on_mount(self) -> None:
        """Begin with the value as it is."""
        self.query_one("#ask-wrong").display = False
        self.query_one(Input).focus()

    @on(Input.Submitted)
    def taken(self, event: Input.Submitted) -> None:
        """Take the line where it is right."""
        event.stop()
        typed = look.plain(event.value)
        wrong = self.check(typed) if typed else "Type a value, or escape leaves it as it is."
        said = self.query_one("#ask-wrong", Static)
        said.update(Content(look.plain(wrong)))
        said.display = bool(wrong)
        if not wrong:
            self.dismiss(typed)

    def action_close(self) -> None:
        """Change nothing."""
        self.dismiss(None)
