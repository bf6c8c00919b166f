"""Sending, for an exercise: to a broker over a connection of its own, or to an open port.

Nothing is sent without a `Transmit`, or after it was taken back. What could not be sent within its
time is never sent later: a connection with something left in it is dropped, not used again.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Protocol

from console.sources.records import HostClock
from console.sources.transmit import Transmit
from decoders.errors import DiagnosticError


@dataclass(frozen=True, slots=True)
class Publication:
    """A message to be published."""

    source: str
    topic: str
    payload: bytes
    qos: int = 0
    retain: bool = False


@dataclass(frozen=True, slots=True)
class Written:
    """Bytes to be written to a port."""

    source: str
    data: bytes


Outgoing = Publication | Written


@dataclass(frozen=True, slots=True)
class Sent:
    """When something was sent, on the host's clock."""

    began_ns: int  # nothing of it was sent before
    ended_ns: int  # the driver has it; the broker has it, where QoS asks for its word


class SendError(DiagnosticError):
    """Something was not sent, or nobody can tell whether it arrived."""


class Sender(Protocol):
    """Sends to one source; used by one thread."""

    def send(self, what: Outgoing, timeout_s: float) -> Sent:
        """Send one thing; returns or raises about when the time is over.

        Raises:
            SendError: in words for people.
        """
        ...

    def close(self) -> None:
        """Give back what it holds; nothing more is sent."""
        ...


class WritesToPort(Protocol):
    """A recorded port: `port.PortSource`."""

    def write(
        self, data: bytes, right: Transmit, timeout_s: float, began: Callable[[], None]
    ) -> None:
        """Write all of it; calls `began` before the first byte.

        Raises:
            SendError: in words for people.
        """
        ...


class PortSender:
    """Writes to a port that the recorder has open.

    Args:
        port: the recorded source.
        right: to send.
        clock: the recorder's.
    """

    def __init__(self, port: WritesToPort, right: Transmit, clock: HostClock) -> None:
        self._port, self._right, self._clock = port, right, clock

    def send(self, what: Outgoing, timeout_s: float) -> Sent:
        """See `Sender`."""
        if not isinstance(what, Written):
            raise TypeError(f"a port is not sent {what!r}")
        began_ns = []
        self._port.write(what.data, self._right, timeout_s, lambda: began_ns.append(self._clock()))
        return Sent(began_ns[0], self._clock())

    def close(self) -> None:
        """See `Sender`; the port is the recorder's."""
