"""Bytes from behind a network port, or out of a loop."""

from __future__ import annotations

import contextlib
import queue
import socket
from typing import Any

import serial

from console.bench.model import PrintsSource
from console.bench.ports import Port
from console.sources.port_counters import Counters
from console.sources.port_device import settings_of
from console.sources.port_trouble import refused_network
from console.sources.port_waits import LOOK_S

CONNECT_S = 3.0
_BLOCK_BYTES = 1 << 16


def opened_stream(port: Port, source: PrintsSource) -> SocketPort | QueuePort:
    """Connect to what gives the bytes.

    Raises:
        PortError: in words for people.
    """
    try:
        if port.kind == "socket":
            return SocketPort(port)
        opened = serial.serial_for_url(port.text, do_not_open=True, **settings_of(source))
        opened.dtr, opened.rts = source.dtr, source.rts
        opened.open()
    except (OSError, ValueError) as error:
        raise refused_network(port, error) from error
    return QueuePort(opened, opened.queue if port.kind == "loop" else opened._read_buffer)


class SocketPort:
    """Bytes behind a TCP port, as they are.

    Read with large blocks: the library's own reader takes one byte at a time, 40 % of a core at
    92 kB/s.
    """

    def __init__(self, port: Port) -> None:
        self._socket = socket.create_connection((port.host, port.number), timeout=CONNECT_S)
        self._cancelled = False
        _keep_alive(self._socket)
        self._socket.settimeout(LOOK_S)

    def wait(self) -> bytes:
        """See `port_opened.OpenPort`."""
        if self._cancelled:
            return b""
        try:
            block = self._socket.recv(_BLOCK_BYTES)
        except TimeoutError as error:
            if error.errno is not None:  # the kernel's: the other side answers no more
                raise
            return b""
        if not block and not self._cancelled:
            raise OSError("end of stream")
        return block

    def rest(self) -> bytes:
        """See `port_opened.OpenPort`."""
        self._socket.settimeout(0)
        try:
            return self._socket.recv(_BLOCK_BYTES)
        except BlockingIOError:
            return b""
        finally:
            self._socket.settimeout(LOOK_S)

    def counters(self) -> Counters | None:
        """A network port counts nothing."""
        return None

    def write(self, data: bytes) -> int:
        """See `port_opened.OpenPort`."""
        try:
            return self._socket.send(data)
        except (BlockingIOError, TimeoutError) as error:
            if error.errno is not None and isinstance(error, TimeoutError):
                raise  # the kernel's: the other side answers no more
            return 0

    def cancel(self) -> None:
        """See `port_opened.OpenPort`."""
        self._cancelled = True
        with contextlib.suppress(OSError):
            self._socket.shutdown(socket.SHUT_RD)  # nothing is sent; a wait in `recv` ends

    def close(self) -> None:
        """See `port_opened.OpenPort`."""
        self._socket.close()


class QueuePort:
    """A port whose bytes a thread of the library, or a writer, puts into a queue one by one.

    The queue is read here and not through the library: its `read` gives nothing any more once the
    connection has ended, however much is still queued.
    """

    def __init__(self, opened: Any, bytes_: queue.Queue[bytes | None]) -> None:
        self._port = opened
        self._queue = bytes_
        self._ended = False
        self._cancelled = False

    def wait(self) -> bytes:
        """See `port_opened.OpenPort`."""
        if self._cancelled:
            return b""
        self._check()
        try:
            return self._taken(self._queue.get(timeout=LOOK_S))
        except queue.Empty:
            thread = getattr(self._port, "_thread", None)
            self._ended = thread is not None and not thread.is_alive()
            return b""

    def rest(self) -> bytes:
        """See `port_opened.OpenPort`."""
        parts = []
        with contextlib.suppress(queue.Empty):
            while not self._ended:
                parts.append(self._taken(self._queue.get_nowait()))
        return b"".join(parts)

    def counters(self) -> Counters | None:
        """Nothing is counted."""
        return None

    def write(self, data: bytes) -> int:
        """See `port_opened.OpenPort`."""
        return int(self._port.write(data) or 0)

    def cancel(self) -> None:
        """See `port_opened.OpenPort`."""
        self._cancelled = True
        with contextlib.suppress(queue.Full):
            self._queue.put_nowait(b"")

    def close(self) -> None:
        """See `port_opened.OpenPort`."""
        self._port.close()

    def _taken(self, item: bytes | None) -> bytes:
        self._ended = item is None
        return item or b""

    def _check(self) -> None:
        if self._ended:
            raise OSError("end of stream")


def _keep_alive(opened: socket.socket) -> None:
    """Have the system find out that the other side is gone; after a minute, where it can."""
    opened.setsockopt(socket.SOL_SOCKET, socket.SO_KEEPALIVE, 1)
    for option, value in (("TCP_KEEPIDLE", 30), ("TCP_KEEPINTVL", 10), ("TCP_KEEPCNT", 3)):
        if hasattr(socket, option):
            opened.setsockopt(socket.IPPROTO_TCP, getattr(socket, option), value)
