"""Numbers over time, one under another or in one area, on one time axis."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import ClassVar, Literal

import numpy as np
import numpy.typing as npt
from rich.cells import cell_len, set_cell_size
from rich.segment import Segment
from rich.style import Style
from textual.binding import Binding, BindingType
from textual.events import Click
from textual.message import Message
from textual.reactive import reactive
from textual.strip import Strip
from textual.widget import Widget

from console.app.widgets.plot_axis import time_ticks
from console.app.widgets.plot_canvas import Dots
from console.app.widgets.plot_lane import (
    BAD,
    BLANK,
    CURSOR,
    LIMIT,
    QUIET,
    SERIES,
    Lane,
    PlotSeries,
    draw_lane,
)
from console.app.widgets.plot_words import at_cursor, remarks
from console.printable import printable

Mode = Literal["lanes", "shared", "scaled"]
MODES: tuple[Mode, ...] = ("lanes", "shared", "scaled")


def _braille(dots: int) -> str:
    """The character for dots counted down the left column, then the right (ISO/IEC 11548-1)."""
    places = (0, 1, 2, 6, 3, 4, 5, 7)
    return chr(0x2800 + sum(1 << place for k, place in enumerate(places) if dots >> k & 1))


@dataclass(frozen=True, slots=True)
class PlotSigns:
    """The characters of a plot."""

    dots: Dots
    node: str  # a value, where there are few
    limit: str
    cursor: str
    border: str  # between labels and plot
    tick: str
    bad: str
    about: str  # before a band


UNICODE = PlotSigns(
    Dots(4, 2, "".join(_braille(k) for k in range(256))), "•", "┄", "│", "│", "╵", "✖", "±"
)
# Dots of a cell, one under another: ' - . and what covers more than one of them.
ASCII = PlotSigns(Dots(3, 1, " '-'.|,|"), "o", "=", ":", "|", "'", "!", "+-")

LEAST_LANE = 3  # rows: a title and two of dots
_LEAST_PLOT = 8  # cells
_ZOOM = 0.5
_PAGE = 0.25  # of the stretch shown
_LEAST_SPAN_NS = 100


class Plot(Widget, can_focus=True):
    """Series over time with a cursor. Says where the user moved the cursor; its parent decides."""

    DEFAULT_CSS = """
    Plot { height: 1fr; }
    Plot > .plot--quiet { color: $quiet; }
    Plot > .plot--limit { color: $sign-warning; }
    Plot > .plot--bad { color: $sign-bad; text-style: bold; }
    Plot > .plot--series-1 { color: $party-1; }
    Plot > .plot--series-2 { color: $party-2; }
    Plot > .plot--series-3 { color: $party-3; }
    Plot > .plot--series-4 { color: $party-4; }
    Plot > .plot--series-5 { color: $party-5; }
    Plot > .plot--series-6 { color: $party-6; }
    Plot > .plot--series-7 { color: $party-7; }
    Plot > .plot--series-8 { color: $party-8; }
    """
    COMPONENT_CLASSES: ClassVar[set[str]] = {
        "plot--quiet",
        "plot--limit",
        "plot--bad",
        *(f"plot--series-{k}" for k in range(1, 9)),
    }
    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("left", "move(-1)", "Earlier", id="numbers.earlier", show=False),
        Binding("right", "move(1)", "Later", id="numbers.later", show=False),
        Binding("shift+left", "page(-1)", "Page earlier", id="numbers.page-earlier", show=False),
        Binding("shift+right", "page(1)", "Page later", id="numbers.page-later", show=False),
        Binding("ctrl+left", "value(-1)", "Value before", id="numbers.value-before", show=False),
        Binding("ctrl+right", "value(1)", "Value after", id="numbers.value-after", show=False),
        Binding("plus,equals_sign", "zoom(1)", "Closer", id="numbers.closer", key_display="+"),
        Binding("minus", "zoom(-1)", "Wider", id="numbers.wider", key_display="-"),
        Binding("0", "whole", "All", id="numbers.whole"),
        Binding("o", "overlay", "Overlay", id="numbers.overlay"),
        Binding("up", "lane(-1)", "Lane up", id="numbers.lane-up", show=False),
        Binding("down", "lane(1)", "Lane down", id="numbers.lane-down", show=False),
    ]

    series: reactive[tuple[PlotSeries, ...]] = reactive(())
    mode: reactive[Mode] = reactive("lanes")
    place_ns: reactive[int] = reactive(0)
    whole_ns: reactive[tuple[int, int]] = reactive((0, 1))  # all there is: first and last moment
    window_ns: reactive[tuple[int, int] | None] = reactive(None)  # what is shown; None: all
    first_lane: reactive[int] = reactive(0)  # of those shown, where not all have room
    ascii_only: reactive[bool] = reactive(False)

    class Moved(Message):
        """The user moved the cursor to `t_ns` on the common axis."""

        def __init__(self, t_ns: int) -> None:
            super().__init__()
            self.t_ns = t_ns

    def __init__(
        self,
        *,
        start_ns: int = 0,
        name: str | None = None,
        id: str | None = None,  # noqa: A002 - as the base class calls it
        classes: str | None = None,
    ) -> None:
        super().__init__(name=name, id=id, classes=classes)
        self.start_ns = start_ns  # where times in words count from
        self._strips: list[Strip] | None = None
        self._styles: dict[int, Style] = {}
        self._kept: dict[object, Lane] = {}  # of the picture as last drawn
        self._gutter = 0  # cells before the plot, as last drawn

    @property
    def signs(self) -> PlotSigns:
        """The characters to draw with."""
        return ASCII if self.ascii_only else UNICODE

    @property
    def shown_ns(self) -> tuple[int, int]:
        """First moment shown, and the one behind the last."""
        first, last = self.window_ns or self.whole_ns
        return first, max(first + _LEAST_SPAN_NS, last)

    def refresh(self, *args: object, **kwargs: object) -> Plot:
        """Draw anew: whatever changed, the whole picture may."""
        self._strips = None
        super().refresh(*args, **kwargs)  # type: ignore[arg-type]
        return self

    def notify_style_update(self) -> None:
        """Forget the colours of another theme."""
        super().notify_style_update()
        self._styles, self._strips = {}, None

    def validate_window_ns(self, window: tuple[int, int] | None) -> tuple[int, int] | None:
        """A stretch within the whole; all of it is None."""
        if window is None:
            return None
        first, last = self.whole_ns
        span = max(_LEAST_SPAN_NS, window[1] - window[0])
        if span >= last - first:
            return None
        begin = min(max(window[0], first), last - span)
        return begin, begin + span

    def watch_place_ns(self, place_ns: int) -> None:
        """Keep the place in sight."""
        first, last = self.shown_ns
        if self.window_ns is not None and not first <= place_ns < last:
            span = last - first
            self.window_ns = (place_ns - span // 2, place_ns - span // 2 + span)

    def render_line(self, y: int) -> Strip:
        """One row of the picture."""
        width, height = self.size
        if self._strips is None or len(self._strips) != height:
            self._strips = self._picture(width, height)
        return self._strips[y].adjust_cell_length(width, self.rich_style)

    def _picture(self, width: int, height: int) -> list[Strip]:
        shown = self._lanes(max(1, height - 1))
        if not self.series or width < _LEAST_PLOT + 4 or not shown:
            return self._hint(height)
        gutter = max(0, self._gutter - 1)
        for _ in range(2):  # how wide the labels are is known once they are there
            lanes = [self._drawn(members, rows, width - gutter - 1) for members, rows in shown]
            words = [words for lane in lanes for words, _ in lane.labels.values()]
            wanted = min(max(map(cell_len, words), default=0), width // 3)
            if wanted == gutter:
                break
            gutter = wanted
        self._gutter = gutter + 1
        for key in [key for key in self._kept if self._kept[key] not in lanes]:
            del self._kept[key]
        strips: list[Strip] = []
        for (members, _), lane in zip(shown, lanes, strict=True):
            strips += [*self._titles(members, lane, width), *self._rows(lane, gutter)]
        strips = strips[: height - 1]
        strips += [Strip([])] * (height - 1 - len(strips))
        return [*strips, self._time_row(width, len(shown))]

    def _lanes(self, rows: int) -> list[tuple[tuple[PlotSeries, ...], int]]:
        """Which series share an area, and how many rows of dots it has."""
        if not self.series:
            return []
        if self.mode != "lanes":
            left = rows - self._title_rows(len(self.series))
            return [(self.series, left)] if left > 0 else []
        fit = max(1, rows // LEAST_LANE)
        first = max(0, min(self.first_lane, len(self.series) - fit))
        members = self.series[first : first + fit]
        each, over = divmod(rows, len(members))
        heights = [each - 1 + (k < over) for k in range(len(members))]
        return [((m,), h) for m, h in zip(members, heights, strict=True) if h > 0]

    def _drawn(self, members: tuple[PlotSeries, ...], rows: int, width: int) -> Lane:
        """A lane without its cursor; kept, since the cursor moves oftener than all else."""
        key = (members, rows, width, self.shown_ns, self.mode, self.ascii_only)
        if key not in self._kept:
            first, last = self.shown_ns
            signs = self.signs
            self._kept[key] = draw_lane(
                members,
                _edges(first, last, max(1, width) * signs.dots.wide),
                rows,
                signs.dots,
                signs.limit,
                signs.node,
                own_scales=self.mode == "scaled",
                numbered=self.mode != "lanes" and len(members) > 1,
            )
        return self._kept[key]

    def _titles(self, members: Sequence[PlotSeries], lane: Lane, width: int) -> Iterator[Strip]:
        """A line a series: its number and name, its value at the cursor, its limits."""
        is_alone = self.mode == "lanes"
        shown = members if is_alone else members[: self._title_rows(len(members))]
        for member in shown:
            value = at_cursor(member, self.place_ns, self.start_ns, self.signs.about)
            segments = [
                Segment(f" {member.number} ", self._style(member.style + CURSOR)),
                Segment(f" {self._clean(member.series.field.title)} ", self._bold(member.style)),
                Segment(self._clean(value), self._style(BLANK)),
            ]
            for words, style in remarks(member, lane, self.signs.bad, is_alone=is_alone):
                segments.append(Segment(f"  {self._clean(words)}", self._style(style)))
            if member is shown[-1] and len(shown) < len(members):
                more = f"  {len(members) - len(shown)} more"
                segments.append(Segment(more, self._style(QUIET)))
            yield Strip(segments).crop(0, width)

    def _title_rows(self, count: int) -> int:
        """Lines for the names of series that share an area."""
        return min(count, max(1, (self.size.height - 1) // 3))

    def _rows(self, lane: Lane, gutter: int) -> Iterator[Strip]:
        canvas, signs = lane.canvas, self.signs
        cursor = self._cursor_column(canvas.columns)
        if cursor is not None:
            canvas = canvas.with_cursor(cursor, signs.cursor, QUIET, CURSOR, signs.limit)
        for row, runs in enumerate(canvas.runs()):
            words, style = lane.labels.get(row, ("", QUIET))
            words = set_cell_size(words, min(gutter, cell_len(words)))
            yield Strip(
                [
                    Segment(" " * (gutter - cell_len(words)) + words, self._style(style)),
                    Segment(signs.border, self._style(QUIET)),
                    *(Segment(text, self._style(k)) for text, k in runs),
                ]
            )

    def _time_row(self, width: int, lanes: int) -> Strip:
        """Times under the plot, and how many lanes have no room."""
        columns = width - self._gutter
        first, last = self.shown_ns
        left_out = len(self.series) - lanes if self.mode == "lanes" else 0
        more = f" {left_out} more: up, down " if left_out > 0 else ""
        row = [" "] * columns
        for t_ns, words in time_ticks(first, last, self.start_ns, columns):
            at = (t_ns - first) * columns // (last - first)
            if at + cell_len(words) + 1 <= columns - len(more):
                row[at : at + len(words) + 1] = [self.signs.tick, *words]
        text = "".join(row)[: columns - len(more)] + more
        style = self._style(QUIET)
        return Strip([Segment(" " * self._gutter, style), Segment(text, style)])

    def _hint(self, height: int) -> list[Strip]:
        words = "No number is chosen." if not self.series else "No room for a plot."
        line = Strip([Segment(f" {words}", self._style(QUIET))])
        return [Strip([])] * (height // 2) + [line] + [Strip([])] * (height - height // 2 - 1)

    def _clean(self, text: str) -> str:
        return printable(text, ascii_only=self.ascii_only)

    def _style(self, number: int) -> Style:
        """The look of a style number of the lanes."""
        if number not in self._styles:
            plain, names = number % CURSOR, {QUIET: "quiet", LIMIT: "limit", BAD: "bad"}
            if plain == BLANK:
                style = self.rich_style
            else:
                name = names.get(plain) or f"series-{plain - SERIES + 1}"
                style = self.get_component_rich_style(f"plot--{name}")
            if number >= CURSOR:
                style += Style(reverse=True)
            self._styles[number] = style
        return self._styles[number]

    def _bold(self, number: int) -> Style:
        return self._style(number) + Style(bold=True)

    def _cursor_column(self, columns: int) -> int | None:
        first, last = self.shown_ns
        column = (self.place_ns - first) * columns // (last - first)
        return column if 0 <= column < columns else None

    def _columns(self) -> int:
        return max(1, self.size.width - self._gutter)

    def _move_to(self, t_ns: int) -> None:
        first, last = self.whole_ns
        self.place_ns = min(max(t_ns, first), last)
        self.post_message(self.Moved(self.place_ns))

    def action_move(self, cells: int) -> None:
        """Move the cursor to the middle of a neighbouring column."""
        first, last = self.shown_ns
        columns, span = self._columns(), last - first
        column = (self.place_ns - first) * columns // span + cells
        self._move_to(first + (2 * column + 1) * span // (2 * columns))

    def action_page(self, pages: int) -> None:
        """Move the cursor by a part of what is shown."""
        first, last = self.shown_ns
        self._move_to(self.place_ns + pages * round((last - first) * _PAGE))

    def action_value(self, count: int) -> None:
        """Move the cursor to the next value of the topmost series, or the one before."""
        if not self.series:
            return
        t_ns = self.series[min(self.first_lane, len(self.series) - 1)].series.t_ns
        k = (
            int(np.searchsorted(t_ns, self.place_ns, side="right"))
            if count > 0
            else int(np.searchsorted(t_ns, self.place_ns)) - 1
        )
        if 0 <= k < len(t_ns):
            self._move_to(int(t_ns[k]))

    def action_zoom(self, steps: int) -> None:
        """Show half or twice as much, the cursor staying in its column."""
        first, last = self.shown_ns
        centre = self.place_ns if first <= self.place_ns < last else (first + last) // 2
        share = (centre - first) / (last - first)
        span = max(_LEAST_SPAN_NS, round((last - first) * _ZOOM**steps))
        begin = centre - round(share * span)
        self.window_ns = (begin, begin + span)

    def action_whole(self) -> None:
        """Show all there is."""
        self.window_ns = None

    def action_overlay(self) -> None:
        """Lanes, then one area with one axis, then one area with a scale for each."""
        self.mode = MODES[(MODES.index(self.mode) + 1) % len(MODES)]

    def action_lane(self, count: int) -> None:
        """Show other lanes, where not all have room."""
        self.first_lane = max(0, min(self.first_lane + count, len(self.series) - 1))

    def on_click(self, event: Click) -> None:
        """Move the cursor to where the user pointed."""
        column = event.x - self._gutter
        if self.series and 0 <= column < self._columns():
            first, last = self.shown_ns
            self._move_to(first + (2 * column + 1) * (last - first) // (2 * self._columns()))


def _edges(first: int, last: int, count: int) -> npt.NDArray[np.int64]:
    """int64[count + 1] times of the edges of equal columns, exact however long the run."""
    span = last - first
    return np.array([first + k * span // count for k in range(count + 1)], np.int64)
