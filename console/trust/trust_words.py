"""A row of the trust sheet in words that every report and screen uses."""

from __future__ import annotations

from console.timeline.times import since_start


def span_words(from_ns: int | None, until_ns: int | None, start_ns: int) -> str:
    """`at 12:00.000`, `12:00.000 to 13:00.000` or `12:00.000 to the end`; "" when not known.

    Args:
        from_ns: begin on the common axis; None: not known.
        until_ns: its end.
        start_ns: when the run began.
    """
    if from_ns is None and until_ns is None:
        return ""
    first = "" if from_ns is None else since_start(from_ns - start_ns)
    last = "" if until_ns is None else since_start(until_ns - start_ns)
    if first == last:
        return f"at {first}"
    return f"{first} to {last or 'the end'}".lstrip()


def value_words(value: float | None, limit: float | None, unit: str) -> str:
    """`250 of 2,000 ns`: what was measured beside its limit; "" where nothing was."""
    if value is None:
        return ""
    told = _number(value) if limit is None else f"{_number(value)} of {_number(limit)}"
    return f"{told} {unit}".rstrip()


def _number(value: float) -> str:
    if abs(value) >= 1e15:
        return f"{value:.3g}"
    return f"{value:,.0f}" if value == round(value) else f"{value:,.4g}"
