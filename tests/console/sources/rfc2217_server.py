"""A server of RFC 2217 with the library's own part for it, in a process of its own.

Prints its port, then takes one client. What comes in on standard input is sent as if it had come
from the serial line. What the client sends for the line, beside negotiation, is told at the end.
"""

from __future__ import annotations

import contextlib
import os
import socket
import sys
import threading

import serial
from serial.rfc2217 import PortManager


class Connection:
    def __init__(self, client: socket.socket) -> None:
        self._client = client
        self._lock = threading.Lock()

    def write(self, data: bytes) -> None:
        with self._lock:
            self._client.sendall(data)


def main() -> None:
    line = serial.serial_for_url("loop://", timeout=1)
    server = socket.create_server(("127.0.0.1", 0))
    print(server.getsockname()[1], flush=True)
    client, _ = server.accept()
    connection = Connection(client)
    manager = PortManager(line, connection)
    written = bytearray()

    def filtered() -> None:
        with contextlib.suppress(OSError):
            while data := client.recv(1024):
                written.extend(b"".join(manager.filter(data)))

    reader = threading.Thread(target=filtered)
    reader.start()
    while block := os.read(sys.stdin.fileno(), 4096):
        connection.write(b"".join(manager.escape(block)))
    client.shutdown(socket.SHUT_WR)
    reader.join(30)
    print(written.hex() or "nothing", line.baudrate, line.bytesize, line.parity, flush=True)


if __name__ == "__main__":
    main()
