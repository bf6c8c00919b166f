"""The bytes of a connection to a broker: plain messages taken off in bulk, the rest left in place.

The MQTT library reads packet by packet in some 25 us each, at which 20,000 messages a second take
half a core. PUBLISH packets of QoS 0 need no answer and no state, so they are taken here, in a
fifth of that; whatever else comes is handed to the library one packet at a time, as if it came from
the socket. (MQTT 3.1.1 and 5.0, sections 2.1 and 3.3.)
"""

from __future__ import annotations

import socket
import ssl
import time
from typing import NamedTuple

_BLOCK = 1 << 16  # bytes read at once
_PUBLISH_QOS_0 = 0x30
_TYPE_AND_QOS = 0xF6  # leaves out DUP and RETAIN


class Plain(NamedTuple):
    """A message of QoS 0, without properties."""

    topic: bytes
    payload: bytes
    retain: bool
    duplicate: bool  # not allowed for QoS 0 [MQTT-3.3.1-2]; told all the same
    monotonic_s: float  # when its last byte was read


def connected(
    host: str, port: int, context: ssl.SSLContext | None, patience_s: float
) -> socket.socket:
    """A connection, its TLS handshake done.

    Args:
        host: name or address; what the certificate must be for.
        port: the port.
        context: TLS, if it is to be used.
        patience_s: for each address of the host, and again for the handshake.

    Raises:
        OSError, ValueError: if it does not come about; nothing is left open.
    """
    sock = socket.create_connection((host, port), timeout=patience_s)
    try:
        sock.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        return context.wrap_socket(sock, server_hostname=host) if context else sock
    except BaseException:
        sock.close()
        raise


class Stream:
    """A socket for the MQTT library that shows it one packet when told to.

    In turn: `fill`, then `plain` and `hand_over` until neither has anything.

    Args:
        sock: a connection.
        is_5: whether PUBLISH packets have properties.
    """

    def __init__(self, sock: socket.socket, *, is_5: bool) -> None:
        self._sock = sock
        self._is_5 = is_5
        self._buffer = b""
        self._at = 0  # what stands before it has been taken
        self._read_s = 0.0  # when the buffer was read
        self._over: OSError | bool = False  # the connection has ended, or broken
        self.handed = 0  # bytes of a packet that the library may read, and has not yet

    def fill(self) -> None:
        """Read what has come, up to some ten thousand bytes."""
        try:
            data = self._sock.recv(_BLOCK)
        except (BlockingIOError, ssl.SSLWantReadError, ssl.SSLWantWriteError):
            return
        except OSError as error:
            self._over = error
            return
        self._over = not data
        self._read_s = time.monotonic()
        self._buffer = self._buffer[self._at :] + data
        self._at = 0

    def plain(self) -> list[Plain]:
        """The messages that come next and need nothing of the library.

        One Python step a message: 2 us each, beside some 25 us in the library.
        """
        buffer, at, end = self._buffer, self._at, len(self._buffer)
        found = []
        while end - at >= 2 and buffer[at] & _TYPE_AND_QOS == _PUBLISH_QOS_0:
            length, body = buffer[at + 1], at + 2
            if length >= 0x80:
                length, body = self._length(at)
            stop = body + length
            if length < 3 or stop > end:
                break
            topic = body + 2
            payload = topic + (buffer[body] << 8 | buffer[body + 1])
            if self._is_5:
                if payload >= stop or buffer[payload]:
                    break  # properties
                payload += 1
            if payload > stop or payload == topic + self._is_5:
                break  # the library says what is wrong with it
            found.append(
                Plain(
                    buffer[topic : payload - self._is_5],
                    buffer[payload:stop],
                    bool(buffer[at] & 1),
                    bool(buffer[at] & 8),
                    self._read_s,
                )
            )
            at = stop
        self._at = at
        return found

    def hand_over(self) -> bool:
        """Let the library read the next packet, or that the connection is over."""
        left = len(self._buffer) - self._at
        if left >= 2:
            length, body = self._length(self._at)
            whole = body - self._at + length
            is_plain = self._buffer[self._at] & _TYPE_AND_QOS == _PUBLISH_QOS_0
            if body and (left >= whole or not is_plain or whole > _BLOCK):
                self.handed = whole
        return bool(self.handed or self._over)

    def _length(self, at: int) -> tuple[int, int]:
        """Remaining length of the packet at a place, and where that ends; (0, 0): not all here.

        Of one that is too long (section 2.2.3) so much that the library sees it.
        """
        length = 0
        for k, byte in enumerate(self._buffer[at + 1 : at + 6]):
            length |= (byte & 0x7F) << 7 * k
            if byte < 0x80:
                return length, at + 2 + k
            if k == 4:
                return 0, at + 6
        return 0, 0

    def recv(self, buffer_size: int) -> bytes:
        """For the library: what it may read.

        Raises:
            BlockingIOError: if there is nothing now.
            OSError: if the connection broke.
        """
        if not self.handed:
            if isinstance(self._over, OSError):
                raise self._over
            if self._over:
                return b""
            raise BlockingIOError
        count = min(buffer_size, self.handed)
        data = self._buffer[self._at : self._at + count] or self._sock.recv(count)
        self._at = min(self._at + len(data), len(self._buffer))
        self.handed = self.handed - len(data) if data else 0
        return data

    def send(self, buffer: bytes | bytearray) -> int:
        """For the library: as a socket's."""
        return self._sock.send(buffer)

    def close(self) -> None:
        """As a socket's."""
        self._sock.close()

    def fileno(self) -> int:
        """As a socket's."""
        return self._sock.fileno()

    def setblocking(self, flag: bool) -> None:
        """As a socket's."""
        self._sock.setblocking(flag)

    def pending(self) -> int:
        """Bytes that wait where a selector does not see them: decrypted, but not read."""
        return self._sock.pending() if isinstance(self._sock, ssl.SSLSocket) else 0
