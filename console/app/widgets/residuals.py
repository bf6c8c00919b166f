"""How far each anchor is from its clock, over time: dots where kept, crosses where left out."""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar

import numpy as np
import numpy.typing as npt
from rich.cells import cell_len
from rich.segment import Segment
from rich.style import Style
from textual import events
from textual.message import Message
from textual.strip import Strip
from textual.widget import Widget

from console.app.anchors_shown import AnchorsShown
from console.app.scatter import Frame, dots_hit, usual_range
from console.app.signs import Signs
from console.app.widgets.plot import ASCII, UNICODE
from console.app.widgets.plot_axis import ValueAxis, time_ticks, value_axis
from console.app.widgets.plot_canvas import Canvas
from console.timeline.clocks import ClockPiece

LABELS = 10  # cells left of the plot
BELOW = 1  # lines under it
STYLES = ("text", "quiet", "kept", "out", "band", "cursor")
TEXT, QUIET, KEPT, OUT, BAND, CURSOR = range(len(STYLES))
Int64s = npt.NDArray[np.int64]
Floats = npt.NDArray[np.float64]
Drawn = tuple[Canvas, Frame, ValueAxis]


@dataclass(frozen=True, slots=True, eq=False)
class Plotted:
    """What is plotted."""

    shown: AnchorsShown
    piece: ClockPiece
    start_ns: int  # of the run


class Residuals(Widget):
    """A scatter of residuals with the band around nought. Asks to choose an anchor; never does."""

    COMPONENT_CLASSES: ClassVar[set[str]] = {f"residuals--{name}" for name in STYLES}
    DEFAULT_CSS = """
    Residuals { height: 1fr; min-height: 5; background: $background; }
    Residuals .residuals--text { color: $foreground; }
    Residuals .residuals--quiet { color: $quiet; }
    Residuals .residuals--kept { color: $party-1; }
    Residuals .residuals--out { color: $sign-warning; text-style: bold; }
    Residuals .residuals--band { color: $sign-good; }
    Residuals .residuals--cursor { color: $lit; text-style: bold; }
    """

    class Picked(Message):
        """The user wants the anchor nearest to a moment."""

        def __init__(self, t_ns: int) -> None:
            super().__init__()
            self.t_ns = t_ns  # common axis

    def __init__(self, signs: Signs, *, ascii_only: bool, id: str | None = None) -> None:  # noqa: A002
        super().__init__(id=id)
        self._signs = signs
        self._plot = ASCII if ascii_only else UNICODE
        self._plotted: Plotted | None = None
        self._chosen: tuple[int, int] | None = None  # moment and residual
        self._drawn: tuple[tuple[int, int], Drawn] | None = None  # room, and what was drawn in it
        self._strips: list[Strip] = []  # its rows
        self._cursor: tuple[int, int] | None = None  # column and row of the anchor that is chosen
        self._styles: dict[int, Style] = {}

    def show(self, plotted: Plotted | None) -> None:
        """Plot other anchors; None: nothing."""
        self._plotted, self._drawn, self._chosen = plotted, None, None
        self.refresh()

    def choose(self, chosen: tuple[int, int] | None) -> None:
        """Show where one anchor is: its moment on the common axis and its residual, ns."""
        self._chosen = chosen
        self._place_cursor()
        self.refresh()

    def notify_style_update(self) -> None:
        """Forget the colours of another theme."""
        super().notify_style_update()
        self._styles.clear()
        self._drawn = None

    @property
    def _room(self) -> tuple[int, int]:
        """Rows and columns of the plot itself."""
        return max(0, self.size.height - BELOW), max(0, self.size.width - LABELS - 1)

    def _draw(self, plotted: Plotted) -> Drawn:
        """The plot without the cursor, drawn once for each size."""
        if self._drawn is None or self._drawn[0] != self._room:
            drawn = self._draw_in(plotted, *self._room)
            self._drawn = self._room, drawn
            rows = enumerate(drawn[0].runs())
            self._strips = [self._strip(plotted, drawn, y, runs) for y, runs in rows]
            self._place_cursor()
        return self._drawn[1]

    def _strip(self, plotted: Plotted, drawn: Drawn, y: int, runs: list[tuple[str, int]]) -> Strip:
        """A row with its label; the cursor is put over it later, on every move."""
        canvas, _, axis = drawn
        text = [(self._label(plotted, axis, canvas, y), QUIET), *runs]
        return Strip([Segment(words, self._style(style)) for words, style in text])

    def _draw_in(self, plotted: Plotted, rows: int, columns: int) -> Drawn:
        shown, piece = plotted.shown, plotted.piece
        band = float(piece.band_ns or 0)
        inside = shown.residual_ns[shown.kept] if shown.kept.any() else shown.residual_ns
        low, high = usual_range(inside, (-band, band))
        axis = value_axis(low, high, "ns", rows)
        ends = (piece.from_ns, piece.until_ns)
        if len(shown) and not piece.is_aligned:
            ends = int(shown.t_ns[0]), int(shown.t_ns[-1])
        frame = Frame(ends[0], max(ends[1], ends[0] + 1), axis.low, axis.high)
        canvas = Canvas(rows, columns, self._plot.dots)
        self._scatter(canvas, frame, shown)
        self._band(canvas, frame, piece)
        return canvas, frame, axis

    def _scatter(self, canvas: Canvas, frame: Frame, shown: AnchorsShown) -> None:
        high, wide = canvas.dots.high, canvas.dots.wide
        kept = dots_hit(
            shown.t_ns[shown.kept],
            shown.residual_ns[shown.kept],
            frame,
            canvas.rows * high,
            canvas.columns * wide,
        )
        cells = kept.reshape(canvas.rows, high, canvas.columns, wide)
        weights = (1 << np.arange(high * wide)).reshape(wide, -1).T
        bits = (cells * weights[None, :, None, :]).sum(axis=(1, 3))
        touched = bits > 0
        table = np.array(list(canvas.dots.characters))
        canvas.characters[touched] = table[bits[touched]]
        canvas.styles[touched] = KEPT
        out = ~shown.kept
        dots = dots_hit(
            shown.t_ns[out],
            shown.residual_ns[out],
            frame,
            canvas.rows * high,
            canvas.columns,
        )
        crossed = dots.reshape(canvas.rows, high, canvas.columns).max(axis=1)
        canvas.characters[crossed] = self._signs.lost
        canvas.styles[crossed] = OUT

    def _cell_rows(self, values: Floats, frame: Frame, canvas: Canvas) -> Int64s:
        """The rows of cells that values lie in, by the same dots as everything else."""
        found: Int64s = frame.row_of(values, canvas.rows * canvas.dots.high) // canvas.dots.high
        return found

    def _band(self, canvas: Canvas, frame: Frame, piece: ClockPiece) -> None:
        """The line at nought, and how well the clock is known on either side of it."""
        if not canvas.columns or not canvas.rows:
            return
        at = np.linspace(frame.from_ns, frame.until_ns, canvas.columns).astype(np.int64)
        run = (at - np.int64(piece.offset_ns)).astype(np.float64)
        native = np.rint(run / (1 + piece.drift_ppm * 1e-6)).astype(np.int64)
        bands = piece.bands_ns(native).astype(np.float64)
        lines = [(np.zeros(canvas.columns), self._signs.run, QUIET)]
        if piece.band_ns:
            lines += [(bands, self._plot.limit, BAND), (-bands, self._plot.limit, BAND)]
        for values, sign, style in lines:
            fits = (values >= frame.bottom) & (values <= frame.top)
            columns = np.flatnonzero(fits)
            rows = self._cell_rows(values[fits], frame, canvas)
            blank = canvas.characters[rows, columns] == " "
            canvas.characters[rows[blank], columns[blank]] = sign
            canvas.styles[rows[blank], columns[blank]] = style

    def render_line(self, y: int) -> Strip:
        """One line of the plot, or the times under it."""
        width, plotted = self.size.width, self._plotted
        rows, columns = self._room
        if plotted is None or not rows or columns < 8:
            return Strip.blank(width, self.rich_style)
        canvas, frame, _ = self._draw(plotted)
        if y >= rows:
            return self._times(plotted, frame, columns, width)
        strip = self._with_cursor(self._strips[y], y, canvas)
        return strip.adjust_cell_length(width, self._style(TEXT))

    def _label(self, plotted: Plotted, axis: ValueAxis, canvas: Canvas, y: int) -> str:
        """A round value; at the edges with a sign where anchors lie beyond it."""
        label, away = "", plotted.shown.residual_ns
        for tick in axis.ticks():
            if canvas.row_of(tick, axis.low, axis.high) == y:
                label = axis.label(tick)
        if y == 0:
            beyond = ">" if len(away) and int(away.max()) > axis.high else ""
            label = f"{beyond}{label} {axis.unit}".strip()
        elif y == canvas.rows - 1 and len(away) and int(away.min()) < axis.low:
            label = f"<{label}"
        return f"{label:>{LABELS - 1}}{self._plot.border}"

    def _place_cursor(self) -> None:
        self._cursor = None
        if self._chosen is None or self._drawn is None or self._drawn[0] != self._room:
            return
        (t_ns, away), (canvas, frame, _) = self._chosen, self._drawn[1]
        column = int(frame.column_of(np.array([t_ns], np.int64), canvas.columns)[0])
        row = int(self._cell_rows(np.array([away], np.float64), frame, canvas)[0])
        if 0 <= column < canvas.columns:
            self._cursor = column, row

    def _with_cursor(self, strip: Strip, y: int, canvas: Canvas) -> Strip:
        """The row with the line of the anchor that is chosen, behind what is drawn there."""
        if self._cursor is None:
            return strip
        column, row = self._cursor
        there = str(canvas.characters[y, column])
        if y == row:
            sign, style = there if there == self._signs.lost else self._plot.node, CURSOR
        elif there in (" ", self._signs.run, self._plot.limit):
            sign, style = self._plot.cursor, QUIET
        else:
            return strip
        at = LABELS + column
        over = Strip([Segment(sign, self._style(style))], 1)
        return Strip.join([strip.crop(0, at), over, strip.crop(at + 1)])

    def _times(self, plotted: Plotted, frame: Frame, columns: int, width: int) -> Strip:
        row = [" "] * columns
        length = max(1, frame.until_ns - frame.from_ns)
        for t_ns, words in time_ticks(frame.from_ns, frame.until_ns, plotted.start_ns, columns):
            at = (t_ns - frame.from_ns) * columns // length
            text = f"{self._plot.tick}{words}"
            if at + cell_len(text) <= columns:
                row[at : at + len(text)] = text
        strip = Strip([Segment(" " * LABELS + "".join(row), self._style(QUIET))])
        return strip.adjust_cell_length(width, self.rich_style)

    def _style(self, style: int) -> Style:
        if style not in self._styles:
            name = f"residuals--{STYLES[style]}"
            self._styles[style] = self.get_component_rich_style(name)
        return self._styles[style]

    def on_click(self, event: events.Click) -> None:
        """Choose the anchor nearest to where it was clicked."""
        offset = event.get_content_offset(self)
        if offset is None or self._plotted is None or offset.x < LABELS or not self._room[1]:
            return
        _, frame, _ = self._draw(self._plotted)
        share = (offset.x - LABELS + 0.5) / self._room[1]
        t_ns = frame.from_ns + round((frame.until_ns - frame.from_ns) * min(share, 1.0))
        self.post_message(self.Picked(t_ns))
