"""What is seen first while a run is opened: its name, until its first source is there."""

from __future__ import annotations

from typing import TYPE_CHECKING, cast

from textual.app import ComposeResult
from textual.containers import Vertical
from textual.content import Content
from textual.screen import Screen
from textual.widgets import Footer, Static

from console.app.widgets.status import Status
from console.app.widgets.wordmark import Wordmark
from console.printable import printable

if TYPE_CHECKING:
    from console.app.opening import OpeningApp


class OpeningScreen(Screen[None]):
    """The name of what is being opened; how far that is stands in the status."""

    DEFAULT_CSS = """
    OpeningScreen { align: center middle; }
    OpeningScreen #opening { width: 74; max-width: 96%; height: auto; }
    OpeningScreen #what { height: 1; margin: 1 0 0 0; }
    """

    def compose(self) -> ComposeResult:
        """Wordmark, name, status."""
        app = cast("OpeningApp", self.app)
        with Vertical(id="opening"):
            yield Wordmark(ascii_only=app.ascii_only)
            yield Static(id="what", markup=False)
        yield Status(app.signs)
        yield Footer()

    def on_screen_resume(self) -> None:
        """Say what is being opened now."""
        request = cast("OpeningApp", self.app).request
        words = printable(request.words) if request is not None else ""
        self.query_one("#what", Static).update(
            Content.assemble(("opening ", "$quiet"), (words, "$lit"))
        )
