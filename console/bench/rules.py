"""Rules as a bench file writes them: `[[rule]]` tables, told apart by `kind`.

A length of time is written with its unit (`within = "250ms"`) or as a number in a key that names
the unit (`within_s = 0.25`). `where` is an SQL condition (`conditions.py`); left out, every row.
"""

from __future__ import annotations

from typing import Annotated, Literal

import msgspec

from decoders.durations import duration_ns, in_ns

Severity = Literal["fault", "warning", "note"]
Count = Annotated[int, msgspec.Meta(ge=1)]
Number = int | float


def time_ns(key: str, text: str | None, number: Number | None, unit: str) -> int | None:
    """The time a key gives in either way, ns; None where neither stands.

    Raises:
        ValueError: "key: what is wrong", so that the error finds its line.
    """
    both = f"{key}_{unit}"
    if text is not None and number is not None:
        raise ValueError(f"{both}: says the same as {key}; keep one of them")
    written = key if text is not None else both
    try:
        if text is not None:
            return duration_ns(text)
        return None if number is None else in_ns(number, unit)
    except ValueError as error:
        raise ValueError(f"{written}: {error}") from None


class StopsAnswering(
    msgspec.Struct, frozen=True, forbid_unknown_fields=True, tag_field="kind", tag="stops-answering"
):
    """A peripheral stops answering, or is no longer asked."""

    name: str = ""
    device: str | None = None  # None: every address seen
    after_polls: Count = 5  # unanswered polls in a row that count as stopped
    silence_periods: Annotated[float, msgspec.Meta(ge=2)] = 10.0  # not asked for so many
    severity: Severity = "fault"


class CheckCode(
    msgspec.Struct, frozen=True, forbid_unknown_fields=True, tag_field="kind", tag="check-code"
):
    """Packets whose check code is wrong."""

    name: str = ""
    device: str | None = None  # None: every device
    severity: Severity = "warning"


class Limits(
    msgspec.Struct, frozen=True, forbid_unknown_fields=True, tag_field="kind", tag="limits"
):
    """A number stays within limits; both are allowed values."""

    table: str
    field: str
    name: str = ""
    min: Number | None = None
    max: Number | None = None
    where: str = ""
    severity: Severity = "fault"

    def __post_init__(self) -> None:
        if self.min is None and self.max is None:
            raise ValueError("field: is limited by nothing; give min, max or both")
        if self.min is not None and self.max is not None and self.min > self.max:
            raise ValueError(f"min: {self.min} is above max {self.max}")


class Cadence(
    msgspec.Struct, frozen=True, forbid_unknown_fields=True, tag_field="kind", tag="cadence"
):
    """Something comes once a period, or at least never stays away for long."""

    table: str
    where: str = ""
    name: str = ""
    period: str | None = None
    period_s: Number | None = None
    tolerance: Annotated[float, msgspec.Meta(gt=0, le=10)] = 0.5  # share of the period
    silence: str | None = None
    silence_s: Number | None = None
    severity: Severity = "fault"

    def __post_init__(self) -> None:
        if self.period_ns is None and self.silence_ns is None:
            raise ValueError("table: is asked for nothing; give period, silence or both")
        if self.period_ns == 0 or self.silence_ns == 0:
            raise ValueError("table: a period or silence of 0 says nothing")

    @property
    def period_ns(self) -> int | None:
        """Time from one to the next, ns."""
        return time_ns("period", self.period, self.period_s, "s")

    @property
    def silence_ns(self) -> int | None:
        """How long it may stay away, ns."""
        return time_ns("silence", self.silence, self.silence_s, "s")


class Sequence(
    msgspec.Struct, frozen=True, forbid_unknown_fields=True, tag_field="kind", tag="sequence"
):
    """A counter goes up by one."""

    table: str
    field: str
    where: str = ""
    name: str = ""
    wrap: Annotated[int, msgspec.Meta(ge=2)] | None = None  # counts 0..wrap-1
    severity: Severity = "warning"


class ReplyWithin(
    msgspec.Struct, frozen=True, forbid_unknown_fields=True, tag_field="kind", tag="reply-within"
):
    """Something must be answered by something else, each by one of its own, within a time."""

    request_table: str
    reply_table: str
    request_where: str = ""
    reply_where: str = ""
    request_key: str | None = None  # a value that a reply must carry too
    reply_key: str | None = None
    name: str = ""
    within: str | None = None
    within_s: Number | None = None
    slack: str | None = None  # by how much a reply may seem early, for clocks not that well known
    slack_s: Number | None = None
    severity: Severity = "fault"

    def __post_init__(self) -> None:
        if not self.within_ns:
            raise ValueError('request_table: give the time allowed, such as within = "2 s"')
        if (self.request_key is None) != (self.reply_key is None):
            raise ValueError("request_table: request_key and reply_key go together")
        _ = self.slack_ns

    @property
    def within_ns(self) -> int:
        """Time allowed from request to reply, ns."""
        return time_ns("within", self.within, self.within_s, "s") or 0

    @property
    def slack_ns(self) -> int:
        """By how much a reply may lie before its request, ns."""
        return time_ns("slack", self.slack, self.slack_s, "s") or 0


class LineHeld(
    msgspec.Struct, frozen=True, forbid_unknown_fields=True, tag_field="kind", tag="line-held"
):
    """A line of a bus is held low."""

    name: str = ""
    bus: str | None = None  # None: every bus
    hold: str | None = None
    hold_ms: Number | None = None
    severity: Severity = "fault"

    def __post_init__(self) -> None:
        _ = self.hold_ns

    @property
    def hold_ns(self) -> int:
        """From how long on it counts, ns; SMBus lets a device give up after 25 ms."""
        ns = time_ns("hold", self.hold, self.hold_ms, "ms")
        return 25_000_000 if ns is None else ns


class Pattern(
    msgspec.Struct, frozen=True, forbid_unknown_fields=True, tag_field="kind", tag="pattern"
):
    """Rows that should not be there."""

    table: str
    where: str
    name: str = ""
    summary: str = ""  # what it means, in words
    severity: Severity = "warning"


Fault = Literal[
    "filler", "padded", "leftover", "slipped", "swapped", "sign", "stale", "frozen", "sequence"
]


class ReplyShape(
    msgspec.Struct, frozen=True, forbid_unknown_fields=True, tag_field="kind", tag="reply-shape"
):
    """Replies are what the target has to say. Without such a rule, every target is looked at.

    It is about a whole run, so it is looked at when a run is read, not while it is recorded.
    """

    name: str = ""
    device: str | None = None  # None: every target
    leave_out: list[Fault] = []  # faults that are the way of this target
    severity: Severity = "warning"


Rule = (
    StopsAnswering
    | CheckCode
    | Limits
    | Cadence
    | Sequence
    | ReplyWithin
    | LineHeld
    | Pattern
    | ReplyShape
)
