"""The timeline screen: story, ribbon, the timeline itself and the side sheet."""

from __future__ import annotations

from typing import ClassVar

from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import Horizontal
from textual.widgets import Footer

from console.app.run_view import RunView
from console.app.screens.run_screen import RunScreen
from console.app.signs import Signs, signs_for
from console.app.timeline.columns import ordered
from console.app.timeline.gutter import CLOCKS
from console.app.timeline.ribbon import Ribbon
from console.app.timeline.rows import TimelineRows
from console.app.widgets.head import Head


class TimelineScreen(RunScreen):
    """Parties side by side, time running down."""

    DEFAULT_CSS = """
    TimelineScreen Ribbon { height: 5; }
    TimelineScreen.-narrow Ribbon { height: 2; }
    """
    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("t", "clock", "Time", id="timeline.clock"),
    ]

    def compose(self) -> ComposeResult:
        """The parts, from the top."""
        signs = self._signs
        yield Head(signs=signs)
        yield Ribbon(signs=signs)
        with Horizontal():
            yield TimelineRows(signs=signs)
        yield Footer()

    @property
    def _signs(self) -> Signs:
        return signs_for(ascii_only=bool(getattr(self.app, "ascii_only", False)))

    def show(self, view: RunView) -> None:
        """Fill the widgets from a view."""
        names = [party.name for party in view.parties.every]
        parties = ordered(names, [], [])
        self.query_one(Head).view = view
        ribbon = self.query_one(Ribbon)
        ribbon.view, ribbon.parties = view, tuple(parties)
        rows = self.query_one(TimelineRows)
        first = rows.view is None
        rows.show(view, parties)
        if first and (finding := view.gravest()) is not None:
            event = view.event_of(finding)
            rows.go_to(int(view.events.t_ns[event]), event)

    def go_to(self, t_ns: int, event: int | None) -> None:
        """Show a moment."""
        self.query_one(TimelineRows).go_to(t_ns, event)

    def on_timeline_rows_moved(self, message: TimelineRows.Moved) -> None:
        """Keep the ribbon with the timeline."""
        self.query_one(Ribbon).window = self.query_one(TimelineRows).visible_ns()

    def on_ribbon_chosen(self, message: Ribbon.Chosen) -> None:
        """Go where the user pointed."""
        self.go_to(message.t_ns, None)

    def on_head_story_chosen(self) -> None:
        """Go to the gravest finding."""
        if self.view is not None and (finding := self.view.gravest()) is not None:
            self.go_to(finding.t_ns, self.view.event_of(finding))

    def action_clock(self) -> None:
        """Write times another way."""
        rows = self.query_one(TimelineRows)
        rows.clock = CLOCKS[(CLOCKS.index(rows.clock) + 1) % len(CLOCKS)]
