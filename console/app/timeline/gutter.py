"""The gutter: when, to the digits the band allows, and which events have no known order."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Literal

from console.app.signs import Signs
from console.app.timeline.columns import GUTTER
from console.app.timeline.pieces import Row, right_filled
from console.timeline.times import digits_for, since_start
from decoders.durations import UNITS_NS, in_words

Clock = Literal["start", "wall", "mark"]
CLOCKS: tuple[Clock, ...] = ("start", "wall", "mark")
CLOCK_WORDS = {"start": "since start", "wall": "date and time (UTC)", "mark": "since the mark"}
ROOM = GUTTER - 3  # cells of a time
DIGITS = 4  # of a second behind the point; in short runs `SHORT_DIGITS`
SHORT_DIGITS = 6
SHORT_NS = 10 * UNITS_NS["s"]  # a run up to here is short
DAY_NS = 24 * UNITS_NS["h"]  # a run from here on tells the day beside the time of day


def gutter_cells(
    text: str, bracket: str, signs: Signs, *, chosen: bool, style: str, bad: bool = False
) -> Row:
    """Cursor, time and bracket."""
    return [
        (signs.cursor if chosen else " ", "cursor"),
        (right_filled(text, ROOM, signs.ellipsis), style),
        (bracket or " ", "bracket"),
        (" ", "text"),
    ]


def full_time(
    t_ns: int, band_ns: int, origin_ns: int, wall_ns: int | None, length_ns: int = SHORT_NS
) -> str:
    """A time in full: by the wall clock where `wall_ns` is told, else since the origin.

    Args:
        t_ns: common axis.
        band_ns: half-width; -1 when its source is on no axis.
        origin_ns: what is 0.
        wall_ns: what to add to be ns since 1970 UTC; None: since the origin.
        length_ns: of the run; short ones need more digits, long ones the day.
    """
    if band_ns < 0:
        return "no time"
    if wall_ns is not None:
        return _by_the_wall(t_ns + wall_ns, band_ns, length_ns)
    return _since(t_ns - origin_ns, band_ns, length_ns)


def _by_the_wall(t_ns: int, band_ns: int, length_ns: int) -> str:
    seconds, ns = divmod(t_ns, UNITS_NS["s"])
    at = datetime.fromtimestamp(seconds, UTC)
    if length_ns >= DAY_NS:
        return at.strftime("%m-%d %H:%M" if band_ns >= UNITS_NS["min"] else "%d %H:%M:%S")
    digits = min(3, digits_for(band_ns))
    return at.strftime("%H:%M:%S") + (f".{ns:09}"[: digits + 1] if digits else "")


def _since(since_ns: int, band_ns: int, length_ns: int) -> str:
    is_short = length_ns < SHORT_NS
    if is_short and band_ns < UNITS_NS["us"] and 0 < abs(since_ns) < UNITS_NS["ms"]:
        return exactly(since_ns)
    most = min(SHORT_DIGITS if is_short else DIGITS, digits_for(band_ns))
    for digits in range(most, -1, -1):
        text = since_start(since_ns, 10 ** (9 - digits))
        if len(text) <= ROOM:
            return text
    return in_words(since_ns)


def exactly(ns: int) -> str:
    """Less than a millisecond, to the ns."""
    whole, rest = divmod(abs(ns), UNITS_NS["us"])
    sign = "-" if ns < 0 else ""
    return f"{sign}{whole}.{rest:03} us" if whole else f"{sign}{rest} ns"


def since_head(t_ns: int, head_ns: int, band_ns: int) -> str:
    """Time since the first event of the group, to the digits its band allows: `+1.84 ms`.

    Args:
        t_ns: common axis.
        head_ns: likewise.
        band_ns: half-width of the time between the two; -1 when it is not known.
    """
    if band_ns < 0:
        return "no time"
    unit = 10 ** (len(str(band_ns)) - 1)
    rounded = (t_ns - head_ns + unit // 2) // unit * unit
    if not rounded and unit > 1:
        return f"+0 {in_words(unit).split()[1]}"
    return f"+{in_words(rounded)}"


def bracket(before: bool, after: bool, signs: Signs) -> str:
    """The piece of a bracket for an event whose order to its neighbours is not known."""
    if before and after:
        return signs.joined
    if after:
        return signs.joined_top
    return signs.joined_end if before else ""
