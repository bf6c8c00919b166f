"""How long to wait before a port is tried again, and what ends a wait early."""

from __future__ import annotations

import os

from console.bench.ports import Port

LOOK_S = 0.25  # longest wait for bytes, after which other things are looked at

Node = tuple[int, ...]


class Waits:
    """Waits that double from the first to the longest.

    A port that was open for longer than the wait before it has proved itself: the next one is the
    first again. One that opens and closes at once is not tried ever faster.

    Args:
        first_ns: more than 0.
        longest_ns: at least first_ns.
    """

    def __init__(self, first_ns: int, longest_ns: int) -> None:
        if not 0 < first_ns <= longest_ns:
            raise ValueError(f"waits from {first_ns} to {longest_ns} ns")
        self._first_ns, self._longest_ns = first_ns, longest_ns
        self._next_ns = first_ns
        self._last_ns = 0

    def next_ns(self) -> int:
        """The next wait."""
        self._last_ns = self._next_ns
        self._next_ns = min(self._next_ns * 2, self._longest_ns)
        return self._last_ns

    def was_open(self, for_ns: int) -> None:
        """The port was open for so long."""
        if for_ns > self._last_ns:
            self._next_ns, self._last_ns = self._first_ns, 0


def node_of(port: Port) -> Node | None:
    """What a device path leads to now; None when to nothing, or when it is no device.

    It changes when an adapter is plugged in, under whatever device node, and when the system then
    gives its users the right to open it. A look costs some microseconds.
    """
    if port.kind != "device":
        return None
    try:
        about = os.stat(port.text)
    except (OSError, ValueError):
        return None
    return (
        about.st_dev,
        about.st_ino,
        about.st_rdev,
        about.st_mode,
        about.st_uid,
        about.st_gid,
        about.st_ctime_ns,  # changes with access lists, not with reads and writes
    )
