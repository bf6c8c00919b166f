"""The timeline itself: time running down, a column per party, at three depths."""

from __future__ import annotations

from collections.abc import Sequence
from typing import ClassVar, Literal

import numpy as np
import numpy.typing as npt
from rich.segment import Segment
from rich.style import Style
from textual import events as tui
from textual.binding import Binding, BindingType
from textual.geometry import Size
from textual.message import Message
from textual.reactive import reactive
from textual.strip import Strip
from textual.widget import Widget

from console.app.run_view import RunView
from console.app.signs import UNICODE, Signs
from console.app.timeline.columns import Columns, columns_for
from console.app.timeline.drawing import Drawing
from console.app.timeline.gutter import Clock
from console.app.timeline.pieces import Row
from console.app.timeline.shown import Shown
from console.app.timeline.viewport import (
    BIT,
    BUCKET,
    EVENT,
    WAIT,
    Line,
    bucket_lines,
    event_lines,
    row_of,
    within,
)
from console.timeline.buckets import WIDTHS_NS

Depth = Literal["minutes", "events", "bits"]
DEPTHS: tuple[Depth, ...] = ("minutes", "events", "bits")
MOST_CELLS = 400_000  # buckets times parties: 25 MB of counts
WHEEL = 3  # events, or lines of bits, that a turn of the wheel goes on
STYLES = (
    "text", "quiet", "time", "line", "link", "bad", "odd", "unseen", "lit", "cursor", "bracket",
    "head", "head-chosen", "here", "note", *(f"party-{k}" for k in range(1, 9)),
)  # fmt: skip


class TimelineRows(Widget, can_focus=True):
    """Rows of events, or of minutes, or the bits under an event.

    It is told what to show by its attributes; `Moved` says where the user went.
    """

    COMPONENT_CLASSES: ClassVar[set[str]] = {f"timeline-rows--{name}" for name in STYLES}
    DEFAULT_CSS = """
    TimelineRows { height: 1fr; width: 1fr; }
    TimelineRows .timeline-rows--text { color: $foreground; }
    TimelineRows .timeline-rows--quiet { color: $quiet; }
    TimelineRows .timeline-rows--time { color: $quiet; }
    TimelineRows .timeline-rows--line { color: $quiet 70%; }
    TimelineRows .timeline-rows--link { color: $secondary; }
    TimelineRows .timeline-rows--bad { color: $sign-bad; text-style: bold; }
    TimelineRows .timeline-rows--odd { color: $sign-warning; }
    TimelineRows .timeline-rows--unseen { color: $quiet; text-style: italic; }
    TimelineRows .timeline-rows--lit { color: $lit; text-style: bold; }
    TimelineRows .timeline-rows--cursor { color: $primary; text-style: bold; }
    TimelineRows .timeline-rows--bracket { color: $accent; }
    TimelineRows .timeline-rows--note { color: $accent; text-style: italic; }
    TimelineRows .timeline-rows--head { color: $foreground; text-style: bold; background: $panel; }
    TimelineRows .timeline-rows--head-chosen {
        color: $primary; text-style: bold underline; background: $panel;
    }
    TimelineRows .timeline-rows--here { background: $here; }
    TimelineRows .timeline-rows--party-1 { color: $party-1; }
    TimelineRows .timeline-rows--party-2 { color: $party-2; }
    TimelineRows .timeline-rows--party-3 { color: $party-3; }
    TimelineRows .timeline-rows--party-4 { color: $party-4; }
    TimelineRows .timeline-rows--party-5 { color: $party-5; }
    TimelineRows .timeline-rows--party-6 { color: $party-6; }
    TimelineRows .timeline-rows--party-7 { color: $party-7; }
    TimelineRows .timeline-rows--party-8 { color: $party-8; }
    """
    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("up,k", "move(-1)", "Up", show=False, id="timeline.up"),
        Binding("down,j", "move(1)", "Down", show=False, id="timeline.down"),
        Binding("pageup", "page(-1)", "Page up", show=False, id="timeline.page_up"),
        Binding("pagedown", "page(1)", "Page down", show=False, id="timeline.page_down"),
        Binding("home", "end(0)", "Begin", show=False, id="timeline.begin"),
        Binding("end", "end(1)", "End", show=False, id="timeline.end"),
        Binding("left", "column(-1)", "Column left", show=False, id="timeline.left"),
        Binding("right", "column(1)", "Column right", show=False, id="timeline.right"),
        Binding("enter", "deeper(1)", "Closer", id="timeline.closer"),
        Binding("escape", "deeper(-1)", "Further", id="timeline.further"),
        Binding("plus,equals_sign", "width(-1)", "Finer rows", show=False, id="timeline.finer"),
        Binding("minus", "width(1)", "Coarser rows", show=False, id="timeline.coarser"),
    ]

    class Moved(Message):
        """The chosen event or place changed, or the depth."""

        def __init__(self, event: int | None, t_ns: int, depth: Depth) -> None:
            super().__init__()
            self.event = event
            self.t_ns = t_ns
            self.depth = depth

    depth: reactive[Depth] = reactive("events", init=False)
    clock: reactive[Clock] = reactive("start", init=False)
    mark_ns: reactive[int | None] = reactive(None, init=False)
    marks_ns: reactive[frozenset[int]] = reactive(frozenset(), init=False)
    bucket_ns: reactive[int] = reactive(60_000_000_000, init=False)

    def __init__(self, *, signs: Signs = UNICODE) -> None:
        super().__init__()
        self.signs = signs
        self.view: RunView | None = None
        self.drawing: Drawing | None = None
        self.parties: list[int] = []  # in the user's order, hidden ones left out
        self.chosen_party = 0  # position in parties
        self.shown: Shown | None = None
        self.cursor = 0  # position in shown
        self.place_ns = 0
        self.first_bit = 0
        self._y = 4  # row of the cursor below the head line
        self._was_laid_out = False
        self._lines: list[Line] | None = None
        self._laid_columns: Columns | None = None
        self._drawn_for = Size(0, 0)
        self._strips: dict[int, Strip] = {}
        self._styles: dict[str, Style] = {}

    # --- what is shown ---

    def show(
        self,
        view: RunView,
        parties: Sequence[int],
        keep: npt.NDArray[np.bool_] | None = None,
        place_ns: int | None = None,
    ) -> None:
        """Show a run, or another choice of its events.

        Args:
            view: the run.
            parties: indices of the columns in order.
            keep: bool[n] which events pass the filter; None: all.
            place_ns: where to stand; None: where it stands now.
        """
        event = self.event if view is self.view else None
        if view is not self.view:
            if self.view is None or view.held is None:  # else the same run, and the user's width
                self.set_reactive(TimelineRows.bucket_ns, view.usual_width_ns())
            self.view = view
        self.drawing = Drawing(view, self.signs, keep)
        self.drawing.marks_ns = self.marks_ns
        self.parties = list(parties)
        self.chosen_party = min(self.chosen_party, max(len(self.parties) - 1, 0))
        self.shown = Shown(view.events, self._kept(view, keep))
        if place_ns is not None:
            self.place_ns = place_ns
        self.cursor = self.shown.near(self.place_ns)
        if event is not None and place_ns is None and self.depth != "minutes":
            self.cursor = self.shown.position(event)
        self._changed()

    def _kept(
        self, view: RunView, keep: npt.NDArray[np.bool_] | None
    ) -> npt.NDArray[np.bool_] | None:
        if len(self.parties) == len(view.parties.every):
            return keep
        wanted = np.zeros(len(view.parties.every), np.bool_)
        wanted[self.parties] = True
        mask = wanted[view.events.party]
        return mask if keep is None else mask & keep

    def go_to(self, t_ns: int, event: int | None = None, depth: Depth | None = None) -> None:
        """Stand on an event, or at a time."""
        if self.shown is None or self.view is None:
            self.place_ns = t_ns
            return
        self.cursor = self.shown.near(t_ns) if event is None else self.shown.position(event)
        self.place_ns, self.first_bit = t_ns, 0
        self._y = within(self.size.height // 3, self._height)
        if event is not None:
            self._show_column(int(self.view.events.party[event]))
        if depth is not None:
            self.set_reactive(TimelineRows.depth, depth)
        self._changed()

    def _show_column(self, party: int) -> None:
        """Choose a party's column where it is beside the screen."""
        if party in (columns := self._columns()).left + columns.right:
            self.chosen_party = self.parties.index(party)

    @property
    def event(self) -> int | None:
        """The chosen event."""
        if self.shown is None or not len(self.shown):
            return None
        return self.shown.event(self.cursor)

    @property
    def party(self) -> int | None:
        """The party whose column is chosen."""
        return self.parties[self.chosen_party] if self.parties else None

    def visible_ns(self) -> tuple[int, int]:
        """First and last time on the screen."""
        lines = self._laid_out()
        times = [t for t in (self._time_of(line) for line in lines) if t is not None]
        if not times or self.view is None:
            return self.place_ns, self.place_ns
        more = self.bucket_ns if self.depth == "minutes" else 0
        return min(times), max(times) + more

    # --- moving ---

    def action_move(self, rows: int) -> None:
        """Go some events or buckets on."""
        if self.shown is None or self.view is None or not len(self.shown):
            return
        if self.depth == "minutes":
            buckets, _ = self.view.buckets(self.bucket_ns)
            k = max(0, min(buckets.at(self.place_ns) + rows, len(buckets) - 1))
            self._stand_in_bucket(k)
            return
        self._stand_on(max(0, min(self.cursor + rows, len(self.shown) - 1)))

    def action_page(self, pages: int) -> None:
        """Go a screen on; lines of bits first."""
        lines = self._laid_out()
        if self.depth == "bits" and self._page_bits(pages):
            return
        kind = BUCKET if self.depth == "minutes" else EVENT
        rows = max(sum(line.kind == kind for line in lines) - 1, 1)
        self.action_move(pages * rows)

    def _page_bits(self, pages: int) -> bool:
        """Whether there were lines of bits to go to that way."""
        shown = sum(line.kind == BIT for line in self._laid_out())
        return self._scroll_bits(pages * max(shown, 1))

    @property
    def bits_below(self) -> int:
        """Lines of bits under the chosen event that are below the screen."""
        if self.depth != "bits" or self.drawing is None or (event := self.event) is None:
            return 0
        shown = sum(line.kind == BIT for line in self._laid_out())
        return len(self.drawing.bit_rows(event, self.size.width)) - self.first_bit - shown

    def _scroll_bits(self, rows: int) -> bool:
        """Whether there were lines of bits that way, beyond those on the screen."""
        if self.drawing is None or (event := self.event) is None:
            return False
        count = len(self.drawing.bit_rows(event, self.size.width))
        wanted = self.first_bit + rows
        if (rows > 0 and wanted >= count) or (rows < 0 and self.first_bit == 0):
            return False
        self.first_bit = max(wanted, 0)
        self._changed()
        return True

    def action_end(self, which: int) -> None:
        """Go to the first or the last event."""
        if self.shown is not None and len(self.shown):
            self._y = self._height - 1 if which else 0
            self._stand_on((len(self.shown) - 1) if which else 0)

    def action_column(self, columns: int) -> None:
        """Choose another column."""
        count = len(self.parties)
        if count:
            self.chosen_party = max(0, min(self.chosen_party + columns, count - 1))
            self._changed()

    def action_deeper(self, steps: int) -> None:
        """Look closer, or from further away, at the same place."""
        at = DEPTHS.index(self.depth) + steps
        if 0 <= at < len(DEPTHS):
            self.depth = DEPTHS[at]

    def action_width(self, steps: int) -> None:
        """Take wider or narrower buckets."""
        if self.view is None or self.depth != "minutes":
            return
        begin, end = self.view.span_ns
        span = end - begin
        most = MOST_CELLS // max(len(self.view.parties.every), 1)
        fit = [w for w in WIDTHS_NS if span // w <= most] or [WIDTHS_NS[-1]]
        at = min(range(len(fit)), key=lambda k: abs(fit[k] - self.bucket_ns))
        self.bucket_ns = fit[max(0, min(at + steps, len(fit) - 1))]

    def _stand_on(self, position: int) -> None:
        """Choose an event; the screen moves no more than it must."""
        if self.shown is None:
            return
        if self.depth != "bits":  # there the next one's bits are drawn where this one's were
            y = row_of(self._laid_out(), lambda line: line.kind == EVENT and line.at == position)
            step = 2 * (position - self.cursor)
            self._y = within(self._y + step if y is None else y, self._height)
        self.cursor = position
        self.place_ns = self.shown.t_ns(position)
        self.first_bit = 0
        self._changed()

    def _stand_in_bucket(self, k: int) -> None:
        """Choose a bucket: its first bad event, else its first, else its beginning."""
        if self.view is None or self.shown is None:
            return
        buckets, _ = self.view.buckets(self.bucket_ns)
        y = row_of(self._laid_out(), lambda line: line.kind == BUCKET and line.at == k)
        self._y = within(self._y if y is None else y, self._height)
        begin = buckets.begins_ns(k)
        first = self.shown.first_in(begin, begin + buckets.width_ns)
        self.place_ns, self.cursor = begin, self.shown.near(begin)
        if first is not None:
            self.cursor = self.shown.worst_in(first, begin + buckets.width_ns)
            self.place_ns = self.shown.t_ns(self.cursor)
        self._changed()

    # --- changes ---

    def watch_depth(self) -> None:
        """Draw anew; the chosen event stays where it is."""
        self.first_bit = 0
        self._changed()

    def watch_clock(self) -> None:
        """Write the times another way."""
        self._changed()

    def watch_mark_ns(self) -> None:
        """Write the times another way."""
        self._changed()

    def watch_marks_ns(self) -> None:
        """Show the marks beside their events."""
        if self.drawing is not None:
            self.drawing.marks_ns = self.marks_ns
            self._forget()
            self.refresh()

    def watch_bucket_ns(self) -> None:
        """Draw other buckets."""
        self._changed()

    def on_resize(self) -> None:
        """Lay the rows out for the new size; the first time there is one, with a third above."""
        self._y = within(self._y if self._was_laid_out else self._height // 3, self._height)
        self._was_laid_out = True
        self._forget()
        self.refresh()  # what was drawn for the old width may be on the screen already

    def notify_style_update(self) -> None:
        """The theme changed."""
        super().notify_style_update()
        self._styles.clear()
        self._strips.clear()

    def _forget(self) -> None:
        self._lines = self._laid_columns = None
        self._strips.clear()

    def _changed(self) -> None:
        self._forget()
        self.refresh()
        if self.is_attached:
            self.post_message(self.Moved(self.event, self.place_ns, self.depth))

    # --- drawing ---

    @property
    def _height(self) -> int:
        return max(self.size.height - 1, 1)

    def _laid_out(self) -> list[Line]:
        if self._lines is None:
            self._lines = self._lay_out()
        return self._lines

    def _lay_out(self) -> list[Line]:
        if self.view is None or self.shown is None or self.drawing is None:
            return []
        if self.depth == "minutes":
            buckets, _ = self.view.buckets(self.bucket_ns)
            return bucket_lines(len(buckets), buckets.at(self.place_ns), self._y, self._height)
        bits = 0
        if self.depth == "bits" and (event := self.event) is not None:
            bits = len(self.drawing.bit_rows(event, self.size.width))
        return event_lines(self.shown, self.cursor, self._y, self._height, bits, self.first_bit)

    def _columns(self) -> Columns:
        if self._laid_columns is None:
            self._laid_columns = columns_for(self.parties, self.size.width, self.chosen_party)
        return self._laid_columns

    def _time_of(self, line: Line) -> int | None:
        if self.view is None or self.shown is None:
            return None
        if line.kind in (EVENT, WAIT):
            return self.shown.t_ns(line.at)
        if line.kind == BUCKET:
            return self.view.buckets(self.bucket_ns)[0].begins_ns(line.at)
        return None

    def render_line(self, y: int) -> Strip:
        """The head line, then the rows."""
        if self._drawn_for != self.size:  # asked for before the resize is told
            self._forget()
            self._drawn_for = self.size
        if y not in self._strips:
            self._strips[y] = self._strip(*self._row(y))
        return self._strips[y]

    def _row(self, y: int) -> tuple[Row, bool]:
        """A row's pieces, and whether it is the chosen one."""
        if self.drawing is None or self.shown is None or self.view is None:
            return [], False
        columns = self._columns()
        if y == 0:
            return self.drawing.head(columns, self.party, self.clock), False
        lines = self._laid_out()
        if y > len(lines):
            return [], False
        line, drawing = lines[y - 1], self.drawing
        origin = self.view.start_ns
        if self.clock == "mark" and self.mark_ns is not None:
            origin = self.mark_ns
        wall = self.view.wall_ns if self.clock == "wall" else None
        if line.kind == EVENT:
            chosen = line.at == self.cursor
            row = drawing.event(self.shown, line.at, columns, origin, wall, chosen=chosen)
            return row, chosen
        if line.kind == WAIT:
            return drawing.wait(self.shown, line.at, columns), False
        if line.kind == BIT:
            event = self.shown.event(line.at)
            return drawing.bit_rows(event, self.size.width)[line.part], False
        if line.kind == BUCKET:
            k = self.view.buckets(self.bucket_ns)[0].at(self.place_ns)
            row = drawing.bucket(self.bucket_ns, line.at, columns, origin, wall, line.at == k)
            return row, line.at == k
        return [], False

    def _strip(self, row: Row, is_chosen: bool) -> Strip:
        segments = [Segment(text, self._style(name)) for text, name in row if text]
        base = self._style("text")
        strip = Strip(segments).adjust_cell_length(self.size.width, base)
        if is_chosen:
            here = Style(bgcolor=self._style("here").bgcolor, bold=True)
            strip = Strip([Segment(s.text, (s.style or base) + here) for s in strip])
        return strip

    def _style(self, name: str) -> Style:
        if name not in self._styles:
            self._styles[name] = self.get_component_rich_style(f"timeline-rows--{name}")
        return self._styles[name]

    # --- mouse ---

    def on_click(self, event: tui.Click) -> None:
        """Choose the row under the pointer; a second click looks closer."""
        lines = self._laid_out()
        y = event.y - 1
        if not 0 <= y < len(lines):
            return
        line = lines[y]
        if line.kind == EVENT:
            if line.at == self.cursor:
                self.action_deeper(1)
            else:
                self._stand_on(line.at)
        elif line.kind == BUCKET and self.view is not None:
            if line.at == self.view.buckets(self.bucket_ns)[0].at(self.place_ns):
                self.action_deeper(1)
            else:
                self._stand_in_bucket(line.at)

    def on_mouse_scroll_down(self, event: tui.MouseScrollDown) -> None:
        """Go on."""
        event.stop()
        self._wheel(WHEEL)

    def on_mouse_scroll_up(self, event: tui.MouseScrollUp) -> None:
        """Go back."""
        event.stop()
        self._wheel(-WHEEL)

    def _wheel(self, rows: int) -> None:
        more = rows < 0 or self.bits_below > 0
        if self.depth == "bits" and more and self._scroll_bits(rows):
            return
        self.action_move(rows)
