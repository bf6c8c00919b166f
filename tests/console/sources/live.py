"""Real ports for tests, and a place for the records that live sources put. Nothing here sleeps."""

from __future__ import annotations

import os
import select
import threading
import tty
from collections.abc import Callable
from pathlib import Path

from console.sources.records import Chunk, Happened, Record

WAIT_S = 60.0  # after this a test fails; nothing takes so long


class Records:
    """What a source put, and waiting for what it is to put."""

    def __init__(self) -> None:
        self._records: list[Record] = []
        self._more = threading.Condition()

    def put(self, record: Record) -> None:
        with self._more:
            self._records.append(record)
            self._more.notify_all()

    @property
    def all(self) -> list[Record]:
        with self._more:
            return list(self._records)

    def data(self) -> bytes:
        """The bytes of all chunks."""
        return b"".join(r.data for r in self.all if isinstance(r, Chunk))

    def happened(self) -> list[str]:
        """What happened, in order."""
        return [r.what for r in self.all if isinstance(r, Happened)]

    def details(self, what: str) -> list[str]:
        return [r.detail for r in self.all if isinstance(r, Happened) and r.what == what]

    def wait(self, enough: Callable[[], bool]) -> None:
        """Wait for it to be so; looked at again at every record."""
        with self._more:
            if not self._more.wait_for(enough, WAIT_S):
                raise AssertionError(f"not so after {WAIT_S} s: {self._records[-5:]}")

    def wait_for(self, what: str, times: int = 1) -> None:
        self.wait(lambda: self.happened().count(what) >= times)

    def wait_for_bytes(self, count: int) -> None:
        self.wait(lambda: len(self.data()) >= count)


class Pty:
    """A pseudo-terminal: what is written here arrives on the port of that path."""

    def __init__(self) -> None:
        self.master, self.slave = os.openpty()
        tty.setraw(self.slave)
        self.path = os.ttyname(self.slave)

    def send(self, data: bytes) -> None:
        while data:
            data = data[os.write(self.master, data) :]

    def wait_until_there(self) -> None:
        """Wait until what was sent can be read: the system passes it on in its own time."""
        select.select([self.slave], [], [], WAIT_S)

    def written(self) -> bytes:
        """What the other side wrote to its port."""
        os.set_blocking(self.master, False)
        try:
            return os.read(self.master, 1 << 16)
        except BlockingIOError:
            return b""

    def unplug(self) -> None:
        """The device goes away."""
        os.close(self.slave)
        os.close(self.master)


def point(link: Path, to: str) -> None:
    """Have a lasting name lead to a device, in one step."""
    new = link.with_name(link.name + ".new")
    new.symlink_to(to)
    new.replace(link)
