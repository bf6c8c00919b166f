"""One line under the timeline: what a key did, and how far the mark is."""

from __future__ import annotations

from typing import ClassVar

from rich.cells import cell_len
from rich.segment import Segment
from textual.reactive import reactive
from textual.strip import Strip
from textual.widget import Widget

from console.app.timeline.pieces import cut
from console.printable import printable


class SaidLine(Widget):
    """Says what happened at its left, and what stands for longer at its right."""

    COMPONENT_CLASSES: ClassVar[set[str]] = {"said-line--said", "said-line--standing"}
    DEFAULT_CSS = """
    SaidLine { height: 1; background: $panel; color: $quiet; }
    SaidLine .said-line--said { color: $accent; }
    SaidLine .said-line--standing { color: $foreground; }
    """
    said: reactive[str] = reactive("")
    standing: reactive[str] = reactive("")

    def render_line(self, y: int) -> Strip:
        """The line."""
        width = self.size.width
        standing = cut(printable(self.standing), max(width - 2, 0), "~")
        room = width - cell_len(standing) - 3
        said = cut(printable(self.said), max(room, 0), "~")
        gap = " " * max(width - cell_len(said) - cell_len(standing) - 2, 0)
        return Strip(
            [
                Segment(" " + said, self.get_component_rich_style("said-line--said")),
                Segment(gap, self.rich_style),
                Segment(standing + " ", self.get_component_rich_style("said-line--standing")),
            ]
        ).adjust_cell_length(width, self.rich_style)
