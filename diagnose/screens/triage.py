"""One case at work: the question, the suspects, why, and what was answered."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from functools import partial
from typing import TYPE_CHECKING

from textual import events
from textual.app import ComposeResult
from textual.binding import Binding
from textual.containers import Container, Vertical
from textual.content import Content
from textual.screen import Screen
from textual.widgets import Static

from diagnose.errors import BadInput
from diagnose.reasoning.inquiry import ENOUGH as LEADS
from diagnose.screens import look, pages, sayings
from diagnose.screens.bands import share_height
from diagnose.screens.dialogs import MAKE_SAFE, Alarm, Choose, alarm_text, problem_page, text_page
from diagnose.screens.given import MARKS, GivenPage
from diagnose.screens.job import JobRoom
from diagnose.screens.marks import MarksRoom
from diagnose.screens.panels import GivenList, LedgerPanel, SuspectList, SuspectsPanel
from diagnose.screens.plan import PlanRoom
from diagnose.screens.question import QuestionPanel
from diagnose.screens.reading import Reading
from diagnose.screens.rooms import BETWEEN_BANDS, DOORS, Name, Room
from diagnose.screens.rows import KeyLine, SaysWhyNot, TooSmall
from diagnose.triage import Given, NextStep, Triage
from diagnose.triage.similar import similar_to
from diagnose.triage.wording import times

if TYPE_CHECKING:
    from diagnose.screens.app import DiagnoseApp

IN_SHORT = "? There is something to look at again"
"""In place of a warning of which no part fits on a line."""


class TriageScreen(SaysWhyNot, Screen[None]):
    """A case in progress. It only asks `Triage` and shows what it says."""

    DEFAULT_CSS = """
    TriageScreen { background: $background; }
    TriageScreen > #head { height: 1; padding: 0 1; color: $quiet; }
    TriageScreen > #notice { height: auto; padding: 0 1; color: $foreground; background: $panel; }
    TriageScreen #body { height: 1fr; layout: vertical; }
    TriageScreen #given-band { display: none; }
    TriageScreen #suspects { height: 6; }
    TriageScreen #ledger { height: 6; }
    TriageScreen.-wide #body { layout: horizontal; }
    TriageScreen.-wide .band, TriageScreen.-wide #suspects, TriageScreen.-wide #ledger { height: 100%; }
    TriageScreen.-wide AnswerList { margin-top: 1; }
    TriageScreen.-wide #given-band { display: block; width: 1fr; }
    TriageScreen.-wide #question { width: 1.5fr; border-left: solid $line; }
    TriageScreen.-wide #suspects { width: 1.3fr; border-left: solid $line; }
    TriageScreen.-wide #ledger { width: 1.4fr; border-left: solid $line; padding: 0 0 0 1; display: block; }
    """

    BINDINGS = [
        *(
            Binding(str(n), f"digit('{n}')", "Answer", show=False, id=f"answer-{n}",
                    tooltip="The answer of that number, or a tick on it; of a long list, two digits or enter.")
            for n in range(1, 10)
        ),
        Binding("0", "digit('0')", "Can't tell", show=False, id="answer-unknown",
                tooltip="You can't tell: it counts neither for nor against."),
        Binding("b", "undo", "Undo", id="undo", tooltip="Undo the last thing done, step by step."),
        Binding("a", "given", "Answers", id="answers-given", tooltip="What you answered; change or take back any of it."),
        Binding("j", "app.room('job')", "Job", id="attach-job", tooltip=DOORS["job"].about),
        Binding("m", "app.room('marks')", "Marks", id="measure-marks", tooltip=DOORS["marks"].about),
        Binding("t", "tests", "Tests", id="tests", tooltip="How to confirm and cure the suspect under the cursor."),
        Binding("c", "app.room('plan')", "Cure", id="plan", tooltip=DOORS["plan"].about),
        Binding("s", "steps", "Steps", id="next-steps", tooltip="Everything worth looking at next; choose another question."),
        Binding("n", "skip", "Not now", show=False, id="skip", tooltip="Another question first; this one comes again when there is no better one."),
        Binding("q", "leave", "Back", id="back", tooltip="Back to the cases. The case is saved after every answer."),
        Binding("l", "ledger", "Ledger", id="whole-ledger", tooltip="Everything for and against the suspect under the cursor."),
        Binding("k", "similar", "Like this", show=False, id="similar-cases", tooltip="Solved cases like this one, and what cured them."),
        Binding("w", "why", "Why", id="why-asked", tooltip="Why this question is asked: what it tells, and what apart."),
        Binding("escape", "step_back", "Step back", show=False, id="step-back",
                tooltip="Drop digits typed so far, or a question you chose, or go back to the cases."),
        Binding("d", "doubts", "Doubts", show=False, id="doubts", tooltip="What to do or look at again before believing the ranking."),
        Binding("left", "suspect(-1)", "Suspect before", show=False, id="suspect-before",
                tooltip="Move the cursor to the suspect before this one."),
        Binding("right", "suspect(1)", "Next suspect", show=False, id="suspect-after",
                tooltip="Move the cursor to the next suspect."),
        *BETWEEN_BANDS,
    ]  # fmt: skip

    def __init__(self, triage: Triage) -> None:
        super().__init__(id="triage")
        self.triage = triage
        self.steps: Sequence[NextStep] = ()
        self.doubts: Sequence[str] = ()
        self.alarms: Sequence[str] = ()
        self.chosen_cause: str | None = None
        """The suspect the user put the cursor on; None while it follows the first one."""
        self.chosen_question: str | None = None
        """A question the user chose instead of the proposed one."""
        self.later: set[str] = set()
        """Questions put off."""
        self.acknowledged: set[str] = set()
        self.shown_events = 0
        """Events of the case when it was shown last."""
        self._notice_lines = 0

    def compose(self) -> ComposeResult:
        """Lay out the bands; the style sheet stacks them or puts them side by side."""
        yield Static(id="head", markup=False)
        yield Static(id="notice", markup=False)
        with Container(id="body"):
            with Vertical(id="given-band", classes="band") as band:
                band.border_title = "Answers given"
                yield GivenList(id="given")
            question = QuestionPanel()
            question.add_class("band")
            yield question
            yield SuspectsPanel(id="suspects", classes="band")
            ledger = LedgerPanel()
            ledger.add_class("band")
            yield ledger
        yield KeyLine()
        yield TooSmall()

    def on_mount(self) -> None:
        """Show the case as it stands."""
        self.show_case()
        self.reader.reading_changed.subscribe(self, self._reading_changed)
        self.query_one(QuestionPanel).answers.focus()

    # -- what is shown -----------------------------------------------------------------------------------------------

    def show_case(self, hold: bool = False) -> None:
        """Show everything anew after a change; ``hold``: all but the question, which somebody may be answering."""
        triage = self.triage
        self.shown_events = triage.case.events
        self.steps = triage.next_steps()
        self.doubts, self.alarms = triage.doubts(), triage.alarms()
        self.set_class(not triage.case.answers and triage.case.job is None, "-fresh")
        self._show_suspects()
        self._show_ledger()
        self.query_one("#given", GivenList).show(triage.given())
        if not hold:
            self._show_question()
        self._show_head()
        self._show_notice()
        self.refresh_bindings()
        self._sound_alarms()

    def _show_suspects(self) -> None:
        changed = bool(self.triage.case.answers or self.triage.case.job or self.triage.case.marks)
        self.query_one(SuspectsPanel).show(
            self.triage.ranking(), self.cause, self.triage.unexplained, self.triage.unexplained_change, changed, len(similar_to(self.triage))
        )

    def _show_ledger(self) -> None:
        cause = self.triage.cause(self.cause)
        self.query_one(LedgerPanel).show(cause.name, self.triage.ledger(cause.id), self._asked())

    def _show_question(self) -> None:
        panel = self.query_one(QuestionPanel)
        open_steps = [s for s in self.steps if s.kind == "question"]
        step = next((s for s in open_steps if s.id not in self.later), None) or next(iter(open_steps), None)
        asked = self.chosen_question or (step.id if step else None)
        if self.triage.case.cured and asked is None:
            panel.finish(sayings.CLOSED + self._cure(), sayings.OF_CLOSED)
            self.query_one(SuspectList).focus()
            return
        if asked is None:
            leads = self.triage.ranking()[0].probability >= LEADS
            kinds = {s.kind for s in self.steps}
            more = [words for kind, words in (("job", sayings.THE_JOB), ("marks", sayings.THE_MARKS)) if kind in kinds]
            said = [sayings.OF_A_LEADER if leads else sayings.OF_NO_LEADER, *more, sayings.WHAT_ELSE]
            panel.finish(sayings.NOTHING_LEFT + (sayings.THE_CURE if leads else ""), "; ".join(said))
            self.query_one(SuspectList).focus()
            return
        was_empty = panel.question is None
        answers = self.triage.case.answers
        known = next((s for s in self.steps if s.id == asked), None)
        panel.ask(self.triage.question(asked), known, asked in answers, answers.get(asked))
        if was_empty or self.chosen_question:
            panel.answers.focus()

    def _share_height(self) -> None:
        share_height(self, self._notice_lines)

    def _show_head(self) -> None:
        case = self.triage.case
        count = len(case.answers)
        state = f"{count} answer{'' if count == 1 else 's'}"
        reading = self.reader.reading_of(self.triage)
        if reading is not None and not reading.again:
            state += ", job not read: j" if reading.problem else f", reading the job {100 * reading.done:.0f} %"
        elif case.job:
            state += ", job read"
        if case.tried:
            state += ", cured" if case.cured else f", {times(len(case.tried), 'remedy', 'remedies')} tried"
        if case.marks:
            state += ", marks" if case.weighed else ", marks wait for the job"
        title = Content.styled(look.plain(case.title) or case.id, look.BOLD)
        width = max(self.app.size.width - 2, 20)
        self.query_one("#head", Static).update(look.spread(title, Content(f"{state}, saved"), width), layout=False)

    def _show_notice(self) -> None:
        said = [f"▲ {MAKE_SAFE}: {alarm_text(alarm)}" for alarm in self.alarms[:1]]
        said += [f"? {look.plain(doubt)}" for doubt in self.doubts[:1]]
        clear = self.triage.ranking()[0].probability >= LEADS or not any(s.kind == "question" for s in self.steps)
        if not said and self.triage.case.answers and self.steps and clear:
            said.append(sayings.ENOUGH)
        notice = self.query_one("#notice", Static)
        hidden = len(self.alarms) > 1 or len(self.doubts) > 1
        notice.update(look.lines(self._short(text, hidden) for text in said))
        notice.display = bool(said)
        self._notice_lines = len(said)
        self._share_height()

    def _short(self, text: str, hidden: bool) -> Content:
        """Return a warning on one line: whole, or its first part that is whole, and the key that shows the rest."""
        width = max(self.app.size.width - 2, 20)
        if not hidden and Content(text).cell_length <= width:
            return Content(text)
        more = Content.styled("d: all of it", look.ACCENT)
        return look.spread(Content(look.whole(text, width - more.cell_length - 2) or IN_SHORT), more, width)

    @property
    def cause(self) -> str:
        """The suspect that ledger and tests are about."""
        return self.chosen_cause or self.triage.ranking()[0].id

    def _asked(self) -> dict[str, str]:
        return {given.id: given.ask for given in self.triage.given()}

    def on_resize(self, event: events.Resize) -> None:
        """Fold head and notice for the new size, and give the keys back to the answers that were out of sight."""
        self._show_head()
        self._show_notice()
        if self.focused is None:
            panel = self.query_one(QuestionPanel)
            self.call_after_refresh((panel.answers if panel.question else self.query_one(SuspectList)).focus)

    # -- what the user does ------------------------------------------------------------------------------------------

    def _do(self, what: Callable[[], object]) -> bool:
        """Do one thing to the case and show what follows; say so where it cannot be done."""
        try:
            what()
        except BadInput as error:
            self.app.push_screen(problem_page(error))
            return False
        self.chosen_question = None
        self.show_case()
        return True

    def on_question_panel_answered(self, event: QuestionPanel.Answered) -> None:
        """Put an answer on the case."""
        if event.answers is None:
            self._do(partial(self.triage.unknown, event.question))
        else:
            self._do(partial(self.triage.answer, event.question, *event.answers))

    def on_suspect_list_chosen(self, event: SuspectList.Chosen) -> None:
        """Show the ledger of the suspect under the cursor; on the first, follow whoever is first."""
        self.chosen_cause = None if event.cause == self.triage.ranking()[0].id else event.cause
        self._show_ledger()

    def on_suspect_list_opened(self, event: SuspectList.Opened) -> None:
        """Show the whole ledger."""
        self.action_ledger()

    def on_given_list_change_asked(self, event: GivenList.ChangeAsked) -> None:
        """Ask a question again."""
        self._choose_question(event.question)

    def on_given_list_take_back_asked(self, event: GivenList.TakeBackAsked) -> None:
        """Take an answer back."""
        self._take_back(event.given)

    def _take_back(self, given: Given) -> Sequence[Given]:
        if given.source == "finding":
            self._do(self.triage.detach)
        elif given.source == "marks":
            self._do(self.triage.drop_marks)
        elif given.source == "remedy":
            self._do(partial(self.triage.forget_trial, given.id))
        else:
            self._do(partial(self.triage.take_back, given.id))
        return self.triage.given()

    def ask(self, question: str) -> None:
        """Come back from whatever room lies over the case, and ask a question."""
        if self.app.screen is not self:
            self.app.screen.dismiss(None)
        self._choose_question(question)

    def _choose_question(self, question: str | None) -> None:
        if question is not None:
            self.chosen_question = question
            self._show_question()
            self._share_height()

    def _sound_alarms(self) -> None:
        alarms = [a for a in self.alarms if a not in self.acknowledged]
        if not alarms:
            return

        def heard(safe: bool | None) -> None:
            if safe:
                self.acknowledged.update(alarms)
                return
            for id, given in list(self.triage.case.answers.items()):
                if any(a.id in (given or ()) and a.stop in alarms for a in self.triage.question(id).answers):
                    self._do(partial(self.triage.take_back, id))

        self.app.push_screen(Alarm(alarms), heard)

    def action_digit(self, digit: str) -> None:
        """Answer by number."""
        self.query_one(QuestionPanel).type_digit(digit)

    def action_undo(self) -> None:
        """Undo the last thing done."""
        self._do(self.triage.undo)

    def action_skip(self) -> None:
        """Put the question off."""
        panel = self.query_one(QuestionPanel)
        if panel.question is not None:
            self.later.add(panel.question.id)
            if not [s for s in self.steps if s.kind == "question" and s.id not in self.later]:
                self.later = {panel.question.id}  # all were put off: they come round again
            self.chosen_question = None
            self._show_question()
            self._share_height()

    def action_why(self) -> None:
        """Say why the question is asked."""
        panel = self.query_one(QuestionPanel)
        if panel.question is not None:
            self.app.push_screen(pages.why_page(panel.question, panel.step))

    def action_given(self) -> None:
        """Go to the answers given: their own band where there is one, else a page."""
        if self.has_class("-wide"):
            self.query_one("#given").focus()
        else:
            def chosen(question: str | None) -> None:
                if question == MARKS:
                    self.open_room("marks")
                else:
                    self._choose_question(question)

            self.app.push_screen(GivenPage(self.triage.given(), self._take_back), chosen)

    def open_room(self, name: Name) -> None:
        """Open a room for this case; what it closes with is what to do next."""
        if name == "job":
            self.app.push_screen(JobRoom(self.triage), self._back)
        elif name == "marks":
            self.app.push_screen(MarksRoom(self.triage), self._back)
        elif name == "plan":
            self.app.push_screen(PlanRoom(self.triage), self._back)
        else:
            self.reader.open_book(name, self.triage, self._back)

    def _back(self, chosen: object) -> None:
        """Show the case as a room left it; go on with the question, or with the case, that the room closed with."""
        if isinstance(chosen, Triage):
            self.triage, self.chosen_cause, self.acknowledged = chosen, None, set()
        if self.triage.case.events != self.shown_events or isinstance(chosen, Triage):
            self.chosen_question = None
            self.show_case()
        else:
            self._show_head()
        if isinstance(chosen, str):
            self._choose_question(chosen)

    @property
    def reader(self) -> DiagnoseApp:
        """The app, which reads job files and opens rooms."""
        from diagnose.screens.app import DiagnoseApp

        assert isinstance(self.app, DiagnoseApp)
        return self.app

    def _reading_changed(self, reading: Reading | None) -> None:
        """Tell how far a job file is read; when it is read, let the question stand that somebody may be answering."""
        if not self.is_mounted or any(isinstance(screen, Room) for screen in self.app.screen_stack):
            return  # the room tells it, and `_back` shows what came
        self._show_head()
        if reading is None and self.triage.case.events != self.shown_events:
            panel = self.query_one(QuestionPanel)
            if panel.question is not None:
                self.chosen_question = panel.question.id
            self.show_case(hold=panel.question is not None)
            self.query_one(KeyLine).say(sayings.JOB_READ, news=True)

    def on_given_list_marks_asked(self, event: GivenList.MarksAsked) -> None:
        """Show the marks."""
        event.stop()
        self.open_room("marks")

    def action_tests(self) -> None:
        """Show how to confirm and cure the suspect under the cursor."""
        cause = self.triage.cause(self.cause)
        tests, remedies = self.triage.confirming(cause.id), self.triage.remedies(cause.id)
        page = pages.CurePage(cause, tests, remedies, self.triage.case.tried, danger=bool(self.triage.alarms()))
        self.app.push_screen(page, self._choose_question)

    def _cure(self) -> str:
        cured, remedies = self.triage.case.cured, self.triage.knowledge.remedies
        return remedies[cured.remedy].name if cured and cured.remedy in remedies else ""

    def action_steps(self) -> None:
        """Choose another question, or the job."""
        steps = self.steps

        def chosen(index: int | None) -> None:
            if index is not None and steps[index].kind == "job":
                self.open_room("job")
            elif index is not None and steps[index].kind == "marks":
                self.open_room("marks")
            elif index is not None:
                self._choose_question(steps[index].id)

        about = "In the order in which it is best looked at. Enter takes a row."
        self.app.push_screen(Choose("Worth looking at next", about, pages.steps_rows(steps)), chosen)

    def action_ledger(self) -> None:
        """Show everything for and against the suspect under the cursor."""
        cause = self.triage.cause(self.cause)
        share = next(s.probability for s in self.triage.ranking() if s.id == cause.id)
        lines, manual = self.triage.ledger(cause.id), partial(self.triage.manual, cause.id)
        self.app.push_screen(pages.ledger_page(cause, lines, self._asked(), share, manual))

    def action_similar(self) -> None:
        """Show solved cases like this one."""
        self.app.push_screen(pages.similar_page(similar_to(self.triage), self.triage.knowledge))

    def action_doubts(self) -> None:
        """Say all alarms and doubts."""
        said = [Content.assemble((f"▲ {MAKE_SAFE}: ", "bold $alarm"), alarm_text(a)) for a in self.alarms]
        self.app.push_screen(text_page("Before you believe the ranking", [*said, *self.doubts]))

    def action_suspect(self, by: int) -> None:
        """Move the cursor among the suspects from anywhere."""
        self.query_one(SuspectList).move(by)

    def action_step_back(self) -> None:
        """One step back: digits, a chosen question, then the case itself."""
        if self.query_one(QuestionPanel).forget_digits():
            return
        if self.chosen_question is not None:
            self.chosen_question = None
            self._show_question()
            self._share_height()
        else:
            self.action_leave()

    def action_leave(self) -> None:
        """Back to the cases."""
        self.dismiss(None)

    def why_not(self, action: str) -> str:
        """Return why something cannot be done now."""
        return sayings.WHY_NOT.get(action, "")

    def check_action(self, action: str, parameters: tuple[object, ...]) -> bool | None:
        """Grey what cannot be done now."""
        case = self.triage.case
        if action == "undo":
            return case.events > 0 or None
        if action == "given":
            return bool(case.answers or case.job or case.tried or case.marks) or None
        if action == "steps":
            return bool(self.steps) or None
        if action == "skip":
            return sum(s.kind == "question" for s in self.steps) > 1 or None
        if action == "doubts":
            return bool(self.doubts or self.alarms) or None
        if action in ("why", "digit") and not (self.is_mounted and self.query_one(QuestionPanel).question):
            return None
        if action == "digit" and (self.has_class("-slim") or self.has_class("-low")):
            return None  # nobody answers what cannot be seen
        return super().check_action(action, parameters)
