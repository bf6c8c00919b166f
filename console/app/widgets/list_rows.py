"""A list with a cursor of which only the rows on the screen are drawn: the base of our lists."""

from __future__ import annotations

from typing import ClassVar

from rich.segment import Segment
from rich.style import Style
from textual import events
from textual.binding import Binding, BindingType
from textual.geometry import Size
from textual.message import Message
from textual.reactive import reactive
from textual.scroll_view import ScrollView
from textual.strip import Strip

from console.app.themes import PARTIES
from console.app.timeline.pieces import Row

STYLES = ("text", "quiet", "lit", "head", "bad", "warning", "good", "here")
PARTY_STYLES = tuple(f"party-{k + 1}" for k in range(PARTIES))
HEAD = 1  # lines above the rows, which stay


def party_style(party: int | None) -> str:
    """The style of a party's name; plain for what is no party."""
    return "text" if party is None else PARTY_STYLES[party % PARTIES]


class ListRows(ScrollView, can_focus=True):
    """Rows under a head line. Subclasses say how many, and what stands on each.

    Rows are drawn from pieces: text that was cleaned, and one of `STYLES` or `PARTY_STYLES`.
    """

    COMPONENT_CLASSES: ClassVar[set[str]] = {
        *(f"list--{name}" for name in (*STYLES, *PARTY_STYLES)),
    }
    DEFAULT_CSS = """
    ListRows { height: 1fr; overflow-x: hidden; background: $background;
        scrollbar-size-vertical: 1; scrollbar-color: $quiet; scrollbar-background: $surface; }
    ListRows .list--text { color: $foreground; }
    ListRows .list--quiet { color: $quiet; }
    ListRows .list--lit { color: $lit; text-style: bold; }
    ListRows .list--head { color: $quiet; background: $surface; }
    ListRows .list--bad { color: $sign-bad; text-style: bold; }
    ListRows .list--warning { color: $sign-warning; }
    ListRows .list--good { color: $sign-good; }
    ListRows .list--here { background: $here; }
    """ + "".join(f"ListRows .list--{name} {{ color: ${name}; }}\n" for name in PARTY_STYLES)
    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("up", "move(-1)", "Up", show=False, id="list.up"),
        Binding("down", "move(1)", "Down", show=False, id="list.down"),
        Binding("pageup", "page(-1)", "Page up", show=False, id="list.page_up"),
        Binding("pagedown", "page(1)", "Page down", show=False, id="list.page_down"),
        Binding("home", "end(-1)", "First", show=False, id="list.first"),
        Binding("end", "end(1)", "Last", show=False, id="list.last"),
        Binding("enter", "choose", "Go there", id="list.choose"),
    ]

    cursor = reactive(0, repaint=False, init=False)

    class Moved(Message):
        """The cursor stands on another row."""

        def __init__(self, rows: ListRows) -> None:
            super().__init__()
            self.rows = rows

        @property
        def control(self) -> ListRows:
            """The list it is about."""
            return self.rows

    class Chosen(Moved):
        """The user wants to go where the row under the cursor leads."""

    def __init__(self, *, id: str | None = None) -> None:  # noqa: A002 - as every widget has it
        super().__init__(id=id)
        self._styles: dict[str, Style] = {}

    def row_count(self) -> int:
        """How many rows there are."""
        raise NotImplementedError

    def pieces(self, row: int, width: int) -> Row:
        """What stands on a row; what is wider is cut off."""
        raise NotImplementedError

    def head(self, width: int) -> Row:
        """What stands above the rows."""
        raise NotImplementedError

    def is_stop(self, row: int) -> bool:
        """Whether the cursor may stand on a row."""
        return row >= 0

    def renew(self, cursor: int | None = None) -> None:
        """Draw everything again after the rows have changed, the cursor on a row that is there."""
        self._fit()
        wanted = self.cursor if cursor is None else cursor
        self.set_reactive(ListRows.cursor, self._stop_near(wanted, 1))
        self.refresh()
        self.call_after_refresh(self._reveal)

    def notify_style_update(self) -> None:
        """Forget the colours of another theme."""
        super().notify_style_update()
        self._styles.clear()

    def on_resize(self) -> None:
        """As wide as the widget: rows are cut, never scrolled sideways."""
        self._fit()
        self._reveal()

    def _fit(self) -> None:
        self.virtual_size = Size(self.line_width, self.row_count() + HEAD)

    @property
    def line_width(self) -> int:
        """Cells of a row, beside the scrollbar where there is one."""
        width: int = self.scrollable_content_region.width
        return width

    def watch_cursor(self, old: int, new: int) -> None:
        """Draw the two rows, keep the cursor on the screen, and tell."""
        self.refresh_line(old + HEAD)
        self.refresh_line(new + HEAD)
        self._reveal()
        self.post_message(self.Moved(self))

    def _reveal(self) -> None:
        visible = max(1, self.size.height - HEAD)
        top = self.scroll_offset.y
        if self.cursor < top:
            # What stands above the first row that can be chosen belongs to it.
            first = self._stop_near(0, 1)
            self.scroll_to(y=0 if self.cursor == first else self.cursor, animate=False)
        elif self.cursor == top + visible:
            self.scroll_to(y=top + 1, animate=False)
        elif self.cursor > top + visible:  # from afar: with what follows it
            self.scroll_to(y=self.cursor - visible // 2, animate=False)

    def action_move(self, by: int) -> None:
        """One row up or down."""
        self.cursor = self._stop_near(self.cursor + by, by)

    def action_page(self, by: int) -> None:
        """A page up or down."""
        self.cursor = self._stop_near(self.cursor + by * max(1, self.size.height - HEAD - 1), by)

    def action_end(self, by: int) -> None:
        """To the first or the last row."""
        self.cursor = self._stop_near(self.row_count() - 1 if by > 0 else 0, -by)

    def action_choose(self) -> None:
        """Go where the row leads."""
        if self.row_count():
            self.post_message(self.Chosen(self))

    def _stop_near(self, row: int, by: int) -> int:
        """The row, or the next in a direction where the cursor may stand, or the last before."""
        count = self.row_count()
        row = max(0, min(row, count - 1))
        for direction in (by, -by):
            at = row
            while 0 <= at < count:
                if self.is_stop(at):
                    return at
                at += 1 if direction > 0 else -1
        return row

    def on_click(self, event: events.Click) -> None:
        """A click chooses a row; another one on it goes there."""
        offset = event.get_content_offset(self)
        if offset is None or offset.y < HEAD:
            return
        row = offset.y - HEAD + self.scroll_offset.y
        if row < self.row_count() and self.is_stop(row):
            was, self.cursor = self.cursor, row
            if event.chain > 1 and was == row:
                self.action_choose()

    def render_line(self, y: int) -> Strip:
        """One line of the screen."""
        width = self.line_width
        row = y - HEAD + self.scroll_offset.y
        if y < HEAD:
            ground = Style(bgcolor=self.style("head").bgcolor)
            head = self._strip(self.head(width), width, "head")
            return Strip([Segment(s.text, (s.style or ground) + ground) for s in head], width)
        if row >= self.row_count():
            return Strip.blank(width, self.style("text"))
        strip = self._strip(self.pieces(row, width), width, "text")
        if row == self.cursor and self.is_stop(row):
            here = Style(bgcolor=self.style("here").bgcolor)
            bold = Style(bold=True) if self.has_focus else Style()
            strip = Strip([Segment(s.text, (s.style or here) + here + bold) for s in strip], width)
        return strip

    def _strip(self, row: Row, width: int, rest: str) -> Strip:
        strip = Strip([Segment(text, self.style(name)) for text, name in row])
        return strip.adjust_cell_length(width, self.style(rest))

    def style(self, name: str) -> Style:
        """The look of a style by name, of the theme that is in use."""
        if name not in self._styles:
            self._styles[name] = self.get_component_rich_style(f"list--{name}")
        return self._styles[name]
