"""The question on the table: how to look, what it tells apart, and its answers with their small pictures."""

from __future__ import annotations

from collections.abc import Sequence

from textual import events
from textual.app import ComposeResult
from textual.binding import Binding
from textual.containers import Vertical
from textual.content import Content
from textual.message import Message
from textual.widgets import OptionList, Static

from diagnose.knowledge.models import Question
from diagnose.screens import look
from diagnose.screens.rows import Rows
from diagnose.triage import NextStep

CANNOT_TELL = "I can't tell"
TELLS_APART = "Tells apart: "
"""Before the two causes an answer separates best, on one line of a small screen; the page behind *why* has all."""


class AnswerList(Rows):
    """The answers of one question, numbered, and *can't tell* at the end."""

    DEFAULT_CSS = "AnswerList { min-height: 0; }"

    BINDINGS = [
        Binding("space", "tick", "Tick", key_display="space", id="tick-answer",
                tooltip="Tick or untick this answer. Several may hold; enter hands them in."),
    ]  # fmt: skip

    class Ticked(Message):
        """An answer of a question that takes several was ticked or unticked."""

    class Scrolled(Message):
        """Other answers are in sight."""

    def __init__(self) -> None:
        super().__init__(id="answers")
        self.question: Question | None = None
        self.ticked: set[str] = set()
        self.now: tuple[str, ...] | None = None
        self.answered = False
        self.pictures_below = True
        """Whether a picture that does not fit beside its answer stands below it."""

    def ask(self, question: Question, answered: bool, now: tuple[str, ...] | None) -> None:
        """Show the answers of a question; `now` are those on the case where it was answered, None for unknown."""
        self.question, self.answered, self.now = question, answered, now
        self.ticked = set(now or ()) if question.kind == "several" else set()
        ids = [a.id for a in question.answers]
        start = ids.index(now[0]) if now and question.kind == "one" else len(ids) if answered and now is None else 0
        self.show_rows(len(ids) + 1, start)
        self.refresh_bindings()

    def tick(self, index: int) -> None:
        """Tick or untick an answer."""
        if self.question is None or index >= len(self.question.answers):
            return
        self.ticked ^= {self.question.answers[index].id}
        self.show_rows(self.count, index)
        self.post_message(self.Ticked())

    def action_tick(self) -> None:
        """Tick the answer under the cursor."""
        if self.highlighted is not None:
            self.tick(self.highlighted)

    def check_action(self, action: str, parameters: tuple[object, ...]) -> bool | None:
        """Ticking makes sense only where several answers may hold."""
        if action == "tick":
            return self.question is not None and self.question.kind == "several"
        return super().check_action(action, parameters)

    def spare_pictures(self, below: bool) -> None:
        """Show pictures below their answers, or leave those out where lines are scarce."""
        if below != self.pictures_below:
            self.pictures_below = below
            self.show_rows(self.count, self.highlighted)

    def heights(self, width: int) -> list[int]:
        """Return the lines that each answer takes where `width` cells are left for text."""
        inner = max(width - len(f"{self.MARK} "), 1)
        return [self.row(i, inner).plain.count("\n") + 1 for i in range(self.count)]

    def out_of_sight(self) -> tuple[int, int]:
        """Return how many answers are not wholly in sight, above and below."""
        room = self.scrollable_content_region
        top = round(self.scroll_y)
        above = below = end = 0
        for height in self.heights(room.width):
            start, end = end, end + height
            above += start < top
            below += start >= top and end > top + room.height
        return above, below

    def on_resize(self) -> None:
        """Tell that other answers are in sight."""
        self.post_message(self.Scrolled())

    def watch_scroll_y(self, old_value: float, new_value: float) -> None:
        """Tell that other answers are in sight."""
        super().watch_scroll_y(old_value, new_value)
        self.post_message(self.Scrolled())

    def row(self, index: int, width: int) -> Content:
        """Return one answer: number, tick, picture and words."""
        assert self.question is not None
        digits = len(str(len(self.question.answers)))
        if index == len(self.question.answers):
            given = "  (said before)" if self.answered and self.now is None else ""
            return Content.assemble((f"{0:>{digits}}", look.ACCENT), "  ", (CANNOT_TELL + given, look.QUIET))
        answer = self.question.answers[index]
        parts: list[Content] = [Content.styled(f"{index + 1:>{digits}}", look.ACCENT), Content("  ")]
        if self.question.kind == "several":
            parts.append(Content("[x] " if answer.id in self.ticked else "[ ] "))
        head = Content("").join(parts)
        said = "  (said before)" if self.question.kind == "one" and self.now == (answer.id,) else ""
        words = Content.assemble(look.plain(answer.say), (said, look.QUIET))
        pictures = [a.picture or "" for a in self.question.answers]
        longest = max(len(a.say) for a in self.question.answers)
        room = max(len(p) for p in pictures)
        if not room:
            return look.hang(head, words, width)
        picture = (answer.picture or "").rstrip()
        if head.cell_length + room + 2 + longest <= width or width >= 60:
            beside = head + Content.styled(picture.ljust(room), look.QUIET) + "  "
            return look.hang(beside, words, width)
        body = look.hang(head, words, width)
        if not picture.strip() or not self.pictures_below:
            return body
        return look.lines([body, Content(" " * head.cell_length) + Content.styled(picture, look.QUIET)])


class QuestionPanel(Vertical):
    """The question with its answers. Digits collect until they can only mean one answer."""

    DEFAULT_CSS = """
    QuestionPanel { height: 1fr; }
    QuestionPanel > #ask { text-style: bold; height: auto; padding: 0 1; }
    QuestionPanel > #look { color: $quiet; height: auto; padding: 0 1; }
    QuestionPanel > #hint { color: $quiet; height: auto; padding: 0 1; }
    QuestionPanel > #more { color: $accent; height: 1; padding: 0 2; }
    """

    class Answered(Message):
        """An answer was chosen; no answers on a question that takes several means that none of them holds."""

        def __init__(self, question: str, answers: Sequence[str] | None) -> None:
            super().__init__()
            self.question = question
            self.answers = answers
            """None for *can't tell*."""

    def __init__(self) -> None:
        super().__init__(id="question")
        self.question: Question | None = None
        self.step: NextStep | None = None
        self.typed = ""
        self._hint_text = ""
        self._hint_may_show = True

    def compose(self) -> ComposeResult:
        """Lay out question, how to look, what it tells apart, and answers."""
        yield Static(id="ask", markup=False)
        yield Static(id="look", markup=False)
        yield Static(id="hint", markup=False)
        yield AnswerList()
        yield Static(id="more", markup=False)

    @property
    def answers(self) -> AnswerList:
        """The list of answers."""
        return self.query_one(AnswerList)

    def ask(self, question: Question, step: NextStep | None, answered: bool, now: tuple[str, ...] | None) -> None:
        """Put a question on the table; `step` is what its answer is worth, where it was proposed."""
        self.question, self.step, self.typed = question, step, ""
        self.query_one("#ask", Static).update(Content(look.plain(question.ask)))
        self.query_one("#look", Static).update(Content(look.plain(question.look or "")))
        takes = f", {look.minutes(step.minutes)}" if step else ""
        self.border_title = f"Question{takes}" if not answered else "Question, to answer again"
        self.answers.display = True
        self.answers.ask(question, answered, now)
        self._hint()
        self.call_after_refresh(self._tell_more)

    def finish(self, headline: str, text: str) -> None:
        """Show that there is nothing more to ask."""
        self.question = self.step = None
        self.typed = ""
        self.query_one("#ask", Static).update(Content(headline))
        self.query_one("#look", Static).display = False
        self._hint_text = text
        hint = self.query_one("#hint", Static)
        hint.update(Content(text))
        hint.display = True
        self.border_title = "Question"
        self.answers.display = self.query_one("#more").display = False

    def lines(self, width: int) -> tuple[list[int], int]:
        """Return the lines of question, how to look and hint in a panel of `width` cells, and those of the answers."""
        texts = [len(look.fold(said, width - 2)) if said else 0 for said in self._texts()]
        return texts, sum(self.answers.heights(width - 1)) if self.question else 0

    def _texts(self) -> tuple[str, str, str]:
        if self.question is None:
            return str(self.query_one("#ask", Static).content), "", self._hint_text
        return look.plain(self.question.ask), look.plain(self.question.look or ""), self._hint_text

    def spare(self, how_to_look: bool, hint: bool) -> None:
        """Show or leave out what may give way to the answers."""
        self._hint_may_show = hint
        _, said, hinted = self._texts()
        self.query_one("#look", Static).display = how_to_look and bool(said)
        self.query_one("#hint", Static).display = (hint or bool(self.typed)) and bool(hinted)
        self.call_after_refresh(self._tell_more)

    def on_answer_list_scrolled(self, event: AnswerList.Scrolled) -> None:
        """Say anew what is out of sight."""
        event.stop()
        self._tell_more()

    def _tell_more(self) -> None:
        """Say how many answers are out of sight; a small mark at the side is soon overlooked."""
        if self.question is None:
            return
        more = self.query_one("#more", Static)
        room = self.answers.scrollable_content_region
        above, below = self.answers.out_of_sight()
        crowded = sum(self.answers.heights(room.width)) > room.height + (1 if more.display else 0)
        parts = [f"{above} more above"] * bool(above) + [f"{below} more below"] * bool(below)
        said = Content(", ".join(parts))
        if crowded != more.display:  # each change lays the screen out anew
            more.display = crowded
        if said != more.content:
            more.update(said)

    def type_digit(self, digit: str) -> None:
        """Take a digit: alone where it can only mean one answer, else as the first of a longer number."""
        if self.question is None:
            return
        if not self.typed and digit == "0":
            self._choose(len(self.question.answers))
            return
        most = len(self.question.answers)
        number = int(self.typed + digit)
        if not 1 <= number <= most:
            self.typed = ""
            self._hint(f"There is no answer {number}; the numbers go to {most}.")
            return
        if number * 10 > most:
            self._choose(number - 1)
            return
        self.typed = str(number)
        self.answers.highlighted = number - 1
        self._hint()

    def forget_digits(self) -> bool:
        """Drop digits typed so far; returns False when there were none."""
        had, self.typed = bool(self.typed), ""
        self._hint()
        return had

    def _choose(self, index: int) -> None:
        assert self.question is not None
        self.typed = ""
        if index == len(self.question.answers):
            self.post_message(self.Answered(self.question.id, None))
        elif self.question.kind == "several":
            self.answers.tick(index)
            self._hint()
        else:
            self.post_message(self.Answered(self.question.id, (self.question.answers[index].id,)))

    def on_option_list_option_selected(self, event: OptionList.OptionSelected) -> None:
        """Enter takes the answer under the cursor, or hands in the ticks."""
        event.stop()
        if self.question is None:
            return
        if self.question.kind == "several" and event.option_index < len(self.question.answers):
            order = [a.id for a in self.question.answers if a.id in self.answers.ticked]
            self.post_message(self.Answered(self.question.id, order))
        else:
            self._choose(event.option_index)

    def on_option_list_option_highlighted(self, event: OptionList.OptionHighlighted) -> None:
        """Moving the cursor elsewhere drops digits typed so far."""
        event.stop()
        if self.typed and event.option_index != int(self.typed) - 1:
            self.forget_digits()

    def on_answer_list_ticked(self, event: AnswerList.Ticked) -> None:
        """Say what enter will hand in."""
        self._hint()

    def on_resize(self, event: events.Resize) -> None:
        """Fold the hint for the new width."""
        self._hint()
        self.call_after_refresh(self._tell_more)

    def _hint(self, said: str = "") -> None:
        if self.question is None:
            return
        hint = self.query_one("#hint", Static)
        if said:
            text = said
        elif self.typed:
            text = f"Typed {self.typed}: enter takes it, or type a second digit."
        elif self.question.kind == "several":
            count = len(self.answers.ticked)
            text = (
                f"Ticked: {count}. Enter hands them in." if count else
                "Tick all that hold (number or space), then enter; none ticked means none."
            )  # fmt: skip
        elif self.step and len(self.step.tells_apart) > 1:
            one, other = self.step.tells_apart[:2]
            room = 1000 if self.screen.has_class("-wide") else self.size.width - 2 - len(TELLS_APART)
            text = TELLS_APART + look.pair(one, other, room)
        else:
            text = ""
        self._hint_text = text
        hint.update(Content(text))
        hint.display = bool(text) and (self._hint_may_show or bool(said or self.typed))
