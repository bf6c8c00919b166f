"""The timeline itself: time running down, a column per party, at three depths."""

from __future__ import annotations

from collections.abc import Sequence
from typing import ClassVar

import numpy as np
import numpy.typing as npt
from rich.style import Style
from textual import events as tui
from textual.binding import Binding, BindingType
from textual.message import Message
from textual.reactive import reactive
from textual.strip import Strip
from textual.widget import Widget

from console.app.run_view import RunView
from console.app.signs import UNICODE, Signs
from console.app.timeline import moving
from console.app.timeline.drawing import Drawing
from console.app.timeline.gutter import Clock
from console.app.timeline.shown import Shown
from console.app.timeline.standing import Depth, Standing
from console.app.timeline.strips import row_on, strip_of

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
    """ + "".join(
        f"TimelineRows .timeline-rows--party-{k} {{ color: $party-{k}; }}" for k in range(1, 9)
    )
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

    clock: reactive[Clock] = reactive("start", init=False)
    mark_ns: reactive[int | None] = reactive(None, init=False)
    marks_ns: reactive[frozenset[int]] = reactive(frozenset(), init=False)

    def __init__(self, *, signs: Signs = UNICODE) -> None:
        super().__init__()
        self.signs = signs
        self.standing = Standing()
        self._strips: dict[int, Strip] = {}
        self._styles: dict[str, Style] = {}

    # --- what is shown, and where the user stands in it

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
        drawing = Drawing(view, self.signs, keep)
        drawing.marks_ns = self.marks_ns
        self.standing.show(drawing, parties, place_ns)
        self._changed()

    def go_to(self, t_ns: int, event: int | None = None, depth: Depth | None = None) -> None:
        """Stand on an event, or at a time."""
        self._draw_if(self._fitted().go_to(t_ns, event, depth))

    @property
    def view(self) -> RunView | None:
        """The run."""
        return self.standing.view

    @property
    def shown(self) -> Shown | None:
        """The events that are shown."""
        return self.standing.shown

    @property
    def parties(self) -> list[int]:
        """The columns, in the user's order, hidden ones left out."""
        return self.standing.parties

    @property
    def event(self) -> int | None:
        """The chosen event."""
        return self.standing.event

    @property
    def cursor(self) -> int:
        """Its position among those shown."""
        return self.standing.cursor

    @property
    def place_ns(self) -> int:
        """The time where the user stands."""
        return self.standing.place_ns

    @property
    def party(self) -> int | None:
        """The party whose column is chosen."""
        return self.standing.party

    @property
    def depth(self) -> Depth:
        """From how near it is looked at; another one keeps the chosen event where it is."""
        return self.standing.depth

    @depth.setter
    def depth(self, depth: Depth) -> None:
        self._draw_if(self.standing.look_at(depth))

    @property
    def bucket_ns(self) -> int:
        """The width of a bucket."""
        return self.standing.bucket_ns

    @bucket_ns.setter
    def bucket_ns(self, bucket_ns: int) -> None:
        self._draw_if(self.standing.take_width(bucket_ns))

    @property
    def bits_below(self) -> int:
        """Lines of bits under the chosen event that are below the screen."""
        return self._fitted().bits_below

    def visible_ns(self) -> tuple[int, int]:
        """First and last time on the screen."""
        return self._fitted().visible_ns()

    # --- keys and mouse

    def action_move(self, rows: int) -> None:
        """Go some events or buckets on."""
        self._draw_if(moving.move(self._fitted(), rows))

    def action_page(self, pages: int) -> None:
        """Go a screen on; lines of bits first."""
        self._draw_if(moving.page(self._fitted(), pages))

    def action_end(self, which: int) -> None:
        """Go to the first or the last event."""
        self._draw_if(moving.end(self._fitted(), last=bool(which)))

    def action_column(self, columns: int) -> None:
        """Choose another column."""
        self._draw_if(self.standing.choose_column(self.standing.chosen_party + columns))

    def action_deeper(self, steps: int) -> None:
        """Look closer, or from further away, at the same place."""
        self._draw_if(moving.look_closer(self.standing, steps))

    def action_width(self, steps: int) -> None:
        """Take wider or narrower buckets."""
        self._draw_if(moving.widen(self.standing, steps))

    def on_click(self, event: tui.Click) -> None:
        """Choose the row under the pointer; a second click looks closer."""
        self._draw_if(moving.point_at(self._fitted(), event.y - 1))

    def on_mouse_scroll_down(self, event: tui.MouseScrollDown) -> None:
        """Go on."""
        event.stop()
        self._draw_if(moving.scroll(self._fitted(), WHEEL))

    def on_mouse_scroll_up(self, event: tui.MouseScrollUp) -> None:
        """Go back."""
        event.stop()
        self._draw_if(moving.scroll(self._fitted(), -WHEEL))

    # --- changes

    def watch_clock(self) -> None:
        """Write the times another way."""
        self._changed()

    def watch_mark_ns(self) -> None:
        """Write the times another way."""
        self._changed()

    def watch_marks_ns(self) -> None:
        """Show the marks beside their events."""
        if (drawing := self.standing.drawing) is not None:
            drawing.marks_ns = self.marks_ns
            self._strips.clear()
            self.refresh()

    def on_resize(self) -> None:
        """Lay the rows out for the new size."""
        self._fitted().settle()
        self._strips.clear()
        self.refresh()  # what was drawn for the old width may be on the screen already

    def notify_style_update(self) -> None:
        """The theme changed."""
        super().notify_style_update()
        self._styles.clear()
        self._strips.clear()

    def _fitted(self) -> Standing:
        """Where the user stands, laid out for the size there is: a resize may not be told yet."""
        if self.standing.fit(self.size.width, self.size.height):
            self._strips.clear()
        return self.standing

    def _draw_if(self, has_changed: bool) -> None:
        if has_changed:
            self._changed()

    def _changed(self) -> None:
        self._strips.clear()
        self.refresh()
        if self.is_attached:
            self.post_message(self.Moved(self.event, self.place_ns, self.depth))

    # --- drawing

    def render_line(self, y: int) -> Strip:
        """The head line, then the rows."""
        standing = self._fitted()
        if y not in self._strips:
            row, is_chosen = row_on(standing, y, self.clock, self.mark_ns)
            here = Style(bgcolor=self._style("here").bgcolor, bold=True) if is_chosen else None
            self._strips[y] = strip_of(row, standing.width, self._style, here=here)
        return self._strips[y]

    def _style(self, name: str) -> Style:
        if name not in self._styles:
            self._styles[name] = self.get_component_rich_style(f"timeline-rows--{name}")
        return self._styles[name]
