"""The app: one run, its screens, and the way between them."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, ClassVar

from textual.app import App
from textual.binding import Binding, BindingType
from textual.reactive import reactive
from textual.screen import Screen

from console.app.kept import Kept
from console.app.run_view import RunView
from console.app.screens.findings import FindingsScreen
from console.app.screens.run_screen import GoTo, RunScreen
from console.app.screens.timeline import TimelineScreen
from console.app.themes import THEMES, variables

SCREENS = {"timeline": TimelineScreen, "findings": FindingsScreen}
MOST_PLACES = 100  # kept for the way back


class LastackApp(App[int]):
    """The console over one run."""

    TITLE = "lastack"
    CSS_PATH = "app.tcss"
    MODES: ClassVar[dict[str, str | Callable[[], Screen[Any]]]] = dict(SCREENS)
    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("1", "switch_to('timeline')", "Timeline", id="app.timeline"),
        Binding("2", "switch_to('findings')", "Findings", id="app.findings"),
        Binding("b", "back", "Back", id="app.back"),
        Binding("question_mark", "show_help_panel", "Help", id="app.help"),
        Binding("q", "quit", "Quit", id="app.quit"),
    ]

    view: reactive[RunView | None] = reactive(None, init=False)

    def __init__(self, *, ascii_only: bool = False) -> None:
        super().__init__()
        self.ascii_only = ascii_only
        self.kept = Kept()  # changed in place; `keep` saves it
        self.places: list[tuple[str, int]] = []  # mode and time, for the way back
        for theme in THEMES:
            self.register_theme(theme)
        self.theme = THEMES[0].name

    def get_theme_variable_defaults(self) -> dict[str, str]:
        """Our own variables, under whatever theme."""
        return variables(dark=self.current_theme.dark)

    def keep(self) -> None:
        """Save what is kept of the run."""

    def on_mount(self) -> None:
        """Begin on the timeline."""
        self.switch_mode("timeline")

    def watch_view(self, view: RunView | None) -> None:
        """Hand a run to the screen that shows."""
        self._hand_over()

    def _hand_over(self) -> None:
        if isinstance(self.screen, RunScreen):
            self.screen.view = self.view

    async def action_switch_to(self, name: str) -> None:
        """Show another screen."""
        await self.switch_mode(name)
        self._hand_over()

    async def on_go_to(self, message: GoTo) -> None:
        """Show a moment on the timeline."""
        await self.action_switch_to("timeline")
        if isinstance(self.screen, TimelineScreen):
            self.screen.go_to(message.t_ns, message.event)
