"""What a plot says of a series beside its curve: the value at the cursor, limits, range."""

from __future__ import annotations

from collections.abc import Iterator

from console.app.widgets.plot_axis import value_words
from console.app.widgets.plot_lane import BAD, LIMIT, QUIET, Lane, PlotSeries
from console.timeline.times import since_start
from decoders.durations import in_words


def at_cursor(member: PlotSeries, place_ns: int, start_ns: int, about: str) -> str:
    """The value nearest to a place with its time and band, not cleaned.

    Where the place lies in a gap, or before or behind all values by more than the band: how far off
    the nearest one is.

    Args:
        member: the series.
        place_ns: common axis.
        start_ns: where times count from.
        about: the sign before a band.
    """
    series = member.series
    k = series.nearest(place_ns)
    if k < 0:
        return "no values"
    band, t_ns = int(series.band_ns[k]), int(series.t_ns[k])
    value = value_words(float(series.values[k]), series.field.unit)
    away = abs(t_ns - place_ns)
    is_end = (k == 0 and place_ns < t_ns) or (k == len(series) - 1 and place_ns > t_ns)
    if away > member.envelope.gap_ns // 2 or (is_end and away > max(band, 0)):
        side = "before" if t_ns < place_ns else "after"
        return f"{value} {in_words(away)} {side} the cursor"
    if band < 0:
        return f"{value} at {since_start(t_ns - start_ns)} of its own clock"
    known = f" {about}{in_words(band)}" if band else ""
    return f"{value} at {since_start(t_ns - start_ns, band or None)}{known}"


def remarks(
    member: PlotSeries, lane: Lane, bad: str, *, is_alone: bool
) -> Iterator[tuple[str, int]]:
    """Words about a series and their style, not cleaned.

    Args:
        member: the series.
        lane: where it is drawn.
        bad: the sign of what is not allowed.
        is_alone: it has a lane of its own; limits beyond it are told.
    """
    if member.outside:
        yield f"{bad} {member.outside:,} of {len(member.series):,} outside", BAD
    if lane.axis is None:
        yield range_words(member), QUIET
    elif is_alone:
        for words in lane.beyond:
            yield f"{words} {lane.axis.unit}".rstrip(), LIMIT


def range_words(member: PlotSeries) -> str:
    """From its lowest to its highest value."""
    values, unit = member.series.values, member.series.field.unit
    if not len(values):
        return ""
    low, high = float(values.min()), float(values.max())
    return f"{value_words(low, unit if unit == 'ns' else '')} to {value_words(high, unit)}"
