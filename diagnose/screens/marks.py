"""Measuring the marks: typed one a line, or read from a file, with the unrolled surface beside them."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

from textual import events, work
from textual.app import ComposeResult
from textual.binding import Binding
from textual.containers import Horizontal, Vertical
from textual.content import Content
from textual.message import Message
from textual.screen import ModalScreen
from textual.widgets import Static, TextArea
from textual.worker import Worker, WorkerState, get_current_worker

from diagnose.errors import BadInput, Cancelled
from diagnose.marks.model import Marks
from diagnose.screens import look
from diagnose.screens.dialogs import DIALOG_CSS
from diagnose.screens.job import PREPARING, ReadingBar, unquoted
from diagnose.screens.rows import KeyLine, TooSmall
from diagnose.triage import Triage
from diagnose.triage.unrolled import SIGNS, Sign, best_clock, legend, sides, unrolled

LONGEST = 20_000
"""Characters of typed marks; there are never so many marks on a part."""
ZERO_WORDS = {
    "right": "on the right", "back": "at the back", "left": "on the left", "front": "at the front",
    "unknown": "I don't know where",
}  # fmt: skip
TURN_WORDS = {"ccw": "counter-clockwise", "cw": "clockwise"}
ABOUT = (
    "One mark a line: height in mm from the bed, @ how far round in degrees, such as 12.4 @ 35; the height alone will do. "
    "Or the path of a CSV file. An empty line, or ctrl+s, weighs them."
)
WAITING = "They are kept, and say something once the job file is attached (j)."
KEPT = "The marks are kept, but they cannot be held against the job file: attach it again (j)."
NONE_YET = "The surface unrolled comes here, with the marks on it, once they are weighed."
STYLES: Mapping[Sign, str] = {
    "kept": "bold $accent", "met": "bold $accent", "kept-seam": "bold $accent", "stray": "bold $contra", "stop": "$alarm",
    "seam": "$pro",
}  # fmt: skip
"""Sign to its colour; its shape says the same."""


class MarksText(TextArea):
    """Marks, one a line. Enter on an empty line says that these are all."""

    DEFAULT_CSS = """
    MarksText { border: none; padding: 0 1; background: $panel; }
    MarksText:focus { border: none; }
    """

    BINDINGS = [
        Binding("enter", "line", "Next mark; on an empty line: weigh", show=False, priority=True, id="next-mark",
                tooltip="The next mark; on an empty line: weigh them."),
    ]  # fmt: skip

    class Finished(Message):
        """These are all."""

    def on_mount(self) -> None:
        """Nothing blinks here."""
        self.cursor_blink = False

    def action_line(self) -> None:
        """Begin a line, or finish."""
        row, _ = self.cursor_location
        if self.text.strip() and not self.document.get_line(row).strip():
            self.post_message(self.Finished())
        else:
            self.insert("\n")

    async def _on_paste(self, event: events.Paste) -> None:
        """Take what fits of a pasted text, without control characters."""
        event.prevent_default()
        event.stop()
        lines = (look.plain(line) for line in event.text[:LONGEST].splitlines())
        self.insert("\n".join(lines))


class MeasureMarks(ModalScreen[bool]):
    """Type marks or name a file, and see where they lie. The result says whether the case was changed."""

    DEFAULT_CSS = DIALOG_CSS.format(name="MeasureMarks") + """
    MeasureMarks > Vertical { height: 100%; max-width: 150; }
    MeasureMarks #about, MeasureMarks #held, MeasureMarks #verdict { height: auto; padding: 0 2; }
    MeasureMarks #about, MeasureMarks #held { color: $quiet; }
    MeasureMarks Horizontal { height: 1fr; margin: 1 1 0 1; }
    MeasureMarks MarksText { width: 22; height: 100%; }
    MeasureMarks #surface { width: 1fr; height: 100%; padding: 0 1; }
    MeasureMarks KeyLine { dock: none; }
    MeasureMarks.-bare #surface { display: none; }
    MeasureMarks.-bare MarksText { width: 1fr; }
    """

    BINDINGS = [
        Binding("ctrl+s", "weigh", "Weigh", key_display="ctrl+s", id="weigh-marks", tooltip="Hold the marks against the job file."),
        Binding("f3", "zero", "Angle 0", id="turn-zero", tooltip="Say on which side of the part, as it lay on the bed, angle 0 is."),
        Binding("f4", "way", "Way round", id="turn-way", tooltip="Say which way round angles count, seen from above."),
        Binding("f8", "drop", "Leave out", id="drop-marks", tooltip="Take the marks off the case again."),
        Binding("escape", "stop", "Back", key_display="esc", id="leave-marks",
                tooltip="Stop the weighing; when nothing is being weighed, go back."),
    ]  # fmt: skip

    class Progressed(Message):
        """The weighing went on."""

        def __init__(self, token: object, done: float, what: str) -> None:
            super().__init__()
            self.token, self.done, self.what = token, done, what

    class Weighed(Message):
        """The marks were held against the job."""

        def __init__(self, token: object, marks: Marks, told: dict[str, Any] | None, source: str) -> None:
            super().__init__()
            self.token, self.marks, self.told, self.source = token, marks, told, source

    def __init__(self, triage: Triage) -> None:
        super().__init__()
        self.triage = triage
        self.zero, self.turn = "right", "ccw"
        self.changed = False
        self.token: object = None
        """Of the weighing under way; what an older one still has to say is not listened to."""
        self.under_way: tuple[Marks, str] | None = None
        """Marks that are being weighed, and where they are from."""

    def compose(self) -> ComposeResult:
        """Lay out the lines to type in, the surface beside them, and what the marks say."""
        with Vertical() as box:
            box.border_title = "Marks on the part"
            yield Static(Content(ABOUT), id="about", markup=False)
            yield Static(id="held", markup=False)
            with Horizontal():
                yield MarksText(highlight_cursor_line=False)
                yield Static(id="surface", markup=False)
            yield Static(id="verdict", markup=False)
            yield ReadingBar()
            yield KeyLine()
        yield TooSmall()

    def on_mount(self) -> None:
        """Start from the marks on the case."""
        self.query_one(ReadingBar).display = False
        marks = self.triage.marks
        if marks is not None:
            self._write(marks)
        self._show_held()
        self._show_what_they_say()
        self.query_one(MarksText).focus()

    def on_resize(self, event: events.Resize) -> None:
        """Draw the surface for the new size; on a small screen only the lines to type in are left."""
        self.set_class(event.size.width < 60 or event.size.height < 16, "-bare")
        self.query_one("#about").display = event.size.height >= 18
        self.call_after_refresh(self._show_surface)

    # -- what is shown -----------------------------------------------------------------------------------------------

    def _write(self, marks: Marks) -> None:
        """Put marks into the lines to type in, angles as they are kept: counter-clockwise from the right."""
        self.zero, self.turn = "right" if marks.zero_known else "unknown", "ccw"
        self.query_one(MarksText).text = written(marks)
        self._show_held()

    def _show_held(self) -> None:
        zero = f"Angle 0 is {ZERO_WORDS[self.zero]}" if self.zero != "unknown" else "I don't know where angle 0 is"
        self.query_one("#held", Static).update(Content(f"{zero}; angles count {TURN_WORDS[self.turn]}."))

    def _show_what_they_say(self) -> None:
        weighed = self.triage.weighed
        if weighed is not None:
            first = [str(weighed.told["verdict"]), *weighed.told["warnings"][:1]]
            self._say(" ".join(first))
        elif self.triage.case.marks is not None:
            self._say(WAITING)
        self.call_after_refresh(self._show_surface)

    def _show_surface(self) -> None:
        surface = self.query_one("#surface", Static)
        width, height = surface.content_size
        weighed = self.triage.weighed
        if weighed is None:
            surface.update(look.lines(look.fold(look.styled(NONE_YET, look.QUIET), max(width, 20))))
        elif width >= 24 and height >= 6:
            surface.update(surface_of(weighed.told, width, height))

    # -- what the user does ------------------------------------------------------------------------------------------

    def on_marks_text_finished(self, event: MarksText.Finished) -> None:
        """Weigh what was typed."""
        event.stop()
        self.action_weigh()

    def action_zero(self) -> None:
        """Go on to the next side."""
        self.zero = _next(self.zero, ZERO_WORDS)
        self._show_held()

    def action_way(self) -> None:
        """Turn the way round."""
        self.turn = _next(self.turn, TURN_WORDS)
        self._show_held()

    def action_weigh(self) -> None:
        """Read what was typed, then hold it against the job on a thread of its own."""
        lines = [line.strip() for line in self.query_one(MarksText).text.splitlines() if line.strip()]
        if not lines or self.token is not None:
            self._say("Type a mark, or the path of a file of marks." if not lines else "They are being weighed.")
            return
        by_file = len(lines) == 1 and not lines[0][0].isdigit()
        path = unquoted(lines[0])
        try:
            if by_file:
                marks = self.triage.read_marks(path, self.zero, self.turn)
            else:
                marks = self.triage.typed_marks(lines, self.zero, self.turn)
        except BadInput as error:
            self._complain(error)
            return
        self.token = object()
        bar = self.query_one(ReadingBar)
        bar.display = True
        bar.show(0.0, PREPARING)
        self.under_way = marks, path if by_file else "typed"
        self.weigh(*self.under_way, self.token)

    @work(thread=True, exclusive=True, exit_on_error=False, group="marks")
    def weigh(self, marks: Marks, source: str, token: object) -> None:
        """Hold marks against the job, reading it again where that is needed."""
        worker = get_current_worker()

        def progress(done: float, what: str) -> None:
            self.post_message(self.Progressed(token, done, what))

        told = self.triage.weigh(marks, None, progress, lambda: worker.is_cancelled)
        self.post_message(self.Weighed(token, marks, told, source))

    def on_measure_marks_progressed(self, event: Progressed) -> None:
        """Show how far the weighing is."""
        if event.token is self.token:
            self.query_one(ReadingBar).show(event.done, event.what)

    def on_measure_marks_weighed(self, event: Weighed) -> None:
        """Take the marks into the case and show what they say."""
        if event.token is self.token:
            self._idle()
            self._take(event.marks, event.told, event.source)

    def _take(self, marks: Marks, told: dict[str, Any] | None, source: str) -> bool:
        """Take marks into the case and show what they say; returns whether that could be done."""
        try:
            self.triage.put_marks(marks, told, source)
        except BadInput as error:
            self._complain(error)
            return False
        self.changed = True
        self._write(marks)
        self._show_what_they_say()
        return True

    def on_worker_state_changed(self, event: Worker.StateChanged) -> None:
        """The one door for weighings that failed."""
        if event.state is not WorkerState.ERROR or self.token is None:
            return
        event.stop()
        error = event.worker.error
        self._idle()
        if isinstance(error, BadInput) and self.under_way is not None:
            # What somebody measured is not lost because a file has moved.
            if self._take(self.under_way[0], None, self.under_way[1]):
                self._say(f"{KEPT} {look.sentence(str(error))}")
        elif isinstance(error, Cancelled):
            self._say("Stopped. Nothing was changed.")
        else:
            self._say(f"The weighing failed ({type(error).__name__}: {error}). The case is as it was.")

    def action_drop(self) -> None:
        """Take the marks off the case."""
        if self.triage.case.marks is None or self.token is not None:
            self._say("There are no marks on the case.")
            return
        try:
            self.triage.drop_marks()
        except BadInput as error:
            self._complain(error)
            return
        self.changed = True
        self.query_one(MarksText).text = ""
        self._say("The marks are left out.")
        self._show_surface()

    def action_stop(self) -> None:
        """Stop the weighing, or go back."""
        if self.token is None:
            self.dismiss(self.changed)
            return
        self._idle()
        self.workers.cancel_group(self, "marks")
        self._say("Stopped. The marks were not taken.")

    def _idle(self) -> None:
        self.token = None
        self.query_one(ReadingBar).display = False

    def _complain(self, error: BadInput) -> None:
        place = f"{error.where}: " if error.where else ""
        self._say(f"{place}{look.sentence(error.what)} {look.sentence(error.hint)}")

    def _say(self, text: str) -> None:
        self.query_one("#verdict", Static).update(Content(look.plain(text)))


def written(marks: Marks) -> str:
    """Return marks as they would be typed; those given by x and y are left to their file."""
    if any(math.isfinite(x) for x in marks.x):
        return ""
    each = zip(marks.height, marks.angle, strict=True)
    return "\n".join(
        f"{round(h, 2):g}" if math.isnan(a) else f"{round(h, 2):g} @ {round(a % 360.0, 1):g}"
        for h, a in ((float(h), float(a)) for h, a in each)
    )


def surface_of(told: Mapping[str, Any], width: int, height: int) -> Content:
    """Return the unrolled surface in so many cells, its heights on the left and what the signs mean below."""
    columns = width - 8
    by_beat = best_clock(told) is not None
    drawn = unrolled(told, columns, 16)
    rows = max(height - 1 - len(legend(drawn.signs(), True, by_beat, width)), 3)
    drawn = unrolled(told, columns, rows)
    means = [Content(line) for line in legend(drawn.signs(), True, by_beat, width)]
    parts = []
    for k, row in enumerate(drawn.rows):
        label = f"{drawn.heights[k]:6.1f}" if k % 4 == 3 or k == rows - 1 else " " * 6
        parts.append(Content.assemble((label, look.QUIET), _cell(drawn.margin[k]), ("│", "$line"), *map(_cell, row)))
    parts.append(Content.styled(" " * 8 + sides(columns), look.QUIET))
    return look.lines([*parts, *means])


def _cell(sign: Sign) -> tuple[str, str]:
    return SIGNS[sign][0], STYLES.get(sign, "")


def _next(now: str, among: Mapping[str, str]) -> str:
    names = list(among)
    return names[(names.index(now) + 1) % len(names)]

