"""The numbers screen: numeric fields of the run over time, with their limits."""

from __future__ import annotations

from typing import ClassVar

from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.widgets import Footer

from console.app.run_view import RunView
from console.app.screens.run_screen import GoTo, RunScreen
from console.app.widgets.head import Head
from console.app.widgets.numbers_view import NumbersView


class NumbersScreen(RunScreen):
    """Numbers beside one another; a key shows the moment under the cursor on the timeline."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("g", "to_timeline", "To the timeline", id="numbers.timeline"),
    ]

    def compose(self) -> ComposeResult:
        """Head and keys; the numbers come with the first view."""
        yield Head(signs=self.signs)
        yield Footer()

    def show(self, view: RunView) -> None:
        """Show the numbers of a view; what is chosen stays when more has been read."""
        self.query_one(Head).view = view
        found = self.query(NumbersView)
        if found:
            found.first().show(view.tables, *view.span_ns)
            return
        packets = {} if view.file is None else view.file.packets
        numbers = NumbersView(
            view.tables,
            view.bench,
            packets,
            *view.span_ns,
            ascii_only=self.host.ascii_only,
        )
        numbers.place_ns = self._place_ns(view)
        self.mount(numbers, before=self.query_one(Footer))
        self.call_after_refresh(numbers.plot.focus)

    def on_screen_resume(self) -> None:
        """Show the place where the user stands on the timeline."""
        found = self.query(NumbersView)
        if found and self.view is not None:
            found.first().place_ns = self._place_ns(self.view)

    def _place_ns(self, view: RunView) -> int:
        kept = self.host.kept.place_ns
        return view.start_ns if kept is None else kept

    def action_to_timeline(self) -> None:
        """Show the moment under the cursor on the timeline."""
        self.post_message(GoTo(self.query_one(NumbersView).place_ns))
