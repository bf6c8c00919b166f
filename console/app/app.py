"""The app: one run, its screens, and the way between them."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from importlib import import_module
from pathlib import Path
from typing import TYPE_CHECKING, Any, ClassVar

from textual.binding import Binding, BindingType
from textual.command import Provider
from textual.screen import Screen
from textual.widgets import HelpPanel

from console.app.opening import OPENING, START, OpeningApp
from console.app.plain_toolkit import draw_scroll_bars, key_words
from console.app.screens.run_screen import Decided, GoTo, RunScreen
from console.app.state.request import Request
from console.app.themes import THEMES, variables

if TYPE_CHECKING:
    from console.app.run_view import RunView
    from console.pipeline.recording import Recording

# Mode -> module and class. Over a run they are imported when the first of it was read.
SCREENS = {
    "timeline": ("console.app.screens.timeline", "TimelineScreen"),
    "findings": ("console.app.screens.findings", "FindingsScreen"),
    "clocks": ("console.app.screens.clocks", "ClocksScreen"),
    "trust": ("console.app.screens.trust", "TrustScreen"),
    "numbers": ("console.app.screens.numbers", "NumbersScreen"),
    "recording": ("console.app.screens.recording", "RecordingScreen"),
    "lockup": ("console.app.screens.lockup", "LockupScreen"),
}
AROUND = {
    START: ("console.app.screens.start", "StartScreen"),
    OPENING: ("console.app.screens.opening", "OpeningScreen"),
}
MOST_PLACES = 100  # kept for the way back
Place = tuple[str, int, int | None]  # mode; time and event on the timeline


def _screen(module: str, name: str) -> Screen[Any]:
    """A new screen; its module is imported now at the latest."""
    made: Screen[Any] = getattr(import_module(module), name)()
    return made


def _palette() -> type[Provider]:
    """What the palette offers beside the toolkit's own; imported when it is opened."""
    from console.app.palette import PlacesProvider

    return PlacesProvider


class LastackApp(OpeningApp):
    """The console over one run."""

    TITLE = "lastack"
    CSS_PATH = "app.tcss"
    COMMANDS = OpeningApp.COMMANDS | {_palette}
    MODES: ClassVar[dict[str, str | Callable[[], Screen[Any]]]] = {
        name: partial(_screen, *where) for name, where in {**SCREENS, **AROUND}.items()
    }
    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("question_mark", "help", "Help", id="app.help"),
        Binding("1", "switch_to('timeline')", "Timeline", id="app.timeline"),
        Binding("2", "switch_to('findings')", "Findings", id="app.findings"),
        Binding("3", "switch_to('clocks')", "Clocks", id="app.clocks"),
        Binding("4", "switch_to('trust')", "Trust", id="app.trust"),
        Binding("5", "switch_to('numbers')", "Numbers", id="app.numbers"),
        Binding("6", "switch_to('recording')", "Recording", id="app.recording"),
        Binding("7", "switch_to('lockup')", "Lockup", id="app.lockup"),
        Binding("b", "back", "Back", id="app.back"),
        Binding("q", "quit", "Quit", id="app.quit"),
    ]

    def __init__(
        self,
        request: Request | None = None,
        *,
        starts: bool = False,
        ascii_only: bool = False,
        home: Path | None = None,
        recording: Recording | None = None,
    ) -> None:
        """An app on `request`, on the start screen, or on the timeline of a view still to be set.

        Args:
            request: what to open.
            starts: whether to begin on the start screen.
            ascii_only: whether to draw with ASCII alone.
            home: the state directory; None: nothing is remembered and nothing kept.
            recording: the recording of the run asked for, where this process does it.
        """
        super().__init__(
            request, starts=starts, ascii_only=ascii_only, home=home, recording=recording
        )
        draw_scroll_bars(ascii_only=ascii_only)
        self.set_class(ascii_only, "-ascii")
        self.places: list[Place] = []  # for the way back
        for theme in THEMES:
            self.register_theme(theme)
        self.theme = self.remembered_theme(THEMES[0].name)

    def get_key_display(self, binding: Binding) -> str:
        """A key as the footer and the help show it."""
        return key_words(super().get_key_display(binding), binding, ascii_only=self.ascii_only)

    def get_theme_variable_defaults(self) -> dict[str, str]:
        """Our own variables, under whatever theme."""
        return variables(dark=self.current_theme.dark)

    def prepare_screens(self) -> None:
        """Import what will show the run, on the thread that calls."""
        for module, _ in SCREENS.values():
            import_module(module)

    async def show_run(self) -> None:
        """Show the run on its first screen."""
        await self.action_switch_to("timeline")

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
        self.remember()
        await self._show_place(("timeline", message.t_ns, message.event))

    def remember(self) -> None:
        """Keep where the user is, for the way back."""
        from console.app.screens.timeline import TimelineScreen

        t_ns, event = self.screen.place() if isinstance(self.screen, TimelineScreen) else (0, None)
        place = (self.current_mode, t_ns, event)
        if not self.places or self.places[-1] != place:
            self.places = [*self.places[-MOST_PLACES:], place]

    def action_help(self) -> None:
        """Open the list of keys, or close it."""
        if self.screen.query(HelpPanel):
            self.action_hide_help_panel()
        else:
            self.action_show_help_panel()

    async def action_back(self) -> None:
        """Go back to where the user was before the last jump."""
        if self.places:
            await self._show_place(self.places.pop())

    async def _show_place(self, place: Place) -> None:
        from console.app.screens.timeline import TimelineScreen

        mode, t_ns, event = place
        await self.action_switch_to(mode)
        if isinstance(self.screen, TimelineScreen):
            self.screen.go_to(t_ns, event)

    @property
    def can_settle(self) -> bool:
        """Whether the run is read, so that its clocks can be settled otherwise."""
        return self.loader is not None and self.loader.reading is not None

    def on_decided(self, message: Decided) -> None:
        """Keep what was decided about clocks, and settle them again."""
        from console.app.state.kept_decisions import kept_decisions

        self.kept.decisions = kept_decisions(message.decisions)
        self.keep()
        self.settle_again()
