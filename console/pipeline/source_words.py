"""A source in words that every report and screen uses."""

from __future__ import annotations

from console.pipeline.evidence import SourceReport
from console.timeline.times import since_start
from decoders.durations import UNITS_NS

UNITS = {"capture": "edge", "prints": "line", "messages": "message", "network": "packet"}


def coarse_ns(span_ns: int) -> int:
    """To what sources' beginnings and ends are said: 0.1 s, or ms, us or ns of a short run."""
    if span_ns >= 100 * UNITS_NS["s"]:
        return 100 * UNITS_NS["ms"]
    if span_ns >= UNITS_NS["s"]:
        return UNITS_NS["ms"]
    return UNITS_NS["us"] if span_ns >= UNITS_NS["ms"] else 1


def unit_of(source: SourceReport) -> str:
    """What its events are called: `edge`, `lines`."""
    return UNITS[source.kind] + "s" * (source.events != 1)


def source_span(source: SourceReport, start_ns: int, band_ns: int) -> str:
    """`00:00.3 to 35:23.9`, its first and last event; "" when it held nothing."""
    if source.first_ns is None or source.last_ns is None:
        return ""
    first = since_start(source.first_ns - start_ns, band_ns)
    last = since_start(source.last_ns - start_ns, band_ns)
    return f"{first} to {last}"
