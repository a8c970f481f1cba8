"""The plan: what to try, in the order of least cost, what came of it, and how the ranking moves."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from functools import partial

from textual import on, work
from textual.app import ComposeResult
from textual.binding import Binding
from textual.content import Content
from textual.message import Message
from textual.widgets import OptionList, Static
from textual.worker import Worker, WorkerState

from diagnose.cases.book import Casebook
from diagnose.errors import BadInput
from diagnose.reasoning.trials import RESULTS
from diagnose.screens import look
from diagnose.screens.dialogs import Choose, problem_page
from diagnose.screens.pages import WHILE_DANGER, body
from diagnose.screens.rooms import Room
from diagnose.screens.rows import Rows
from diagnose.triage import Triage
from diagnose.triage.cure import follow_up
from diagnose.triage.explain import say_result
from diagnose.triage.plan import Plan, Planner, Step
from diagnose.triage.wording import decibans, percent

ORDER = "In the order that costs least on average. Enter records what came of a step."
REMAINS = "the fault is gone, but something else is wrong: go on with that as a case of its own"
GO_ON = "Something else is wrong with the part: go on with that as a case of its own"
NOTHING = (
    "Nothing that the rules know is worth trying before asking for help: answer more questions, or attach the job file."
)
WORKING = "Working the plan out…"
OVER = "The case is closed. b takes the result back."


class Steps(Rows):
    """The steps of the plan; of a closed case, the way on."""

    def __init__(self) -> None:
        super().__init__(id="plan-steps")
        self.draw: Sequence[Callable[[int], Content]] = ()

    def show(self, draw: Sequence[Callable[[int], Content]]) -> None:
        """Show the rows, each a function from width to text, with the cursor on the first."""
        self.draw = draw
        self.show_rows(len(draw), 0 if draw else None)
        self.scroll_home(animate=False)

    def row(self, index: int, width: int) -> Content:
        """Return one step."""
        return self.draw[index](width)


class PlanRoom(Room):
    """What to try next. Closes with the question of a test whose result is wanted, or with the case of what remains."""

    NAME = "plan"

    DEFAULT_CSS = """
    PlanRoom > #plan-about { height: auto; padding: 0 2; margin: 1 0; color: $quiet; }
    PlanRoom > Steps { margin: 0 1; }
    """

    BINDINGS = [
        Binding("b", "undo", "Undo", id="undo-result", tooltip="Undo the last thing done, step by step."),
    ]

    def __init__(self, triage: Triage) -> None:
        super().__init__(id="plan-room")
        self.triage = triage
        self.plan: Sequence[Step] = ()
        self.moved = False
        """Whether to say how the ranking moved."""

    def compose_room(self) -> ComposeResult:
        """Lay out what is to be said, and the steps."""
        yield Static(id="plan-about", markup=False)
        yield Steps()

    def head_line(self) -> tuple[str, str]:
        """Return what this is, and of which case."""
        return "What to try", look.plain(self.triage.case.title)

    class Planned(Message):
        """The plan was worked out."""

        def __init__(self, plan: Plan, beside: float | None, events: int) -> None:
            super().__init__()
            self.plan, self.beside, self.events = plan, beside, events

    def on_mount(self) -> None:
        """Show the plan."""
        self.show_plan()
        self.query_one(Steps).focus()

    def show_plan(self, moved: bool = False) -> None:
        """Make the plan anew; ``moved`` says how the ranking moved too."""
        triage = self.triage
        self.moved = moved
        if triage.case.cured:
            self.plan = ()
            self._say([self._cured_by(), Content(OVER)])
            self._show_steps()
        else:
            self._say([Content(WORKING)])
            self.work_out(triage.case.events)
        self.refresh_bindings()

    @work(thread=True, exclusive=True, exit_on_error=False, group="plan")
    def work_out(self, events: int) -> None:
        """Work the plan out on a thread of its own: it weighs hundreds of orders."""
        planner = Planner(self.triage)
        plan = planner.plan()
        beside = planner.compared().popularity if plan.along() else None
        self.post_message(self.Planned(plan, beside, events))

    def on_worker_state_changed(self, event: Worker.StateChanged) -> None:
        """Say where the plan could not be made."""
        if event.state is WorkerState.ERROR:
            event.stop()
            self._say([Content(look.plain(f"The plan could not be made: {event.worker.error}"))])

    def on_plan_room_planned(self, event: Planned) -> None:
        """Show the plan, unless something was said meanwhile."""
        triage = self.triage
        if event.events != triage.case.events:
            return
        self.plan = event.plan.along()
        said: list[Content] = [Content(WHILE_DANGER)] if triage.alarms() else []
        if not self.plan:
            said.append(Content(NOTHING))
        else:
            beside = f", {event.beside:.0f} in the order people commonly try things" if event.beside is not None else ""
            said.append(Content(f"{ORDER} Expected to cost {event.plan.cost:.0f} until cured{beside}."))
        if self.moved:
            first = triage.ranking()[0]
            change = f" ({decibans(first.change).replace(' ', '')} dB)" if abs(first.change) >= look.LEAST else ""
            said.append(look.styled(f"First now: {first.name}, {percent(first.probability)}{change}", look.BOLD))
        self._say(said)
        self._show_steps()

    def _say(self, said: Sequence[Content]) -> None:
        self.query_one("#plan-about", Static).update(look.lines(said))

    def _show_steps(self) -> None:
        rows: list[Callable[[int], Content]] = [partial(step_row, n, step) for n, step in enumerate(self.plan, 1)]
        if self.triage.case.cured and self.triage.journal is not None:
            rows = [lambda width: look.lines(look.fold(GO_ON, width))]
        self.query_one(Steps).show(rows)

    def _cured_by(self) -> Content:
        cured, knowledge = self.triage.case.cured, self.triage.knowledge
        assert cured is not None
        remedy = knowledge.remedies.get(cured.remedy)
        causes = "; or ".join(knowledge.causes[c].name if c in knowledge.causes else c for c in cured.causes)
        said = [look.styled(f"Cured by: {remedy.name if remedy else cured.remedy}", look.BOLD)]
        if causes:
            said.append(Content(look.sentence(f"So the cause was: {look.plain(causes)}")))
        if remedy and remedy.gives_up:
            said.append(Content(look.plain(f"It gives up: {remedy.gives_up}")))
        return look.lines(said)

    @on(OptionList.OptionSelected)
    def take_row(self, event: OptionList.OptionSelected) -> None:
        """Ask what came of the step under the cursor."""
        event.stop()
        if self.triage.case.cured:
            self._go_on()
            return
        step = self.plan[event.option_index]
        if step.kind == "test":
            self.dismiss(self.triage.knowledge.tests[step.id].question)
            return
        choices = [say_result(result) for result in RESULTS] + ([REMAINS] if self.triage.journal else [])
        draw = [partial(_choice, text) for text in choices]
        about = f"CAUTION: {step.what.caution}" if step.what.caution else "It is recorded, and the plan made anew."
        self.app.push_screen(
            Choose(f"What came of it: {look.plain(step.name)}", look.plain(about), draw), partial(self._came, step.id)
        )

    def _came(self, remedy: str, index: int | None) -> None:
        if index is None:
            return
        if self._do(partial(self.triage.try_remedy, remedy, RESULTS[index] if index < len(RESULTS) else RESULTS[0])):
            if index == len(RESULTS):
                self._go_on()
            else:
                self.show_plan(moved=True)

    def _go_on(self) -> None:
        journal = self.triage.journal
        if journal is not None:
            self._do(lambda: self.dismiss(follow_up(self.triage, Casebook(journal.path.parent))))

    def _do(self, what: Callable[[], object]) -> bool:
        try:
            what()
        except BadInput as error:
            self.app.push_screen(problem_page(error))
            return False
        return True

    def action_undo(self) -> None:
        """Undo the last thing done."""
        if self._do(self.triage.undo):
            self.show_plan(moved=True)

    def why_not(self, action: str) -> str:
        """Return why something cannot be done now."""
        return "There is nothing to undo." if action == "undo" else ""

    def check_action(self, action: str, parameters: tuple[object, ...]) -> bool | None:
        """There must be something to undo."""
        if action == "undo":
            return self.triage.case.events > 0 or None
        return super().check_action(action, parameters)


def step_row(number: int, step: Step, width: int) -> Content:
    """Return one step: what to do, what it costs and gives up, what it is against, what to mind."""
    kind = "Test" if step.kind == "test" else "Try"
    chance = f"  ends it with {percent(step.probability)}" if step.kind == "remedy" else ""
    name = Content.assemble((f"{kind}: {look.plain(step.name)}", "bold"), (chance, look.QUIET))
    parts = [look.hang(Content.styled(f"{number:>2} ", look.ACCENT), name, width), *body(step.what, width)]
    if reads := getattr(step.what, "how_to_read", ""):
        parts.append(look.hang(Content("   How to read it: "), reads, width))
    if step.cures:
        named = ", ".join(f"{name} ({percent(share)})" for name, share in step.cures[:3])
        parts.append(
            look.hang(Content("   Tells of: " if step.kind == "test" else "   Against: "), named, width, look.QUIET)
        )
    return look.lines(parts)


def _choice(text: str, width: int) -> Content:
    return look.lines(look.fold(look.sentence(text), width))
