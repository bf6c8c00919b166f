"""The side sheet: everything about the selected event, beside the timeline."""

from __future__ import annotations

from typing import ClassVar

from rich.segment import Segment
from rich.style import Style
from textual.geometry import Size
from textual.reactive import reactive
from textual.scroll_view import ScrollView
from textual.selection import Selection
from textual.strip import Strip

from console.app.timeline.pieces import Row
from console.app.widgets.sheet_rows import STYLES, sheet_rows, text_of
from console.timeline.sheet.lines import Sheet

COPIED_CELLS = 76  # width of the sheet as text
NOTHING = "  nothing selected"


class SideSheet(ScrollView, can_focus=True):
    """Explains one event. Its parent gives it the sheet, and shows or hides it."""

    COMPONENT_CLASSES: ClassVar[set[str]] = {f"side-sheet--{name}" for name in STYLES}
    DEFAULT_CSS = """
    SideSheet {
        width: 40;
        height: 1fr;
        padding: 0 0 0 1;
        overflow-x: hidden;
        scrollbar-gutter: stable;
        scrollbar-size-vertical: 1;
        background: $surface;
        color: $foreground;
    }
    SideSheet .side-sheet--title { color: $lit; text-style: bold; }
    SideSheet .side-sheet--heading { color: $primary; text-style: bold; }
    SideSheet .side-sheet--name { color: $foreground 80%; }
    SideSheet .side-sheet--value { color: $foreground; }
    SideSheet .side-sheet--hex { color: $foreground 80%; }
    SideSheet .side-sheet--dim { color: $quiet; }
    SideSheet .side-sheet--lit { color: $lit; text-style: bold; }
    SideSheet .side-sheet--bad { color: $sign-bad; text-style: bold; }
    SideSheet .side-sheet--warning { color: $sign-warning; }
    SideSheet .side-sheet--good { color: $sign-good; }
    """
    ALLOW_SELECT = True

    sheet: reactive[Sheet | None] = reactive(None, repaint=False, init=False)

    def __init__(
        self,
        *,
        ascii_only: bool = False,
        id: str | None = None,  # noqa: A002 - as every widget has it
    ) -> None:
        super().__init__(id=id)
        self.ascii_only = ascii_only
        self._rows: list[Row] = []
        self._styles: dict[str, Style] = {}

    def as_text(self) -> str:
        """The sheet as plain text, at a width of its own, to be copied."""
        if self.sheet is None:
            return ""
        rows = sheet_rows(self.sheet, COPIED_CELLS, ascii_only=self.ascii_only)
        return text_of(rows) + "\n"

    def watch_sheet(self) -> None:
        """Begin at the top of another sheet."""
        self._lay_out()
        self.scroll_to(y=0, animate=False)

    def on_resize(self) -> None:
        """Lay the rows out anew: they are wrapped, never scrolled sideways."""
        self._lay_out()

    def notify_style_update(self) -> None:
        """Forget the colours of another theme."""
        super().notify_style_update()
        self._styles.clear()

    def _lay_out(self) -> None:
        width = self.scrollable_content_region.width
        if self.sheet is None or not width:
            self._rows = []
        else:
            self._rows = sheet_rows(self.sheet, width, ascii_only=self.ascii_only)
        self.virtual_size = Size(width, len(self._rows))
        self.refresh()

    def render_line(self, y: int) -> Strip:
        """One line of the screen."""
        width, row = self.scrollable_content_region.width, y + self.scroll_offset.y
        if self.sheet is None and row == 0:
            pieces: Row = [(NOTHING, "dim")]
        else:
            pieces = self._rows[row] if row < len(self._rows) else []
        strip = Strip([Segment(text, self._style(name)) for text, name in pieces])
        strip = strip.adjust_cell_length(width, self._style("value"))
        selection = self.text_selection
        if selection is not None and (span := selection.get_span(row)) is not None:
            begin, end = span
            end = width if end == -1 else end
            picked = self.screen.get_component_rich_style("screen--selection")
            before, within, behind = strip.divide([begin, end, width])
            strip = Strip.join([before, within.apply_style(picked), behind])
        return strip.apply_offsets(0, row)

    def get_selection(self, selection: Selection) -> tuple[str, str] | None:
        """The selected rows as text."""
        return selection.extract(text_of(self._rows)), "\n"

    def _style(self, name: str) -> Style:
        if name not in self._styles:
            self._styles[name] = self.get_component_rich_style(f"side-sheet--{name}")
        return self._styles[name]
