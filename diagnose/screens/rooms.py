"""Rooms: the screens that open from a case or from the list of cases, and lead to each other by one key."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

from textual.app import ComposeResult
from textual.binding import Binding
from textual.content import Content
from textual.screen import Screen
from textual.widgets import Static

from diagnose.screens import look
from diagnose.screens.reading import JobReader
from diagnose.screens.rows import KeyLine, SaysWhyNot, TooSmall

Name = Literal["cases", "job", "marks", "plan", "rules", "printers"]


@dataclass(frozen=True, slots=True)
class Door:
    """How a room is reached from anywhere: its key, its name in the line of keys, and what is in it."""

    key: str
    label: str
    about: str


DOORS: Mapping[Name, Door] = {
    "cases": Door("o", "Other case", "The cases: open, search, start another. The one at hand is saved."),
    "job": Door("j", "Job", "The job file (G-code): its picture, what was found in it; attach another."),
    "marks": Door("m", "Marks", "Where the marks on the part are, and what they keep time with."),
    "plan": Door("c", "Cure", "The plan: what to try, in order, and what came of it."),
    "rules": Door("r", "Rules", "What the rules know: read, search, try."),
    "printers": Door("p", "Printers", "The printer cards: read, change, make one from a job."),
}


BETWEEN_BANDS = (
    Binding("tab", "app.focus_next", "Next band", show=False, id="next-band", tooltip="From band to band."),
    Binding("shift+tab", "app.focus_previous", "Band before", show=False, id="band-before", tooltip="From band to band, the other way."),
)


def doors() -> list[Binding]:
    """Return the keys of all rooms, for the app: they work wherever no line is typed into."""
    return [
        Binding(door.key, f"room('{name}')", door.label, show=False, id=f"room-{name}", tooltip=door.about)
        for name, door in DOORS.items()
    ]


class Room(SaysWhyNot, Screen[object]):
    """A screen of its own with a line on top that says where one is. Closes with escape; its result is told to who opened it.

    A room has a ``NAME`` of `DOORS`, composes what stands between the line on top and the keys in `compose_room`, and says what
    goes to the right end of the line on top in `head_line`.
    """

    NAME: Name

    DEFAULT_CSS = """
    Room { background: $background; }
    Room > #room-head { height: 1; padding: 0 1; color: $quiet; }
    """

    BINDINGS = [
        Binding("escape,q", "close", "Back", key_display="esc", id="leave-room", tooltip="Back to where you came from."),
    ]

    @property
    def reader(self) -> JobReader:
        """The part of the app that reads job files."""
        assert isinstance(self.app, JobReader)
        return self.app

    def compose(self) -> ComposeResult:
        """Lay out where one is, the room, the keys."""
        yield Static(id="room-head", markup=False)
        yield from self.compose_room()
        yield KeyLine()
        yield TooSmall()

    def compose_room(self) -> ComposeResult:
        """Yield what stands between the line on top and the keys."""
        raise NotImplementedError

    def head_line(self) -> tuple[str, str]:
        """Return what stands at the left end of the line on top, and at its right end."""
        return DOORS[self.NAME].label, ""

    def show_head(self) -> None:
        """Write the line on top anew."""
        left, right = self.head_line()
        width = max(self.app.size.width - 2, 20)
        line = look.spread(look.styled(left, look.BOLD), Content(look.plain(right)), width)
        self.query_one("#room-head", Static).update(line, layout=False)

    def on_mount(self) -> None:
        """Say where one is."""
        self.show_head()

    def on_resize(self) -> None:
        """Lay the line on top out for the new width."""
        self.show_head()

    def action_close(self) -> None:
        """Back to where one came from."""
        self.dismiss(None)
