"""An open port of any kind: devices, streams behind network ports, a loop.

Nothing here writes to a port unasked. Opening sets speed and format, and leaves DTR and RTS down
unless the source asks for them; the driver may still raise them for a moment while it opens.
`rfc2217://` asks the other side for speed and format in words of that protocol (RFC 2217 section
3), which never reach the line. One thing is the system's: a terminal device that nobody has set up
since it was plugged in echoes what arrives in the some 100 us until it is.
"""

from __future__ import annotations

from typing import Protocol

from console.bench.model import PrintsSource
from console.bench.ports import Port
from console.sources.port_counters import Counters
from console.sources.port_device import opened_device
from console.sources.port_stream import opened_stream


class OpenPort(Protocol):
    """Used by one thread; only `cancel` and `write` may be called from another."""

    def wait(self) -> bytes:
        """The first bytes that come, at least one; none after LOOK_S or when cancelled.

        Raises:
            OSError: when it went away.
        """
        ...

    def rest(self) -> bytes:
        """What else is there, at once.

        Raises:
            OSError: when it went away.
        """
        ...

    def counters(self) -> Counters | None:
        """What the driver counts; None when it does not."""
        ...

    def write(self, data: bytes) -> int:
        """Write what is taken at once; how many bytes that are, 0 when none now.

        Raises:
            OSError: when it went away.
        """
        ...

    def cancel(self) -> None:
        """End the `wait` of another thread, and those to come."""
        ...

    def close(self) -> None:
        """Give it back."""
        ...


def open_port(port: Port, source: PrintsSource) -> OpenPort:
    """Open a port, for us alone.

    Raises:
        PortError: in words for people.
    """
    return opened_device(port, source) if port.kind == "device" else opened_stream(port, source)
