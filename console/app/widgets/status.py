"""What every screen shows of the opening: what went wrong, and how far the reading is."""

from __future__ import annotations

from textual.app import ComposeResult
from textual.containers import Vertical

from console.app.loading import Progress
from console.app.signs import Signs
from console.app.widgets.progress_line import ProgressLine
from console.app.widgets.trouble import TroublePanel


class Status(Vertical):
    """Above the footer, as high as what there is to say. Follows the app; asks for nothing."""

    DEFAULT_CSS = "Status { dock: bottom; height: auto; margin: 0 0 1 0; display: none; }"

    def __init__(self, signs: Signs) -> None:
        super().__init__()
        self._signs = signs

    def compose(self) -> ComposeResult:
        """One for what is wrong, one for what goes on."""
        yield TroublePanel(self._signs)
        yield ProgressLine(self._signs)

    def on_mount(self) -> None:
        """Follow the app's state, where it has one."""
        if hasattr(self.app, "troubles"):
            self.watch(self.app, "troubles", self._tell)
            self.watch(self.app, "progress", self._count)

    def _tell(self, troubles: tuple[str, ...]) -> None:
        self.query_one(TroublePanel).troubles = troubles
        self._hide_when_empty()

    def _count(self, progress: Progress | None) -> None:
        self.query_one(ProgressLine).progress = progress
        self._hide_when_empty()

    def _hide_when_empty(self) -> None:
        """Its margin would cost a row even so."""
        self.display = any(child.display for child in self.children)
