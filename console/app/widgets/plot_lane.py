"""One area of a plot, drawn: envelopes of one or several series on one value axis, with limits."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from console.app.widgets.plot_axis import ValueAxis, value_axis
from console.app.widgets.plot_canvas import Canvas, Dots
from console.timeline.numbers.envelope import Envelope
from console.timeline.numbers.number_limits import NumberLimit
from console.timeline.numbers.number_series import NumberSeries

Int64s = npt.NDArray[np.int64]
Floats = npt.NDArray[np.float64]

# Styles of cells; series have SERIES + their colour, 0..7. The cursor adds CURSOR.
BLANK, QUIET, LIMIT, BAD, SERIES, CURSOR = 0, 1, 2, 3, 4, 16
_CELLS_A_NODE = 6  # cells for each value from which on values are marked
_NUMBER_EVERY = 24  # cells between two numbers written on one curve ...
_NUMBER_APART = 3  # ... and between those of two series; eight have room


@dataclass(frozen=True, slots=True, eq=False)
class PlotSeries:
    """A series as a plot shows it."""

    series: NumberSeries
    envelope: Envelope
    limits: tuple[NumberLimit, ...]
    number: int  # 1.., as its curve and title are marked
    outside: int  # values that are not allowed
    holds: bool  # each value holds until the next, as a set point does

    @property
    def style(self) -> int:
        """Of its cells."""
        return SERIES + (self.number - 1) % 8

    @classmethod
    def of(
        cls,
        series: NumberSeries,
        limits: Sequence[NumberLimit],
        number: int,
        *,
        holds: bool = False,
    ) -> PlotSeries:
        """A series with what drawing needs, worked out once."""
        outside = sum(limit.outside(series) for limit in limits)
        envelope = Envelope(series.t_ns, series.values, holds=holds)
        return cls(series, envelope, tuple(limits), number, outside, holds)


@dataclass(frozen=True, slots=True, eq=False)
class Lane:
    """A drawn area: its cells, and what stands beside its rows."""

    canvas: Canvas
    axis: ValueAxis | None  # None where every series has a scale of its own
    labels: dict[int, tuple[str, int]]  # row -> words and their style
    beyond: tuple[str, ...]  # limits that lie outside the area, in words


def draw_lane(
    members: Sequence[PlotSeries],
    edges: Int64s,
    rows: int,
    dots: Dots,
    line: str,
    node: str,
    *,
    own_scales: bool = False,
    numbered: bool = False,
) -> Lane:
    """Draw series over one stretch of time.

    Args:
        members: the series, the last on top.
        edges: int64[columns * dots.wide + 1], times of the dots' edges.
        rows: cells high.
        dots: how cells are drawn.
        line: the character of a limit's line.
        node: the character of a value, where there are few, so that joins are no values.
        own_scales: each series from its own lowest to its highest value; limits are not drawn.
        numbered: write the series' numbers on their curves, to tell them apart without colours.
    """
    canvas = Canvas(rows, (len(edges) - 1) // dots.wide, dots)
    spans = [member.envelope.over(edges) for member in members]
    limits = () if own_scales else tuple(limit for m in members for limit in m.limits)
    axis = _axis(spans, limits, members[0].series.field.unit, rows)
    shown, beyond = _limit_rows(limits, canvas, axis)
    curves = []
    for member, (low, high) in zip(members, spans, strict=True):
        bottom, top = _range(low, high) if own_scales else (axis.low, axis.high)
        touched = canvas.draw(low, high, bottom, top, member.style)
        if not own_scales:
            _mark_outside(canvas, touched, member, low, high, axis)
        _mark_values(canvas, member, edges, bottom, top, node)
        curves.append((touched, member))
    for touched, member in curves if numbered else ():
        _write_number(canvas, touched, member)
    labels = {} if own_scales else _tick_labels(canvas, axis)
    for row, words in shown.items():
        canvas.line(row, line, LIMIT)
        labels[row] = (words, LIMIT)
    return Lane(canvas, None if own_scales else axis, labels, beyond)


def _range(low: Floats, high: Floats) -> tuple[float, float]:
    if np.isnan(low).all():
        return 0.0, 1.0
    bottom, top = float(np.nanmin(low)), float(np.nanmax(high))
    return (bottom, top) if top > bottom else (bottom - 1.0, top + 1.0)


def _axis(
    spans: Sequence[tuple[Floats, Floats]], limits: Sequence[NumberLimit], unit: str, rows: int
) -> ValueAxis:
    """From the lowest to the highest value, and the limits that are not too far off."""
    there = [span for span in spans if not np.isnan(span[0]).all()]
    if not there:
        return value_axis(0.0, 1.0, unit, rows)
    low = min(float(np.nanmin(span[0])) for span in there)
    high = max(float(np.nanmax(span[1])) for span in there)
    reach = (high - low) or abs(high) * 0.5 or 1.0
    near = [v for limit in limits for v in (limit.low, limit.high) if v is not None]
    near = [v for v in near if low - reach <= v <= high + reach]
    return value_axis(min([low, *near]), max([high, *near]), unit, rows)


def _limit_rows(
    limits: Sequence[NumberLimit], canvas: Canvas, axis: ValueAxis
) -> tuple[dict[int, str], tuple[str, ...]]:
    shown: dict[int, str] = {}
    beyond: dict[str, None] = {}
    for limit in limits:
        for word, value in (("min", limit.low), ("max", limit.high)):
            if value is None:
                continue
            words = f"{word} {axis.label(value)}"
            row = canvas.row_of(value, axis.low, axis.high)
            if row is None:
                beyond[words] = None
            else:
                shown[row] = words
    return shown, tuple(beyond)


def _mark_outside(
    canvas: Canvas,
    touched: npt.NDArray[np.bool_],
    member: PlotSeries,
    low: Floats,
    high: Floats,
    axis: ValueAxis,
) -> None:
    """Give the cells of values that are not allowed a style of their own."""
    rows = np.arange(canvas.rows)[:, None]
    for limit in member.limits:
        for value, far, upwards in ((limit.high, high, True), (limit.low, low, False)):
            if value is None:
                continue
            with np.errstate(invalid="ignore"):
                out = far > value if upwards else far < value
            columns = out.reshape(canvas.columns, -1).any(axis=1)
            if not columns.any():
                continue
            row = canvas.row_of(value, axis.low, axis.high)
            if row is None:
                row = canvas.rows if value < axis.low else -1
            tip = touched.argmax(axis=0) if upwards else _last_row(touched)
            past = rows < row if upwards else rows > row
            canvas.styles[touched & columns & (past | (rows == tip))] = BAD


def _mark_values(
    canvas: Canvas, member: PlotSeries, edges: Int64s, bottom: float, top: float, node: str
) -> None:
    """Put a sign where the values are, if there are so few that the joins stand out."""
    t_ns = member.series.t_ns
    first, last = (int(k) for k in np.searchsorted(t_ns, (edges[0], edges[-1])))
    if last - first > canvas.columns // _CELLS_A_NODE:
        return
    for k in range(first, last):
        column = int(np.searchsorted(edges, t_ns[k], side="right") - 1) // canvas.dots.wide
        row = canvas.row_of(float(member.series.values[k]), bottom, top)
        if row is not None:
            canvas.characters[row, column] = node


def _last_row(touched: npt.NDArray[np.bool_]) -> npt.NDArray[np.intp]:
    last: npt.NDArray[np.intp] = len(touched) - 1 - touched[::-1].argmax(axis=0)
    return last


def _write_number(canvas: Canvas, touched: npt.NDArray[np.bool_], member: PlotSeries) -> None:
    """Write its number on a curve now and then; each series where no other does."""
    columns = np.flatnonzero(touched.any(axis=0))
    wanted = np.arange(_NUMBER_APART * member.number, canvas.columns, _NUMBER_EVERY)
    for column in np.intersect1d(columns, wanted).tolist():
        row = int(touched[:, column].argmax())
        canvas.characters[row, column] = str(member.number)
        canvas.styles[row, column] = member.style


def _tick_labels(canvas: Canvas, axis: ValueAxis) -> dict[int, tuple[str, int]]:
    rows = ((canvas.row_of(tick, axis.low, axis.high), tick) for tick in axis.ticks())
    return {row: (axis.label(tick), QUIET) for row, tick in rows if row is not None}
