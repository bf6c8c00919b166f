"""What a live source gives: bytes, messages and happenings, each with the host's stamp.

Stamps are ns since 1970 that never go back: the wall clock is read once when recording begins, the
monotonic clock from then on. All sources of one recorder share that clock, so a run recorded by it
needs no alignment among them; what a stamp is late by is the source's own (a read's latency, a
broker's way), and is told as its band.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Literal, Protocol

# What can happen to a source beside data. "opened" and "closed" are its port or connection;
# "refused": it cannot be opened, and why; "lost": data known to be missing (driver overrun,
# queue full); "break", "framing", "parity": as a serial driver tells; "subscribed": topics and the
# QoS granted; "retry": when it will be tried again; "note": anything else worth a line.
Happening = Literal[
    "opened", "closed", "refused", "lost", "break", "framing", "parity", "subscribed", "retry",
    "note",
]  # fmt: skip


class HostClock:
    """ns since 1970 that never go back."""

    def __init__(
        self,
        wall_ns: Callable[[], int] = time.time_ns,
        monotonic_ns: Callable[[], int] = time.monotonic_ns,
    ) -> None:
        self._monotonic_ns = monotonic_ns
        self._offset_ns = wall_ns() - monotonic_ns()

    def __call__(self) -> int:
        """The time now."""
        return self._monotonic_ns() + self._offset_ns

    def of_monotonic(self, monotonic_ns: int) -> int:
        """A stamp of the monotonic clock on this one."""
        return monotonic_ns + self._offset_ns


@dataclass(frozen=True, slots=True)
class Chunk:
    """Bytes of a serial source as one read gave them; stamped when the read returned."""

    source: str
    t_ns: int
    data: bytes


@dataclass(frozen=True, slots=True)
class Arrived:
    """One MQTT message."""

    source: str
    t_ns: int
    topic: str
    payload: bytes
    qos: int = 0
    retain: bool = False
    duplicate: bool = False
    properties: dict[str, str] = field(default_factory=dict)  # of MQTT 5, as text


@dataclass(frozen=True, slots=True)
class Happened:
    """Something that happened to the source itself; text in it comes from outside."""

    source: str
    t_ns: int
    what: Happening
    detail: str = ""


Record = Chunk | Arrived | Happened


@dataclass(frozen=True, slots=True)
class SourceState:
    """How a live source is at the moment."""

    name: str
    kind: Literal["prints", "messages", "capture"]
    where: str  # port or host, for people; holds no secret
    state: Literal["opening", "open", "waiting", "failed", "closed"]
    why: str = ""  # of waiting and failed: the last trouble, in words
    records: int = 0
    bytes: int = 0
    lost: int = 0  # bytes or messages known to be missing
    last_ns: int | None = None


class LiveSource(Protocol):
    """A port, a broker, a folder: read in a thread of its own until stopped.

    `put` is called from that thread, for every record in order, and must not block for long.
    """

    def start(self, put: Callable[[Record], None], clock: HostClock) -> None:
        """Begin; returns at once. What goes wrong later is told by records and `state`."""
        ...

    def stop(self, timeout_s: float = 2.0) -> None:
        """End; what has arrived is put before it returns."""
        ...

    def state(self) -> SourceState:
        """How it is; may be asked from any thread."""
        ...
