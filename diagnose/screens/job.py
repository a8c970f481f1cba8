"""The room of the job file: its surface unrolled, what was found in it, and the way to attach another."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path

from textual import on
from textual.app import ComposeResult
from textual.binding import Binding
from textual.containers import Container, Vertical
from textual.content import Content
from textual.widgets import OptionList, Static

from diagnose.errors import BadInput
from diagnose.screens import look, pages
from diagnose.screens.attach import AttachJob
from diagnose.screens.dialogs import problem_page
from diagnose.screens.reading import Picture, Reading, ReadingBar
from diagnose.screens.rooms import BETWEEN_BANDS, Room
from diagnose.screens.rows import Rows
from diagnose.screens.surface import SurfaceMap
from diagnose.triage import Given, Triage
from diagnose.triage.explained import explanation
from diagnose.triage.sources import card
from diagnose.triage.unrolled import best_clock, sheet_of_job, sheet_of_marks
from diagnose.triage.wording import clock_time, times

NO_JOB = "No job file is attached yet: a attaches one."
FROM_FILE = "The surface unrolled comes here once the job file is read again."
STOPPED = "Stopped. The job file was not attached."
LEADING = 3
"""Suspects whose evidence comes first among the findings."""


class Findings(Rows):
    """What the job file says, the weightiest first; then what to know before believing it."""

    BINDINGS = [
        Binding("enter", "select", "Explain", key_display="enter", id="explain-finding",
                tooltip="How this was found, in which lines of the job, how sure it is, and for which causes it speaks."),
    ]  # fmt: skip

    def __init__(self) -> None:
        super().__init__(id="findings")
        self.given: Sequence[Given] = ()
        self.notes: Sequence[tuple[str, str]] = ()

    def show(self, given: Sequence[Given], notes: Sequence[tuple[str, str]]) -> None:
        """Show findings, and notes: (what it is, sentence)."""
        self.given, self.notes = given, notes
        count = len(given) + len(notes)
        at = self.highlighted if self.highlighted is not None else 0
        self.show_rows(count, min(at, count - 1) if count else None)

    def row(self, index: int, width: int) -> Content:
        """Return one finding below its question, or a note below its head."""
        if index < len(self.given):
            one = self.given[index]
            head, said, counts = one.ask, look.sentence(one.say), one.counts
        else:
            (head, said), counts = self.notes[index - len(self.given)], True
        parts = [line.stylize(look.QUIET) for line in look.fold(head, width)]
        parts.append(look.hang(Content("  "), look.styled(said, look.BOLD if counts else look.QUIET), width))
        return look.lines(parts)


class JobRoom(Room):
    """The job file of a case: what it looks like and what it says."""

    NAME = "job"

    DEFAULT_CSS = """
    JobRoom #job-body { height: 1fr; layout: vertical; }
    JobRoom #job-picture, JobRoom #job-found { height: 1fr; }
    JobRoom #job-picture:focus-within, JobRoom #job-found:focus-within { height: 2.4fr; }
    JobRoom #job-said { height: auto; padding: 0 1; background: $panel; }
    JobRoom.-wide #job-body { layout: horizontal; }
    JobRoom.-wide #job-picture, JobRoom.-wide #job-picture:focus-within { width: 1.7fr; height: 100%; }
    JobRoom.-wide #job-found, JobRoom.-wide #job-found:focus-within { width: 1fr; height: 100%; border-left: solid $line; padding: 0 0 0 1; }
    """

    BINDINGS = [
        Binding("a", "attach", "Attach", id="attach-job", tooltip="Attach the job file of this print, or another one, and read it."),
        Binding("x", "stop", "Stop reading", id="stop-reading", tooltip="Stop reading the job file; the case stays as it was."),
        *BETWEEN_BANDS,
    ]  # fmt: skip

    def __init__(self, triage: Triage) -> None:
        super().__init__(id="job-room")
        self.triage = triage
        self.told = ""
        """What came of the last reading, where it brought no job."""

    def compose_room(self) -> ComposeResult:
        """Lay out the picture, what was found, and how far the reading is."""
        with Container(id="job-body"):
            with Vertical(id="job-picture", classes="band") as band:
                band.border_title = "The surface unrolled, seen from outside"
                yield SurfaceMap(id="job-map")
            with Vertical(id="job-found", classes="band") as band:
                band.border_title = "Found in the job file"
                yield Findings()
        yield Static(id="job-said", markup=False)
        yield ReadingBar()

    def on_mount(self) -> None:
        """Show what is there; read the file again for its picture, or ask for one where there is none."""
        self.reader.reading_changed.subscribe(self, self._reading_changed)
        self._show()
        job = self.triage.case.job
        if self.reader.reading_of(self.triage) is None:
            if job is None:
                self.action_attach()
            elif job.get("path") and self.reader.picture_of(self.triage) is None:
                self.reader.read_job(self.triage, Path(job["path"]), again=True)
        self._show_reading(self.reader.reading_of(self.triage))
        self.query_one(SurfaceMap if job else Findings).focus()

    # -- what is shown -----------------------------------------------------------------------------------------------

    def head_line(self) -> tuple[str, str]:
        """Return the name of the file, and what it is in figures."""
        job = self.triage.case.job
        if job is None:
            return "Job file", self._title()
        name = Path(str(job.get("path") or "stated")).name
        picture = self.reader.picture_of(self.triage)
        if picture is None:
            return name, self._title()
        file, run = picture.job.file, picture.job.run
        told = [times(len(file.moves), "move"), times(file.layers, "layer")]
        told.append(clock_time(run.time_s if run else file.sums.total_s) + ("" if run else " as asked for"))
        return name, ", ".join(told)

    def _title(self) -> str:
        return look.plain(self.triage.case.title) or ("" if self.triage.journal is None else self.triage.case.id)

    def _show(self) -> None:
        """Show the picture and the findings of the job on the case."""
        self.show_head()
        triage = self.triage
        found = [g for g in triage.given() if g.source == "finding"]
        weighed = triage.weighed
        notes = [("Your marks, held against it", str(weighed.told["verdict"]))] if weighed else []
        picture = self.reader.picture_of(triage)
        if picture is not None:
            notes += [("To know before believing it", look.sentence(w)) for w in picture.job.warnings]
        self.query_one(Findings).show(pages.weightiest_first(found, self._weights()), notes)
        self._show_map(picture)
        job = triage.case.job
        self._say(self.told or ("" if job is not None else NO_JOB))
        self.refresh_bindings()

    def _show_map(self, picture: Picture | None) -> None:
        told = self.triage.weighed.told if self.triage.weighed else None
        drawn = self.query_one(SurfaceMap)
        by_beat = told is not None and best_clock(told) is not None
        if picture is None:
            empty = FROM_FILE if self.triage.case.job else NO_JOB
            drawn.show(sheet_of_marks(told) if told else None, by_beat, empty)
        elif isinstance(picture.skin, str):
            drawn.show(None, empty=picture.skin)
        else:
            drawn.show(sheet_of_job(picture.skin, told, self.triage.marks), by_beat)

    def _weights(self) -> Mapping[str, float]:
        """Return what is on the case with the largest weight it has with one of the leading suspects, in dB."""
        return pages.weights_with(self.triage, [s.id for s in self.triage.ranking()[:LEADING]])

    def _reading_changed(self, reading: Reading | None) -> None:
        if not self.is_mounted:
            return
        self._show_reading(self.reader.reading_of(self.triage))
        if reading is None:
            self._show()

    def _show_reading(self, reading: Reading | None) -> None:
        bar = self.query_one(ReadingBar)
        under_way = reading is not None and not reading.problem
        if bar.display != under_way:
            bar.display = under_way
            self.refresh_bindings()
        if reading is not None and reading.problem:
            self._say(reading.problem)
        elif reading is not None:
            self.told = ""
            bar.show(reading.done, reading.say())
            self._say("")

    def _say(self, text: str) -> None:
        said = self.query_one("#job-said", Static)
        said.update(Content(look.plain(text)))
        said.display = bool(text)

    # -- what the user does ------------------------------------------------------------------------------------------

    @on(OptionList.OptionSelected)
    def explain(self, event: OptionList.OptionSelected) -> None:
        """Show how a finding was found."""
        event.stop()
        listed = self.query_one(Findings)
        if event.option_index >= len(listed.given):
            return
        job = self.triage.case.job or {}
        told = {"job": job.get("path") or "", "printer": job.get("printer"), "findings": job.get("findings", [])}
        try:
            printer = card(self.triage.knowledge, str(job["printer"])) if job.get("printer") else None
            found = explanation(told, listed.given[event.option_index].id, self.triage.knowledge, printer)
        except BadInput as error:
            self.app.push_screen(problem_page(error))
            return
        self.app.push_screen(pages.finding_page(found))

    def action_attach(self) -> None:
        """Ask for the file and the printer, then read."""

        def chosen(path: Path | None) -> None:
            if path is not None:
                self.reader.read_job(self.triage, path)
                self.query_one(SurfaceMap).focus()
            elif self.triage.case.job is None and self.reader.reading_of(self.triage) is None:
                self.dismiss(None)

        self.app.push_screen(AttachJob(self.triage), chosen)

    def action_stop(self) -> None:
        """Stop the reading."""
        again = (reading := self.reader.reading_of(self.triage)) is not None and reading.again
        if self.reader.stop_reading(self.triage):
            self.told = "Stopped. The picture was not drawn." if again else STOPPED

    def check_action(self, action: str, parameters: tuple[object, ...]) -> bool | None:
        """There must be a reading to stop."""
        if action == "stop" and self.is_mounted:
            reading = self.reader.reading_of(self.triage)
            return reading is not None and not reading.problem
        return super().check_action(action, parameters)
