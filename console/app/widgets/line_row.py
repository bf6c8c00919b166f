"""One row of text drawn from pieces, under a line that is typed on."""

from __future__ import annotations

from typing import ClassVar

from rich.segment import Segment
from textual.reactive import reactive
from textual.strip import Strip
from textual.widget import Widget

from console.app.timeline.pieces import Row


class LineRow(Widget):
    """A row of pieces: clean text, and one of the styles `text`, `lit`, `quiet`, `bad`."""

    COMPONENT_CLASSES: ClassVar[set[str]] = {
        "line-row--text",
        "line-row--lit",
        "line-row--quiet",
        "line-row--bad",
    }
    DEFAULT_CSS = """
    LineRow { height: 1; background: $panel; }
    LineRow .line-row--text { color: $foreground; }
    LineRow .line-row--lit { color: $lit; text-style: bold; }
    LineRow .line-row--quiet { color: $quiet; }
    LineRow .line-row--bad { color: $sign-bad; }
    """
    row: reactive[Row] = reactive(list)  # replaced, never changed in place

    def watch_row(self, row: Row) -> None:
        """A row without anything on it takes no room."""
        self.display = bool(row)

    def render_line(self, y: int) -> Strip:
        """The row."""
        pieces = [
            Segment(text, self.get_component_rich_style(f"line-row--{style}"))
            for text, style in self.row
        ]
        return Strip(pieces).adjust_cell_length(self.size.width, self.rich_style)
