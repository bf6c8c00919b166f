"""The sheet about one event: its lines as data, before any screen gives them a width.

Names, values and words come from outside and are not cleaned: whoever draws a line cleans it.
Nothing here grows with the event beyond the limits below; what is left out is counted in a `More`.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

MOST_FIELDS = 120  # lines of fields or of a payload on one sheet
MOST_ITEMS = 50  # members shown of one list or object
MOST_RAW = 256  # bytes shown as they are
MOST_TEXT = 600  # characters of one text
MOST_AROUND = 12  # links, and findings, on one sheet


class Change(StrEnum):
    """A value beside that of the last good event of its kind."""

    NONE = ""  # there is nothing to compare with
    SAME = "same"
    STEPS = "steps"  # changed as it should: a counter went on, a right check code followed
    DIFFERS = "differs"
    NEW = "new"  # the good one did not have it
    GONE = "gone"  # the good one had it

    @property
    def is_lit(self) -> bool:
        """Whether it is what someone who looks for a cause must see."""
        return self in (Change.DIFFERS, Change.NEW, Change.GONE)


class Tone(StrEnum):
    """How grave a text is."""

    PLAIN = "plain"
    QUIET = "quiet"
    GOOD = "good"
    WARNING = "warning"
    BAD = "bad"


@dataclass(frozen=True, slots=True)
class Heading:
    """Begins a part of the sheet."""

    text: str


@dataclass(frozen=True, slots=True)
class Field:
    """A name and its value; of a packet's field also where it stands in the bytes."""

    name: str
    value: str
    level: int = 0  # of its indent
    unit: str = ""
    begin: int = -1  # first byte in the packet, from 0; -1: it has no place there
    end: int = -1
    content: bytes = b""  # those bytes, the first of them if there are many
    allowed: str = ""  # "0 to 319", "always 49"
    problems: tuple[str, ...] = ()  # in words
    change: Change = Change.NONE
    was: str = ""  # the value of the last good one, where it is another


@dataclass(frozen=True, slots=True)
class CheckCode:
    """A check code, received and computed, in hex."""

    name: str
    code: str  # "sum16", "CRC-8/SMBUS"
    received: str
    computed: str | None  # None: it could not be computed
    over: str  # "bytes 4 to 10"
    begin: int = -1
    end: int = -1

    @property
    def is_right(self) -> bool | None:
        """Whether the two are equal; None where that is not known."""
        return None if self.computed is None else self.computed == self.received


@dataclass(frozen=True, slots=True)
class RawBytes:
    """Bytes as they are, to be shown with offsets and ASCII; at most `MOST_RAW`."""

    data: bytes
    changes: tuple[Change, ...] = ()  # one a byte, or none at all
    total: int = 0  # bytes there are


@dataclass(frozen=True, slots=True)
class Words:
    """A sentence, or a text as it came; `lit` are spans of it that differ."""

    text: str
    tone: Tone = Tone.PLAIN
    lit: tuple[tuple[int, int], ...] = ()


@dataclass(frozen=True, slots=True)
class Link:
    """Another event that caused this one, or that this one caused."""

    is_cause: bool  # the other one is
    party: str
    what: str
    latency_ns: int | None  # from where the cause was complete to where the effect began
    band_ns: int  # half-width within which that is known
    by: str  # what ties them
    outcome: str  # seen, missing, not-observed
    table: str  # the other event; "" when it is in no table
    row: int


@dataclass(frozen=True, slots=True)
class Told:
    """A finding that this event is evidence of."""

    severity: str
    rule: str
    summary: str
    t_ns: int
    row: int  # of the findings table


@dataclass(frozen=True, slots=True)
class More:
    """What was left out."""

    count: int
    what: str
    level: int = 0


Line = Heading | Field | CheckCode | RawBytes | Words | Link | Told | More


@dataclass(frozen=True, slots=True)
class Body:
    """What the rows of one table say of themselves."""

    title: str
    lines: tuple[Line, ...]
    problems: tuple[str, ...] = ()  # in words, the gravest first
    compared: str = ""  # what it is compared with, or why with nothing
    end_ns: int | None = None
    source: str = ""


@dataclass(frozen=True, slots=True)
class Sheet:
    """Everything about one event."""

    title: str
    party: str
    t_ns: int  # common axis
    end_ns: int | None
    time: str  # since the start of the run, to the digits its band allows
    band_ns: int | None  # half-width within which it is known; None: not on the axis at all
    clock: str  # whose clock timed it, and how that came onto the axis
    state: int  # GOOD, ODD, BAD or UNSEEN of `events`
    problems: tuple[str, ...]
    compared: str
    lines: tuple[Line, ...]


def clipped(text: str, most: int = MOST_TEXT) -> str:
    """The beginning of a long text, and how much more there is."""
    if len(text) <= most:
        return text
    return f"{text[:most]} ... {len(text) - most:,} more characters"


def spaced_hex(data: bytes, most: int = 16) -> str:
    """`A5 5A 31`; what is over `most` bytes is counted."""
    shown = data[:most].hex(" ").upper()
    return shown if len(data) <= most else f"{shown} ... {len(data) - most:,} more"
