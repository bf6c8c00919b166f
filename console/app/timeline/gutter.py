"""The gutter: when, to the digits the band allows, and which events have no known order."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Literal

from console.app.signs import Signs
from console.app.timeline.columns import GUTTER
from console.app.timeline.pieces import Row, right_filled
from console.timeline.times import since_start
from decoders.durations import UNITS_NS, in_words

Clock = Literal["start", "wall", "mark"]
CLOCKS: tuple[Clock, ...] = ("start", "wall", "mark")
CLOCK_WORDS = {"start": "since start", "wall": "date and time (UTC)", "mark": "since the mark"}
DIGITS = 4  # behind the point, at most: the gutter has no room for more


def gutter_cells(
    text: str, bracket: str, signs: Signs, *, chosen: bool, style: str, bad: bool = False
) -> Row:
    """Cursor, time and bracket."""
    room = GUTTER - 3
    return [
        (signs.cursor if chosen else " ", "cursor"),
        (right_filled(text, room, signs.ellipsis), style),
        (bracket or " ", "bracket"),
        (" ", "text"),
    ]


def full_time(t_ns: int, band_ns: int, origin_ns: int, wall_ns: int | None) -> str:
    """A time in full: by the wall clock where `wall_ns` is told, else since the origin.

    Args:
        t_ns: common axis.
        band_ns: half-width; -1 when its source is on no axis.
        origin_ns: what is 0.
        wall_ns: what to add to be ns since 1970 UTC; None: since the origin.
    """
    if band_ns < 0:
        return "no time"
    band = max(band_ns, 10 ** (8 - DIGITS))
    if wall_ns is None:
        return since_start(t_ns - origin_ns, band)
    seconds, ns = divmod(t_ns + wall_ns, UNITS_NS["s"])
    clock = datetime.fromtimestamp(seconds, UTC).strftime("%H:%M:%S")
    digits = max(0, min(3, 10 - len(str(max(band, 1)))))
    return f"{clock}.{ns:09}"[: 8 + (digits + 1 if digits else 0)]


def since_head(t_ns: int, head_ns: int, band_ns: int) -> str:
    """Time since the first event of the group: `+1.84 ms`."""
    if band_ns < 0:
        return "no time"
    return f"+{in_words(t_ns - head_ns)}"


def bracket(before: bool, after: bool, signs: Signs) -> str:
    """The piece of a bracket for an event whose order to its neighbours is not known."""
    if before and after:
        return signs.joined
    if after:
        return signs.joined_top
    return signs.joined_end if before else ""
