"""The app: one screen to choose a case, one to work on it."""

from __future__ import annotations

import gc
import io
import os
import sys
from collections.abc import Callable, Mapping, Sequence
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

from textual import work
from textual.binding import ActiveBinding, Binding
from textual.filter import LineFilter
from textual.message import Message
from textual.worker import Worker, WorkerState

from diagnose.cases.book import Casebook
from diagnose.cases.index import Index
from diagnose.cases.journal import Case
from diagnose.errors import BadInput
from diagnose.folders import own_casebook
from diagnose.letters import has_unicode
from diagnose.screens import look
from diagnose.screens.cases import CasesScreen
from diagnose.screens.garbage import TidiesWhenIdle
from diagnose.screens.reading import JobReader
from diagnose.screens.rooms import Name, Room, doors
from diagnose.screens.rows import LEAST_SIZE

if TYPE_CHECKING:
    from diagnose.knowledge.pack import Knowledge
    from diagnose.reasoning.network import Network
    from diagnose.screens.triage import TriageScreen
    from diagnose.triage import Triage


class DiagnoseApp(TidiesWhenIdle, JobReader):
    """`rules`: packs laid over the built-in one; `casebook`: where cases are kept."""

    TITLE = "diagnose"
    ENABLE_COMMAND_PALETTE = False
    CSS = """
    Screen.-slim > *, Screen.-low > * { display: none; }
    Screen.-slim > TooSmall, Screen.-low > TooSmall { display: block; }
    .band { border-top: solid $line; border-title-color: $accent; border-title-style: bold; border-title-align: left; }
    .band:focus, .band:focus-within { border-top: solid $accent; }
    DiagnoseApp:nocolor Rows:focus > .option-list--option-highlighted { background: $line; }
    """
    """Without colour the band with the focus is told by a lighter row under the cursor; the mark is there anyway."""

    HORIZONTAL_BREAKPOINTS = [(0, "-slim"), (LEAST_SIZE[0], "-narrow"), (120, "-wide")]
    VERTICAL_BREAKPOINTS = [(0, "-low"), (LEAST_SIZE[1], "-high")]

    BINDINGS = [
        Binding("question_mark,f1", "keys", "Keys", key_display="?", id="help", tooltip="The keys that work here."),
        Binding("ctrl+p", "palette", "Do, or go to", show=False, id="palette",
                tooltip="Everything that can be done here or gone to, found by a few letters."),
        Binding("f2", "light", "Light or dark", show=False, id="switch-light",
                tooltip="Switch between a dark screen and a light one."),
        Binding("ctrl+q,ctrl+c", "quit", "Quit", show=False, priority=True, id="quit-at-once",
                tooltip="Leave at once. Every case is saved."),
        Binding("ctrl+z", "suspend_process", "Set aside", show=False, priority=True, id="set-aside",
                tooltip="Set the app aside for the shell it was started from; `fg` there brings it back."),
        *doors(),
    ]  # fmt: skip

    class RulesRead(Message):
        """The rules were read and made ready."""

        def __init__(self, knowledge: Knowledge, network: Network) -> None:
            super().__init__()
            self.knowledge, self.network = knowledge, network

    class CasesListed(Message):
        """The cases were listed, or those found that hold some words."""

        def __init__(self, cases: Sequence[Case], words: Sequence[str] = ()) -> None:
            super().__init__()
            self.cases, self.words = cases, words

    def __init__(self, rules: Sequence[Path] = (), casebook: Path | None = None, ascii_only: bool = False) -> None:
        super().__init__()
        self.ascii_only = ascii_only
        """Whether everything is drawn with the letters of ASCII."""
        self.rules = list(rules)
        self.casebook = Casebook(casebook or own_casebook())
        self.knowledge: Knowledge | None = None
        self.network: Network | None = None
        self.loose: Triage | None = None
        """What a job looked at without a case lies on."""
        self._wanted: Callable[[], Triage] | None = None
        for theme in (look.DARK, look.LIGHT):
            self.register_theme(theme)
        self.theme = look.DARK.name
        self.animation_level = "none"
        self.start = CasesScreen()

    def get_theme_variable_defaults(self) -> dict[str, str]:
        """Return our own colours, for themes that lack them."""
        return dict(look.DARK.variables)

    def get_line_filters(self) -> Sequence[LineFilter]:
        """Return what lines go through last, before they are written."""
        return [*super().get_line_filters(), *([look.PlainLetters()] if self.ascii_only else [])]

    def on_mount(self) -> None:
        """Show the first screen, then read cases and rules behind it."""
        self.push_screen(self.start)
        self.start.call_after_refresh(self.read_all)

    def read_all(self) -> None:
        """Read the casebook and the rules."""
        self.list_cases()
        self.read_rules()

    @work(thread=True, exclusive=True, exit_on_error=False, group="cases")
    def list_cases(self) -> None:
        """List the cases."""
        self.post_message(self.CasesListed(self.casebook.cases()))

    @work(thread=True, exclusive=True, exit_on_error=False, group="cases")
    def find_cases(self, words: Sequence[str]) -> None:
        """Look for the cases that hold these words."""
        found = [entry.case for entry in Index(self.casebook.folder).find(words)]
        self.post_message(self.CasesListed(found, words))

    @work(thread=True, exclusive=True, exit_on_error=False, group="rules")
    def read_rules(self) -> None:
        """Read, lay and check the rules, and make the network ready."""
        from diagnose.triage import Triage, knowledge_from

        knowledge = knowledge_from(self.rules)
        self.post_message(self.RulesRead(knowledge, Triage(knowledge).network))

    def on_diagnose_app_cases_listed(self, event: CasesListed) -> None:
        """Show the cases."""
        self.start.show_cases(event.cases, event.words)

    def on_cases_screen_search_asked(self, event: CasesScreen.SearchAsked) -> None:
        """Look for cases."""
        if event.words:
            self.find_cases(event.words)
        else:
            self.list_cases()

    def on_diagnose_app_rules_read(self, event: RulesRead) -> None:
        """Say what is known, and open the case that was waiting."""
        self.knowledge, self.network, self.loose = event.knowledge, event.network, None
        # Rules live as long as the app: looking through them again for garbage would hold keys up for a tenth of a second.
        gc.freeze()
        self.start.say(f"{len(event.knowledge.causes)} causes and {len(event.knowledge.questions)} questions are known.")
        self._open_wanted()

    def on_worker_state_changed(self, event: Worker.StateChanged) -> None:
        """The one door for work that failed."""
        if event.state is not WorkerState.ERROR or event.worker.group == "job":
            return
        error = event.worker.error
        self._wanted = None
        if isinstance(error, BadInput):
            hint = f"\nWhat helps: {look.sentence(error.hint)}" if error.hint else ""
            self.start.say(f"The rules cannot be used. {error}.{hint}", broken=True)
        else:
            self.start.say(f"This failed: {type(error).__name__}: {error}", broken=event.worker.group == "rules")

    def on_cases_screen_new_asked(self, event: CasesScreen.NewAsked) -> None:
        """Start a case."""
        from diagnose.triage import Triage

        title = event.title
        self._open(lambda: Triage.start(self._known, self.casebook, title, self.network))

    def on_cases_screen_resume_asked(self, event: CasesScreen.ResumeAsked) -> None:
        """Go on with a case."""
        from diagnose.triage import Triage

        id = event.id
        self._open(lambda: Triage.resume(self._known, self.casebook, id, self.network))

    def on_cases_screen_rules_asked(self, event: CasesScreen.RulesAsked) -> None:
        """Read the rules again."""
        self.start.say("Reading the rules…")
        self.read_rules()

    @property
    def _known(self) -> Knowledge:
        assert self.knowledge is not None
        return self.knowledge

    def _open(self, make: Callable[[], Triage]) -> None:
        self._wanted = make
        if self.knowledge is not None:
            self._open_wanted()
        elif not self.start.broken:
            self.start.say("Reading the rules… the case opens as soon as they are read.")

    def _open_wanted(self) -> None:
        from diagnose.screens.triage import TriageScreen

        make, self._wanted = self._wanted, None
        if make is None:
            return
        try:
            triage = make()
        except BadInput as error:
            self.show_problem(error)
            return

        def left(_: None) -> None:
            self.stop_reading()
            self.list_cases()

        self.push_screen(TriageScreen(triage), left)

    # -- rooms -------------------------------------------------------------------------------------------------------

    @property
    def triage_screen(self) -> TriageScreen | None:
        """The case at work, whatever room lies over it."""
        from diagnose.screens.triage import TriageScreen

        return next((s for s in reversed(self.screen_stack) if isinstance(s, TriageScreen)), None)

    def action_room(self, name: Name) -> None:
        """Go to a room from wherever one is."""
        if isinstance(self.screen, Room):
            if name == self.screen.NAME:
                return
            self.screen.dismiss(None)
        bench = self.triage_screen
        if name == "cases":
            if bench is not None:
                bench.dismiss(None)
        elif bench is not None:
            bench.open_room(name)
        else:
            self._open_room(name)

    def _open_room(self, name: Name) -> None:
        """Open a room over the cases, without a case: the job on a case that is kept nowhere."""
        if name == "job":
            from diagnose.screens.job import JobRoom
            from diagnose.triage import Triage

            self.loose = self.loose or Triage(self._known, None, self.network)
            self.push_screen(JobRoom(self.loose), self._left_loose)
        else:
            self.open_book(name, None)

    def _left_loose(self, _: object) -> None:
        self.stop_reading(self.loose)

    def open_book(self, name: Name, triage: Triage | None, left: Callable[[object], None] | None = None) -> None:
        """Open what is there with or without a case: the rules, the printer cards. ``left`` is told when it is left."""
        room: Room
        if name == "rules":
            from diagnose.screens.rules import RulesRoom

            assert self.network is not None
            room = RulesRoom(self._known, self.network, triage, self.rules)
        else:
            from diagnose.screens.printers import PrintersRoom

            room = PrintersRoom(self._known, triage, self.rules)
        self.push_screen(room, left)

    def check_action(self, action: str, parameters: tuple[object, ...]) -> bool | None:
        """Marks and a plan belong to a case; nothing but cases is there before the rules are read."""
        if action == "room":
            name, bench = parameters[0], self.triage_screen
            if isinstance(self.screen, Room) and name == self.screen.NAME:
                return False
            if name == "cases":
                return bench is not None
            return (self.knowledge is not None and (bench is not None or name not in ("marks", "plan"))) or None
        return super().check_action(action, parameters)

    def why_not(self, action: str) -> str:
        """Return why something cannot be done now."""
        if action != "room":
            return ""
        return "The rules are not read yet." if self.knowledge is None else "Open a case first: marks and plan belong to one."

    def show_problem(self, error: BadInput) -> None:
        """Say what does not work, and what helps."""
        from diagnose.screens.dialogs import problem_page

        self.push_screen(problem_page(error))

    def action_palette(self) -> None:
        """Find what to do or where to go by a few letters."""
        from diagnose.screens.palette import Doing, Palette, doings_of

        below = self.screen
        live = list(below.active_bindings.values())
        found = list(doings_of(live, self.get_key_display, lambda one: self.run_action(one.binding.action, one.node)))

        def opens(case: Case) -> Callable[[], object]:
            return lambda: self._switch_to(case.id)

        found += [Doing(f"Open: {look.plain(c.title) or c.id}", "case", opens(c)) for c in self.start.known]
        bench = self.triage_screen
        if bench is not None and self.knowledge is not None:
            found += [Doing(f"Answer: {step.ask}", "question", partial(bench.ask, step.id)) for step in bench.steps if step.kind == "question"]
            found += [
                Doing(f"Answer again: {g.ask}", "answered", partial(bench.ask, g.id))
                for g in bench.triage.given() if g.source in ("question", "test")
            ]  # fmt: skip
        if self.knowledge is not None:
            found += [Doing(f"Read: {c.name}", "cause", partial(self._read_of, c.id)) for c in self.knowledge.causes.values()]

        def chosen(doing: Doing | None) -> None:
            if doing is not None:
                self.call_next(doing.do)

        self.push_screen(Palette(found), chosen)

    def _switch_to(self, id: str) -> None:
        """Leave whatever is open for another case."""
        self.action_room("cases")
        self.call_after_refresh(self.start.post_message, CasesScreen.ResumeAsked(id))

    def _read_of(self, cause: str) -> None:
        """Show all that the rules say of a cause."""
        from diagnose.screens.pages import manual_page
        from diagnose.triage import Triage

        assert self.network is not None
        bench = self.triage_screen
        triage = bench.triage if bench else Triage(self._known, None, self.network)
        self.push_screen(manual_page(triage.cause(cause).name, triage.manual(cause)))

    def action_keys(self) -> None:
        """Show the keys that work on the screen below."""
        from diagnose.screens.pages import help_page

        live = self.screen.active_bindings
        active = [*live.values(), *self._sleeping(live)]
        self.push_screen(help_page(active, {a.binding.key: self.get_key_display(a.binding) for a in active}))

    def _sleeping(self, live: Mapping[str, ActiveBinding]) -> list[ActiveBinding]:
        """Return the keys of the screen that do nothing now: those left out, and those of bands without the focus."""
        awake = {(id(active.node), active.binding.id) for active in live.values()}
        shown = {active.binding.id for active in live.values()}
        nodes = [self.screen, *(w for w in self.screen.query("*") if w.can_focus and w.region.area)]
        return [
            ActiveBinding(node, binding, False, binding.tooltip)
            for node in nodes
            if type(node).__module__.startswith(__package__)
            for _, binding in node._bindings
            if binding.id and binding.id not in shown and (id(node), binding.id) not in awake
        ]

    def action_light(self) -> None:
        """Switch between the dark and the light look."""
        self.theme = look.LIGHT.name if self.theme == look.DARK.name else look.DARK.name


def run_app(rules: Sequence[Path], casebook_folder: Path | None, ascii_only: bool = False) -> int:
    """Run the app until the user leaves it; returns the exit status. ``ascii_only``: draw with the letters of ASCII.

    Raises BadInput where there is no terminal to draw on.
    """
    served = "TEXTUAL_DRIVER" in os.environ  # in a browser there is no terminal, and every letter
    if not served and (not all(stream.isatty() for stream in (sys.stdin, sys.stdout, sys.stderr)) or os.environ.get("TERM", "") == "dumb"):
        raise BadInput("the app needs a terminal to draw on", "`diagnose ask` is the same interview line by line")
    stream = sys.__stderr__  # where the toolkit writes
    plain = ascii_only or not (served or has_unicode(stream.encoding if stream else None))
    if isinstance(stream, io.TextIOWrapper):
        stream.reconfigure(errors="replace")  # a letter that is still missing spoils itself and nothing else
    app = DiagnoseApp(rules, casebook_folder, plain)
    app.run()
    return app.return_code or 0
