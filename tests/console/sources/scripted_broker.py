"""A broker that does what a test tells it, byte by byte, and keeps every byte a client sent."""

from __future__ import annotations

import contextlib
import socket
import ssl
import threading
from collections.abc import Callable
from types import TracebackType
from typing import Self

CONNACK, CONNACK_5 = bytes.fromhex("20020000"), bytes.fromhex("2003000000")
CONNECT, PUBLISH, SUBSCRIBE, PINGREQ, DISCONNECT = 0x10, 0x30, 0x80, 0xC0, 0xE0


class Line:
    """One connection of a client."""

    def __init__(self, sock: socket.socket) -> None:
        self._sock = sock
        self.received = b""
        self.ended = threading.Event()  # the script is through, or the client is gone
        self._read = 0

    def send(self, data: bytes) -> None:
        self._sock.sendall(data)

    def packet(self) -> tuple[int, bytes]:
        """The next whole packet: its first byte, and what follows the length."""
        first = self._take(1)[0]
        length = shift = 0
        while True:
            byte = self._take(1)[0]
            length |= (byte & 0x7F) << shift
            shift += 7
            if byte < 0x80:
                return first, self._take(length)

    def until(self, kind: int) -> bytes:
        """What follows the length of the next packet of a kind; others are passed over."""
        while True:
            first, body = self.packet()
            if first & 0xF0 == kind:
                return body

    def accept(self, *, connack: bytes = CONNACK, granted: bytes = b"\0") -> None:
        """Let the client in, and grant what it asks for."""
        self.until(CONNECT)
        self.send(connack)
        packet_id = self.until(SUBSCRIBE)[:2]
        properties = b"\0" if len(connack) > 4 else b""
        rest = packet_id + properties + granted
        self.send(bytes([0x90, len(rest)]) + rest)

    def rest(self) -> None:
        """Read until the client is gone."""
        with contextlib.suppress(EOFError, OSError):
            while True:
                self._take(1)

    def _take(self, count: int) -> bytes:
        while len(self.received) - self._read < count:
            data = self._sock.recv(65536)
            if not data:
                raise EOFError
            self.received += data
        self._read += count
        return self.received[self._read - count : self._read]


Script = Callable[[Line], None]


class ScriptedBroker:
    """Plays one script a connection, the last one for all that follow.

    A script that reads from a client that is gone ends there; anything else wrong in a script is
    raised when the broker is left.
    """

    def __init__(self, *scripts: Script, context: ssl.SSLContext | None = None) -> None:
        self._scripts = list(scripts)
        self._context = context
        self._server = socket.create_server(("127.0.0.1", 0))
        self.port = int(self._server.getsockname()[1])
        self.lines: list[Line] = []
        self._sockets: list[socket.socket] = []
        self._wrong: list[BaseException] = []
        self._threads = [threading.Thread(target=self._accept)]

    def __enter__(self) -> Self:
        self._threads[0].start()
        return self

    def __exit__(
        self,
        _kind: type[BaseException] | None,
        _error: BaseException | None,
        _trace: TracebackType | None,
    ) -> None:
        with contextlib.suppress(OSError):
            self._server.shutdown(socket.SHUT_RDWR)
        self._server.close()
        self._threads[0].join()
        for sock in self._sockets:
            with contextlib.suppress(OSError):
                sock.shutdown(socket.SHUT_RDWR)
        for thread in self._threads[1:]:
            thread.join()
        assert self._wrong == []

    def _accept(self) -> None:
        while True:
            try:
                sock, _ = self._server.accept()
            except OSError:
                return
            if self._context is not None:
                sock = self._context.wrap_socket(
                    sock, server_side=True, do_handshake_on_connect=False
                )
            self._sockets.append(sock)
            script = self._scripts[min(len(self.lines), len(self._scripts) - 1)]
            self.lines.append(Line(sock))
            self._threads.append(
                threading.Thread(target=self._play, args=(script, self.lines[-1], sock))
            )
            self._threads[-1].start()

    def _play(self, script: Script, line: Line, sock: socket.socket) -> None:
        with sock:
            try:
                script(line)
            except (EOFError, OSError):
                pass
            except Exception as error:  # told in `__exit__`
                self._wrong.append(error)
            finally:
                line.ended.set()


def publish(
    topic: bytes, payload: bytes, *, qos: int = 0, packet_id: int = 1, flags: int = 0
) -> bytes:
    """A PUBLISH of MQTT 3.1.1; `flags` are DUP (8) and RETAIN (1)."""
    body = len(topic).to_bytes(2, "big") + topic
    if qos:
        body += packet_id.to_bytes(2, "big")
    body += payload
    return bytes([0x30 | flags | qos << 1]) + length_of(len(body)) + body


def length_of(length: int) -> bytes:
    """A remaining length (MQTT 3.1.1 section 2.2.3)."""
    out = b""
    while True:
        length, low = divmod(length, 128)
        out += bytes([low | (0x80 if length else 0)])
        if not length:
            return out
