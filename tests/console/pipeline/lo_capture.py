"""What really passes the loopback interface while a test runs, recorded through a raw socket."""

from __future__ import annotations

import contextlib
import socket
import struct
import threading
from collections.abc import Iterator
from decimal import Decimal
from pathlib import Path

import pytest
from dpkt.pcap import Writer

_ALL = 3  # ETH_P_ALL of linux/if_ether.h
_STAMPS_IN_NS = 35  # SO_TIMESTAMPNS of asm-generic/socket.h
_ETHERNET, _NETWORK, _TRANSPORT = 1, 14, 34  # link type; where IPv4 and TCP begin


class Recorder:
    """Frames of one TCP port, with the kernel's stamps. Every frame passes twice: out and in."""

    def __init__(self, port: int) -> None:
        self.frames: list[tuple[int, bytes]] = []
        self._port = port.to_bytes(2, "big")
        self._socket = socket.socket(socket.AF_PACKET, socket.SOCK_RAW, socket.htons(_ALL))
        self._socket.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 1 << 24)
        self._socket.setsockopt(socket.SOL_SOCKET, _STAMPS_IN_NS, 1)
        self._socket.bind(("lo", 0))
        self._socket.settimeout(0.1)
        self._is_over = threading.Event()
        self._thread = threading.Thread(target=self._record)
        self._thread.start()

    def _record(self) -> None:
        while True:
            try:
                frame, stamps, _, _ = self._socket.recvmsg(1 << 17, 256)
            except TimeoutError:
                if self._is_over.is_set():
                    return
                continue
            ports = frame[_TRANSPORT : _TRANSPORT + 4]
            if frame[_NETWORK] == 0x45 and self._port in (ports[:2], ports[2:]):
                seconds, ns = struct.unpack("@ll", stamps[0][2][:16])
                self.frames.append((seconds * 10**9 + ns, frame))

    def stop(self) -> None:
        """Take what has come, and no more."""
        self._is_over.set()
        self._thread.join()
        self._socket.close()

    def write(self, path: Path) -> Path:
        """The frames as a network capture, by an independent library."""
        writer = Writer(path.open("wb"), linktype=_ETHERNET, nano=True)
        for t_ns, frame in self.frames:  # floats would round what the kernel stamped
            writer.writepkt_time(frame, Decimal(t_ns).scaleb(-9))
        writer.close()
        return path


@contextlib.contextmanager
def recorded(port: int) -> Iterator[Recorder]:
    """Record a port of the loopback interface."""
    try:
        recorder = Recorder(port)
    except PermissionError:
        pytest.skip("recording an interface takes rights that this user has not")
    try:
        yield recorder
    finally:
        recorder.stop()
