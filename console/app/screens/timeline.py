"""The timeline screen: story, ribbon, the timeline itself and the side sheet."""

from __future__ import annotations

from console.app.run_view import RunView
from console.app.screens.run_screen import RunScreen


class TimelineScreen(RunScreen):
    """Parties side by side, time running down."""

    def show(self, view: RunView) -> None:
        """Fill the widgets from a view."""

    def go_to(self, t_ns: int, event: int | None) -> None:
        """Show a moment."""
