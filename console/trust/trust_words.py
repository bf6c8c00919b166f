"""A row of the trust sheet in words that every report and screen uses."""

from __future__ import annotations

from console.timeline.times import since_start
from decoders.durations import UNITS_NS, in_words


def span_words(
    from_ns: int | None, until_ns: int | None, start_ns: int, band_ns: int | None = None
) -> str:
    """`at 12:00.000`, `12:00.000 to 13:00.000` or `12:00.000 to the end`; "" when not known.

    Args:
        from_ns: begin on the common axis; None: not known.
        until_ns: its end.
        start_ns: when the run began.
        band_ns: what the digits are cut to; None as `since_start` has it.
    """
    if from_ns is None and until_ns is None:
        return ""
    first = "" if from_ns is None else since_start(from_ns - start_ns, band_ns)
    last = "" if until_ns is None else since_start(until_ns - start_ns, band_ns)
    if first == last:
        return f"at {first}"
    return f"{first} to {last or 'the end'}".lstrip()


def value_words(value: float | None, limit: float | None, unit: str) -> str:
    """`250 ns, limit 2 us`: what was measured beside its limit; "" where nothing was."""
    if value is None:
        return ""
    told = _measured(value, unit)
    return told if not limit else f"{told}, limit {_measured(limit, unit)}"


def _measured(value: float, unit: str) -> str:
    if unit in ("ns", "s") and abs(value) < 1e18:
        return in_words(value * UNITS_NS[unit])
    number = f"{value:,.0f}" if value == round(value) and abs(value) < 1e15 else f"{value:,.4g}"
    return f"{number} {unit.removesuffix('s') if value == 1 else unit}".rstrip()


def follows_words(kind: str) -> str:
    """What follows from a row of that kind, for whoever reads findings; "" where nothing does."""
    return _FOLLOWS.get(kind, "")


def proves_words(kind: str) -> tuple[str, str]:
    """What a kind of source can prove, and what it never can; "" and "" for one without a word."""
    return _PROVES.get(kind, ("", ""))


_PROVES = {
    "capture": (
        "the levels of its lines at every sample: what was sent, what was acknowledged, and when",
        "who held a line low where two parties may; voltages; what is shorter than a sample",
    ),
    "prints": (
        "that the firmware came to where it prints a line, in this order",
        "that what a line says was done reached the wire; anything about what prints nothing",
    ),
    "messages": (
        "what came to the recorder, in this order",
        "when the sender sent it; that what is not in it was not sent",
    ),
    "network": (
        "what passed the place where it was captured, in both directions, and when",
        "what a program made of it; what is encrypted; what the capture dropped",
    ),
}
_ABSENCE = "What is not in this span may have been all the same: absence proves nothing here."
_FOLLOWS = {
    "coverage": "Outside this span the source says nothing.",
    "begins-late": _ABSENCE,
    "ends-early": _ABSENCE,
    "stopped": _ABSENCE,
    "not-observed": _ABSENCE,
    "sampling": "Edges nearer to each other than a sample cannot be told apart.",
    "coarse-sampling": "Bits may be read wrong, and pulses missed: take more samples a second.",
    "undecodable": "Something went over the lines here that cannot be told.",
    "spikes": "Pulses this short are taken for noise, as the spike filter of a part would.",
    "cut-line": "Part of what was printed here is lost, or two lines ran into one.",
    "bytes-missing": "Lines printed here are not in the log: absence proves nothing here.",
    "damaged": "Bytes changed on their way: numbers in these lines may be wrong.",
    "line-load": "The serial line was full: prints waited, so stamps of the host come late.",
    "rollover": "The counter began again; the times here rest on how its turns were counted.",
    "restart": "The board began anew; its times before and after stand apart.",
    "clock-set": "The clock was set; times before and after it stand apart.",
    "no-times": "The order of its lines is known, their times are not.",
    "lost": "Messages sent here are not in the recording: absence proves nothing here.",
    "repeated": "The same came twice: it may count double.",
    "retained": "The broker's memory: older than the moment it came.",
    "unreadable": _ABSENCE,
    "out-of-order": "The recorder's clock was set back; times around it are in doubt.",
    "not-aligned": "Its times cannot be set beside those of other sources.",
    "ambiguous": "All its times may be off by the difference: see the clocks.",
    "wide-band": "What came first, this source or another, is often not known.",
}
