"""The recording screen: ports, brokers and folders with their state, the store, rules and disk."""

from __future__ import annotations

from typing import TYPE_CHECKING, ClassVar, cast

from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.content import Content
from textual.widgets import Footer, Static

from console.app.run_view import RunView
from console.app.screens.run_screen import GoTo, RunScreen
from console.app.widgets.head import Head
from console.app.widgets.recording_lines import RecordingLines
from console.app.widgets.source_list import SourceList
from console.timeline.times import since_start

if TYPE_CHECKING:
    from console.app.opening import OpeningApp
    from console.pipeline.recording_state import RecordingState

NEWEST = 5  # findings shown
MOST_WORDS = 1_000


class RecordingScreen(RunScreen):
    """How the recording is; Enter goes to the newest finding."""

    DEFAULT_CSS = """
    RecordingScreen SourceList { height: 1fr; min-height: 5; }
    RecordingScreen #newest { height: auto; max-height: 7; padding: 0 1; background: $surface;
        border-top: solid $panel; }
    RecordingScreen.-ascii #newest { border-top: ascii $panel; }
    """
    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("n", "newest", "Newest finding", id="recording.newest"),
    ]

    def compose(self) -> ComposeResult:
        """From the top: the store and the disk, the sources, what was found last."""
        self.set_class(self.signs.is_ascii, "-ascii")
        yield Head(signs=self.signs)
        yield RecordingLines(self.signs)
        yield SourceList(self.signs)
        yield Static(id="newest", markup=False)
        yield Footer()

    def on_mount(self) -> None:
        """Follow how it is."""
        super().on_mount()
        self.watch(self.app, "recorded", self._tell)

    def show(self, view: RunView) -> None:
        """The head is the run's; the rest follows the recording."""
        self.query_one(Head).view = view
        self.query_one(SourceList).focus()

    def _tell(self, state: RecordingState | None) -> None:
        if state is None:
            return
        self.query_one(RecordingLines).state = state
        self.query_one(SourceList).fill(state.sources, state.now_ns)
        self.query_one("#newest", Static).update(self._found(state))

    def _found(self, state: RecordingState) -> Content:
        """The newest findings, the last one first."""
        if not state.newest:
            return Content.styled("Nothing was found yet.", "$quiet")
        start_ns = state.started_ns if self.view is None else self.view.start_ns
        parts: list[tuple[str, str]] = []
        for raised in reversed(state.newest[-NEWEST:]):
            style = {"fault": "$sign-bad bold", "warning": "$sign-warning"}.get(raised.severity, "")
            parts += [
                (f"{raised.severity:8}", style),
                (f"{since_start(raised.t_ns - start_ns)}  ", "$quiet"),
                (f"{self.signs.clean(raised.summary[:MOST_WORDS])}\n", ""),
            ]
        return Content.assemble(*parts).rstrip()

    def action_newest(self) -> None:
        """Go to where the newest finding begins."""
        state = cast("OpeningApp", self.app).recorded
        if state is not None and state.newest:
            self.post_message(GoTo(state.newest[-1].t_ns))
