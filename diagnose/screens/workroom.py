"""Rooms in which work goes on behind the screen, and rooms that are a book: a list, an entry beside it, a line for a path."""

from __future__ import annotations

from collections.abc import Callable

from textual.binding import Binding
from textual.containers import VerticalScroll
from textual.message import Message
from textual.visual import VisualType
from textual.widgets import Input, OptionList, Static
from textual.worker import Worker, WorkerState

from diagnose.errors import BadInput, Cancelled
from diagnose.screens.dialogs import problem_page, text_page
from diagnose.screens.reading import ReadingBar
from diagnose.screens.rooms import Room
from diagnose.screens.rows import Rows

BESIDE = 120
"""Cells from which more than one thing stands side by side."""


class Workroom(Room):
    """A room with one piece of work under way at most, on a thread of its own; composes a `ReadingBar`.

    The work is a worker of the screen. It is known by a token: what an older one still has to say is not listened to.
    """

    class Progressed(Message):
        """The work went on."""

        def __init__(self, token: object, done: float, what: str) -> None:
            super().__init__()
            self.token, self.done, self.what = token, done, what

    token: object = None
    """Of the work under way; None where there is none."""

    def on_mount(self) -> None:
        """Nothing is under way yet."""
        self.query_one(ReadingBar).display = False

    def begin_work(self, what: str) -> object:
        """Show that work begins; returns its token."""
        self.token = object()
        bar = self.query_one(ReadingBar)
        bar.display = True
        bar.show(0.0, what)
        self.refresh_bindings()
        return self.token

    def progress_of(self, token: object) -> Callable[[float, str], None]:
        """Return what the work calls, from its thread, with how far it is and what it does."""

        def tell(done: float, what: str) -> None:
            self.post_message(self.Progressed(token, done, what))

        return tell

    def end_work(self) -> None:
        """Show that nothing is under way any more."""
        self.token = None
        self.query_one(ReadingBar).display = False
        self.refresh_bindings()

    def stop_work(self) -> bool:
        """Stop what is under way; returns False where nothing is."""
        if self.token is None:
            return False
        self.end_work()
        self.workers.cancel_node(self)
        return True

    def work_failed(self, error: BaseException | None) -> None:
        """Say why the work failed; not called where it was stopped."""
        if isinstance(error, BadInput):
            self.app.push_screen(problem_page(error))
        else:
            self.app.push_screen(text_page("This did not work", [f"{type(error).__name__}: {error}"]))

    def on_workroom_progressed(self, event: Progressed) -> None:
        """Show how far the work is."""
        if event.token is self.token:
            self.query_one(ReadingBar).show(event.done, event.what)

    def on_worker_state_changed(self, event: Worker.StateChanged) -> None:
        """The one door for work that failed."""
        if event.state is WorkerState.ERROR and self.token is not None:
            event.stop()
            self.end_work()
            if not isinstance(event.worker.error, Cancelled):
                self.work_failed(event.worker.error)


class BookRoom(Workroom):
    """A list (`.list`) with the entry under its cursor beside it (`.beside`), and a line for a path (`.path`) that comes up when asked for."""

    DEFAULT_CSS = """
    BookRoom Input { border: none; height: 1; margin: 0 1; padding: 0 1; background: $panel; }
    BookRoom Input:focus { border: none; }
    BookRoom .body { height: 1fr; }
    BookRoom .list { width: 1fr; margin: 0 1; }
    BookRoom .beside { width: 1.2fr; display: none; border-left: solid $line; padding: 0 1; scrollbar-size-vertical: 1;
        scrollbar-color: $line; scrollbar-background: $background; scrollbar-color-hover: $quiet;
        scrollbar-background-hover: $background; scrollbar-background-active: $background; scrollbar-color-active: $quiet; }
    BookRoom .beside Static { height: auto; text-wrap: nowrap; }
    BookRoom.-wide .beside { display: block; }
    """

    BINDINGS = [
        Binding("x", "stop", "Stop", id="stop-work", tooltip="Stop what is under way; nothing was changed."),
        Binding("escape,q", "back", "Back", key_display="esc", id="leave-room",
                tooltip="From a line into the list; from the list back to where you came from."),
    ]  # fmt: skip

    def on_mount(self) -> None:
        """Begin in the list."""
        self.query_one(".path").display = False
        self.query_one(".list", Rows).focus()

    def ask_path(self) -> None:
        """Let a path be typed."""
        line = self.query_one(".path", Input)
        line.display = True
        line.focus()

    def show_entry(self) -> None:
        """Show the entry under the cursor beside the list, where there is room."""
        raise NotImplementedError

    def on_option_list_option_highlighted(self, event: OptionList.OptionHighlighted) -> None:
        """Follow the cursor."""
        event.stop()
        self.show_entry()

    def show_beside(self, text: VisualType) -> None:
        """Show an entry beside the list."""
        beside = self.query_one(".beside", VerticalScroll)
        beside.query_one(Static).update(text)
        beside.scroll_home(animate=False)

    @property
    def has_room_beside(self) -> bool:
        """Whether an entry stands beside the list."""
        return self.app.size.width >= BESIDE

    def end_work(self) -> None:
        """Go back into the list."""
        self.query_one(".path").display = False
        self.query_one(".list", Rows).focus()
        super().end_work()

    def action_stop(self) -> None:
        """Stop what is under way."""
        self.stop_work()

    def action_back(self) -> None:
        """From a line into the list, from the list back."""
        if not isinstance(self.focused, Input):
            self.dismiss(None)
            return
        if self.token is None:
            self.query_one(".path").display = False
        self.query_one(".list", Rows).focus()

    def check_action(self, action: str, parameters: tuple[object, ...]) -> bool | None:
        """Work must be under way to be stopped."""
        return self.token is not None if action == "stop" else super().check_action(action, parameters)
