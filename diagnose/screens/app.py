"""The app: one screen to choose a case, one to work on it."""

from __future__ import annotations

import os
import sys
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from textual import work
from textual.app import App
from textual.binding import ActiveBinding, Binding
from textual.message import Message
from textual.worker import Worker, WorkerState

from diagnose.cases.book import Casebook
from diagnose.cases.journal import Case
from diagnose.errors import BadInput
from diagnose.folders import own_casebook
from diagnose.screens import look
from diagnose.screens.rows import LEAST_SIZE
from diagnose.screens.start import StartScreen

if TYPE_CHECKING:
    from diagnose.knowledge.pack import Knowledge
    from diagnose.reasoning.network import Network
    from diagnose.triage import Triage


class DiagnoseApp(App[int]):
    """`rules`: packs laid over the built-in one; `casebook`: where cases are kept."""

    TITLE = "diagnose"
    ENABLE_COMMAND_PALETTE = False
    CSS = """
    Screen.-slim > *, Screen.-low > * { display: none; }
    Screen.-slim > TooSmall, Screen.-low > TooSmall { display: block; }
    DiagnoseApp:nocolor Rows:focus > .option-list--option-highlighted { background: $line; }
    """
    """Without colour the band with the focus is told by a lighter row under the cursor; the mark is there anyway."""

    HORIZONTAL_BREAKPOINTS = [(0, "-slim"), (LEAST_SIZE[0], "-narrow"), (120, "-wide")]
    VERTICAL_BREAKPOINTS = [(0, "-low"), (LEAST_SIZE[1], "-high")]

    BINDINGS = [
        Binding("question_mark,f1", "keys", "Keys", key_display="?", id="help", tooltip="The keys that work here."),
        Binding("f2", "light", "Light or dark", show=False, id="switch-light",
                tooltip="Switch between a dark screen and a light one."),
        Binding("ctrl+q,ctrl+c", "quit", "Quit", show=False, priority=True, id="quit-at-once",
                tooltip="Leave at once. Every case is saved."),
    ]  # fmt: skip

    class RulesRead(Message):
        """The rules were read and made ready."""

        def __init__(self, knowledge: Knowledge, network: Network) -> None:
            super().__init__()
            self.knowledge, self.network = knowledge, network

    class CasesListed(Message):
        """The open cases were listed."""

        def __init__(self, cases: Sequence[Case]) -> None:
            super().__init__()
            self.cases = cases

    def __init__(self, rules: Sequence[Path] = (), casebook: Path | None = None) -> None:
        super().__init__()
        self.rules = list(rules)
        self.casebook = Casebook(casebook or own_casebook())
        self.knowledge: Knowledge | None = None
        self.network: Network | None = None
        self._wanted: Callable[[], Triage] | None = None
        for theme in (look.DARK, look.LIGHT):
            self.register_theme(theme)
        self.theme = look.DARK.name
        self.animation_level = "none"
        self.start = StartScreen()

    def get_theme_variable_defaults(self) -> dict[str, str]:
        """Return our own colours, for themes that lack them."""
        return dict(look.DARK.variables)

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
        """List the open cases."""
        self.post_message(self.CasesListed(self.casebook.cases()))

    @work(thread=True, exclusive=True, exit_on_error=False, group="rules")
    def read_rules(self) -> None:
        """Read, lay and check the rules, and make the network ready."""
        from diagnose.triage import Triage, knowledge_from

        knowledge = knowledge_from(self.rules)
        self.post_message(self.RulesRead(knowledge, Triage(knowledge).network))

    def on_diagnose_app_cases_listed(self, event: CasesListed) -> None:
        """Show the open cases."""
        self.start.show_cases(event.cases)

    def on_diagnose_app_rules_read(self, event: RulesRead) -> None:
        """Say what is known, and open the case that was waiting."""
        self.knowledge, self.network = event.knowledge, event.network
        self.start.say(f"{len(event.knowledge.causes)} causes and {len(event.knowledge.questions)} questions are known.")
        self._open_wanted()

    def on_worker_state_changed(self, event: Worker.StateChanged) -> None:
        """The one door for work that failed."""
        if event.state is not WorkerState.ERROR:
            return
        error = event.worker.error
        self._wanted = None
        if isinstance(error, BadInput):
            hint = f"\nWhat helps: {look.sentence(error.hint)}" if error.hint else ""
            self.start.say(f"The rules cannot be used. {error}.{hint}", broken=True)
        else:
            self.start.say(f"This failed: {type(error).__name__}: {error}", broken=event.worker.group == "rules")

    def on_start_screen_new_asked(self, event: StartScreen.NewAsked) -> None:
        """Start a case."""
        from diagnose.triage import Triage

        title = event.title
        self._open(lambda: Triage.start(self._known, self.casebook, title, self.network))

    def on_start_screen_resume_asked(self, event: StartScreen.ResumeAsked) -> None:
        """Go on with a case."""
        from diagnose.triage import Triage

        id = event.id
        self._open(lambda: Triage.resume(self._known, self.casebook, id, self.network))

    def on_start_screen_rules_asked(self, event: StartScreen.RulesAsked) -> None:
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
            self.list_cases()

        self.push_screen(TriageScreen(triage), left)

    def show_problem(self, error: BadInput) -> None:
        """Say what does not work, and what helps."""
        from diagnose.screens.dialogs import problem_page

        self.push_screen(problem_page(error))

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


def run_app(rules: Sequence[Path], casebook_folder: Path | None) -> int:
    """Run the app until the user leaves it; returns the exit status.

    Raises BadInput where there is no terminal to draw on.
    """
    if not all(stream.isatty() for stream in (sys.stdin, sys.stdout, sys.stderr)) or os.environ.get("TERM", "") == "dumb":
        raise BadInput("the app needs a terminal to draw on", "`diagnose ask` is the same interview line by line")
    app = DiagnoseApp(rules, casebook_folder)
    app.run()
    return app.return_code or 0
