"""The room of the marks: typed one a line, put on the map with the cursor, or read from a file; and what they keep time with."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from textual import events, on, work
from textual.app import ComposeResult
from textual.binding import Binding
from textual.containers import Horizontal, Vertical
from textual.content import Content
from textual.message import Message
from textual.widgets import Static, TextArea
from textual.worker import get_current_worker

from diagnose.errors import BadInput
from diagnose.marks.model import Marks
from diagnose.marks.reading import counted
from diagnose.screens import look
from diagnose.screens.clocks import Clocks
from diagnose.screens.dialogs import text_page
from diagnose.screens.paths import unquoted
from diagnose.screens.reading import PREPARING, Reading, ReadingBar
from diagnose.screens.rooms import BETWEEN_BANDS
from diagnose.screens.surface import SurfaceMap
from diagnose.screens.workroom import BESIDE, Workroom
from diagnose.triage import Triage
from diagnose.triage.unrolled import Sheet, Window, best_clock, say_mark, sheet_of_job, sheet_of_marks, typed_marks

LONGEST = 20_000
"""Characters of typed marks; there are never so many marks on a part."""
ZERO_WORDS = {
    "right": "on the right", "back": "at the back", "left": "on the left", "front": "at the front",
    "unknown": "I don't know where",
}  # fmt: skip
TURN_WORDS = {"ccw": "counter-clockwise", "cw": "clockwise"}
ABOUT = (
    "A mark a line: height in mm, @ degrees round, such as 12.4 @ 35 or 12.4 alone; or a CSV file's path; or tab to the map and enter "
    "where a mark is. ctrl+s weighs them."
)
WAITING = "They are kept, and say something once the job file is attached (j)."
KEPT = "The marks are kept, but they cannot be held against the job file: attach it again (j)."
NONE_YET = "The surface unrolled comes here, with the marks on it, once the job file is attached (j)."
NEAR = 2
"""Cells of the map within which a mark is the one meant by the cursor."""


class MarksText(TextArea):
    """Marks, one a line. Enter on an empty line says that these are all."""

    DEFAULT_CSS = """
    MarksText { border: none; padding: 0 1; background: $panel; }
    MarksText:focus { border: none; }
    """

    BINDINGS = [
        Binding("enter", "line", "Next mark; on an empty line: weigh", show=False, id="next-mark",
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

    async def _on_key(self, event: events.Key) -> None:
        """Take enter in its turn among what is typed: as a key of the whole app it would overtake fast typing."""
        if event.key == "enter":
            event.stop()
            event.prevent_default()
            self.action_line()
        else:
            await super()._on_key(event)

    async def _on_paste(self, event: events.Paste) -> None:
        """Take what fits of a pasted text, without control characters."""
        event.prevent_default()
        event.stop()
        lines = (look.plain(line) for line in event.text[:LONGEST].splitlines())
        self.insert("\n".join(lines))


class MarksRoom(Workroom):
    """The marks on the part: where they are, and what they keep time with."""

    NAME = "marks"

    DEFAULT_CSS = """
    MarksRoom #about, MarksRoom #held, MarksRoom #verdict { height: auto; padding: 0 1; }
    MarksRoom #about, MarksRoom #held { color: $quiet; }
    MarksRoom #marks-body { height: 1fr; }
    MarksRoom .band { height: 100%; }
    MarksRoom #marks-typed { width: 22; }
    MarksRoom #marks-typed MarksText { height: 1fr; }
    MarksRoom #marks-map { width: 1fr; border-left: solid $line; }
    MarksRoom #marks-clocks { width: 1fr; border-left: solid $line; }
    MarksRoom.-wide #marks-map { width: 1.4fr; }
    MarksRoom.-bare #marks-map, MarksRoom.-bare #marks-clocks { display: none; }
    MarksRoom.-bare #marks-typed { width: 1fr; }
    """

    BINDINGS = [
        Binding("ctrl+s", "weigh", "Weigh", key_display="ctrl+s", id="weigh-marks", tooltip="Hold the marks against the job file."),
        Binding("enter", "put", "Mark here", key_display="enter", id="put-mark", tooltip="Put a mark where the cursor of the map is."),
        Binding("x", "take", "Take off", id="take-mark", tooltip="Take the mark next to the cursor of the map away."),
        Binding("f7", "turn_over", "Clocks", id="turn-over", tooltip="Show the clocks in place of the map, or the map again."),
        Binding("f3", "zero", "Angle 0", id="turn-zero", tooltip="Say on which side of the part, as it lay on the bed, angle 0 is."),
        Binding("f4", "way", "Way round", id="turn-way", tooltip="Say which way round angles count, seen from above."),
        Binding("f6", "placed", "Where each lies", id="placed-marks", tooltip="Where each mark was placed on the part, and how far off."),
        Binding("f8", "drop", "Leave out", id="drop-marks", tooltip="Take the marks off the case again."),
        Binding("escape,q", "stop", "Back", key_display="esc", id="leave-room",
                tooltip="Stop the weighing; when nothing is being weighed, go back."),
        *BETWEEN_BANDS,
    ]  # fmt: skip

    class Weighed(Message):
        """The marks were held against the job."""

        def __init__(self, token: object, marks: Marks, told: dict[str, Any] | None, source: str) -> None:
            super().__init__()
            self.token, self.marks, self.told, self.source = token, marks, told, source

    def __init__(self, triage: Triage) -> None:
        super().__init__(id="marks-room")
        self.triage = triage
        self.zero, self.turn = "right", "ccw"
        self.under_way: tuple[Marks, str] | None = None
        """Marks that are being weighed, and where they are from."""
        self.weighed_text: str | None = None
        """What stands in the lines where they say the marks that were weighed; None where that is not known."""
        self.clocks_up = False

    def compose_room(self) -> ComposeResult:
        """Lay out the lines to type in, the map, the clocks, and what the marks say."""
        yield Static(Content(ABOUT), id="about", markup=False)
        yield Static(id="held", markup=False)
        with Horizontal(id="marks-body"):
            with Vertical(id="marks-typed", classes="band") as band:
                band.border_title = "Marks"
                yield MarksText(highlight_cursor_line=False)
            with Vertical(id="marks-map", classes="band") as band:
                band.border_title = "The surface unrolled"
                yield SurfaceMap(id="marks-surface")
            clocks = Clocks(id="marks-clocks", classes="band")
            clocks.border_title = "What they keep time with"
            yield clocks
        yield Static(id="verdict", markup=False)
        yield ReadingBar()

    def on_mount(self) -> None:
        """Start from the marks on the case."""
        marks = self.triage.marks
        if marks is not None:
            self._write(marks)
        self._show_held()
        self._show_what_they_say()
        self.reader.reading_changed.subscribe(self, self._reading_changed)
        job = self.triage.case.job
        if job and job.get("path") and self.reader.picture_of(self.triage) is None and self.reader.reading is None:
            self.reader.read_job(self.triage, Path(job["path"]), again=True)
        self.query_one(MarksText).focus()

    def on_resize(self) -> None:
        """Lay out for the new size; on a small screen only the lines to type in are left."""
        width, height = self.app.size
        self.set_class(width < 60 or height < 16, "-bare")
        self.query_one("#about").display = height >= 18
        self._show_bands()

    # -- what is shown -----------------------------------------------------------------------------------------------

    def head_line(self) -> tuple[str, str]:
        """Return what this is, and of which case."""
        return "Marks on the part", look.plain(self.triage.case.title)

    def _show_bands(self) -> None:
        """Show map and clocks side by side where there is room, else the one that was chosen."""
        wide = self._wide
        bare = self.has_class("-bare")
        self.query_one("#marks-map").display = not bare and (wide or not self.clocks_up)
        self.query_one("#marks-clocks").display = not bare and (wide or self.clocks_up)

    @property
    def _wide(self) -> bool:
        return self.app.size.width >= BESIDE

    def _write(self, marks: Marks) -> None:
        """Put marks into the lines to type in, angles as they are kept: counter-clockwise from the right."""
        self.zero, self.turn = "right" if marks.zero_known else "unknown", "ccw"
        self.query_one(MarksText).text = self.weighed_text = written(marks)
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
        self.query_one(Clocks).show(weighed.told if weighed else None)
        self._show_map()

    def _show_map(self) -> None:
        """Draw the part with the marks on it: as they were weighed, or, once the lines say otherwise, as they are typed."""
        weighed, picture = self.triage.weighed, self.reader.picture_of(self.triage)
        as_weighed = weighed is not None and self.query_one(MarksText).text.strip() == (self.weighed_text or "").strip()
        told = weighed.told if weighed is not None and as_weighed else None
        typed = None if as_weighed else self._typed()
        sheet: Sheet | None = None
        if picture is not None and not isinstance(picture.skin, str):
            sheet = sheet_of_job(picture.skin, told, typed)
        elif told is not None:
            sheet = sheet_of_marks(told)
        elif typed is not None and len(typed):
            low, high = float(typed.height.min()), float(typed.height.max())
            sheet = Sheet(Window(max(low - 1.0, 0.0), high + 1.0), [typed_marks(typed)])
        self.query_one(SurfaceMap).show(sheet, told is not None and best_clock(told) is not None, NONE_YET)
        self.refresh_bindings()

    def _typed(self) -> Marks | None:
        """Return the marks of those lines that can be read so far."""
        lines = [line for line in self._lines() if _reads(line)]
        return self.triage.typed_marks(lines, self.zero, self.turn) if lines else None

    def _lines(self) -> list[str]:
        return [line.strip() for line in self.query_one(MarksText).text.splitlines() if line.strip()]

    def _reading_changed(self, reading: Reading | None) -> None:
        if reading is None and self.is_mounted:
            self._show_what_they_say()

    @on(TextArea.Changed)
    def lines_changed(self, event: TextArea.Changed) -> None:
        """Show the marks where they are typed."""
        event.stop()
        self._show_map()

    # -- what the user does ------------------------------------------------------------------------------------------

    def on_marks_text_finished(self, event: MarksText.Finished) -> None:
        """Weigh what was typed."""
        event.stop()
        self.action_weigh()

    def action_put(self) -> None:
        """Put a mark where the cursor of the map is, as a line that could have been typed."""
        cursor = self.query_one(SurfaceMap).cursor
        if cursor is None:
            return
        lines = [*self._lines(), f"{cursor[0]:.1f} @ {counted(cursor[1], self.zero, self.turn):.0f}"]
        self.query_one(MarksText).text = "\n".join(lines)

    def action_take(self) -> None:
        """Take the line of the mark next to the cursor away."""
        drawn, lines = self.query_one(SurfaceMap), self._lines()
        marked = [n for n, line in enumerate(lines) if _reads(line)]
        typed = self._typed()
        if drawn.cursor is None or typed is None:
            return
        rows, columns = drawn.grid()
        at = drawn.window.cell(*drawn.cursor, rows, columns)
        if at is None:
            return
        off = []
        for height, angle in zip(typed.height, typed.angle, strict=True):
            cell = drawn.window.cell(float(height), drawn.cursor[1] if math.isnan(angle) else float(angle), rows, columns)
            off.append(math.inf if cell is None else max(abs(cell[0] - at[0]), abs(cell[1] - at[1])))
        nearest = min(range(len(off)), key=off.__getitem__)
        if off[nearest] > NEAR:
            self._say("No mark lies next to the cursor.")
            return
        del lines[marked[nearest]]
        self.query_one(MarksText).text = "\n".join(lines)

    def action_turn_over(self) -> None:
        """Show the clocks in place of the map, or the map again."""
        self.clocks_up = not self.clocks_up
        self._show_bands()
        self.query_one("#clock-list" if self.clocks_up and self.query_one("#clock-list").display else "#marks-surface").focus()

    def action_placed(self) -> None:
        """Show where each mark was placed."""
        weighed = self.triage.weighed
        said: Sequence[str] = ["They are placed once they are weighed against the job file."]
        if weighed is not None:
            said = [look.sentence(say_mark(mark)) for mark in weighed.told["list"]]
        self.app.push_screen(text_page("Where each mark lies", [look.lines(Content(look.plain(line)) for line in said)]))

    def action_zero(self) -> None:
        """Go on to the next side."""
        self.zero = _next(self.zero, ZERO_WORDS)
        self._held_otherwise()

    def action_way(self) -> None:
        """Turn the way round."""
        self.turn = _next(self.turn, TURN_WORDS)
        self._held_otherwise()

    def _held_otherwise(self) -> None:
        self.weighed_text = None
        self._show_held()
        self._show_map()

    def action_weigh(self) -> None:
        """Read what was typed, then hold it against the job on a thread of its own."""
        lines = self._lines()
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
        if (reading := self.reader.reading) is not None and reading.again:
            self.reader.stop_reading()  # the weighing reads the job itself, where that is needed
        self.under_way = marks, path if by_file else "typed"
        self.weigh(*self.under_way, self.begin_work(PREPARING))

    @work(thread=True, exclusive=True, exit_on_error=False, group="marks")
    def weigh(self, marks: Marks, source: str, token: object) -> None:
        """Hold marks against the job, reading it again where that is needed."""
        worker = get_current_worker()

        told = self.triage.weigh(marks, None, self.progress_of(token), lambda: worker.is_cancelled)
        self.post_message(self.Weighed(token, marks, told, source))

    def on_marks_room_weighed(self, event: Weighed) -> None:
        """Take the marks into the case and show what they say."""
        if event.token is self.token:
            self.end_work()
            self._take(event.marks, event.told, event.source)

    def _take(self, marks: Marks, told: dict[str, Any] | None, source: str) -> bool:
        """Take marks into the case and show what they say; returns whether that could be done."""
        try:
            self.triage.put_marks(marks, told, source)
        except BadInput as error:
            self._complain(error)
            return False
        self._write(marks)
        self._show_what_they_say()
        job = self.triage.case.job
        if told is not None and job and job.get("path") and self.reader.picture_of(self.triage) is None and self.reader.reading is None:
            self.reader.read_job(self.triage, Path(job["path"]), again=True)
        return True

    def work_failed(self, error: BaseException | None) -> None:
        """Say why the marks could not be weighed. What somebody measured is not lost because a file has moved."""
        if not isinstance(error, BadInput):
            self._say(f"The weighing failed ({type(error).__name__}: {error}). The case is as it was.")
        elif self.under_way is not None and self._take(self.under_way[0], None, self.under_way[1]):
            self._say(f"{KEPT} {look.sentence(str(error))}")

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
        self.weighed_text = None
        self.query_one(MarksText).text = ""
        self._say("The marks are left out.")
        self.query_one(Clocks).show(None)
        self._show_map()

    def action_stop(self) -> None:
        """Stop the weighing, or go back."""
        if self.stop_work():
            self._say("Stopped. The marks were not taken.")
        else:
            self.dismiss(None)

    def why_not(self, action: str) -> str:
        """Return why something cannot be done now."""
        return {"put": "Tab to the map first.", "take": "Tab to the map first."}.get(action, "")

    def check_action(self, action: str, parameters: tuple[object, ...]) -> bool | None:
        """Marks are put on a map that has the focus; map and clocks take turns where both do not fit."""
        if action in ("put", "take") and self.is_mounted:
            drawn = self.query_one(SurfaceMap)
            return (drawn.has_focus and drawn.sheet is not None) or None
        if action == "turn_over":
            return not (self._wide or self.has_class("-bare"))
        return super().check_action(action, parameters)

    def _complain(self, error: BadInput) -> None:
        place = f"{error.where}: " if error.where else ""
        self._say(f"{place}{look.sentence(error.what)} {look.sentence(error.hint)}")

    def _say(self, text: str) -> None:
        self.query_one("#verdict", Static).update(Content(look.plain(text)))


def _reads(line: str) -> bool:
    try:
        return len(Triage.typed_marks([line])) > 0
    except BadInput:
        return False


def written(marks: Marks) -> str:
    """Return marks as they would be typed; those given by x and y are left to their file."""
    if any(math.isfinite(x) for x in marks.x):
        return ""
    each = zip(marks.height, marks.angle, strict=True)
    return "\n".join(
        f"{round(h, 2):g}" if math.isnan(a) else f"{round(h, 2):g} @ {round(a % 360.0, 1):g}"
        for h, a in ((float(h), float(a)) for h, a in each)
    )


def _next(now: str, among: Mapping[str, str]) -> str:
    names = list(among)
    return names[(names.index(now) + 1) % len(names)]

