"""A cable between a client and a broker that can be cut and mended: a forwarder of bytes."""

from __future__ import annotations

import contextlib
import socket
import threading
from types import TracebackType
from typing import Self


class Cable:
    """Listens at `port`, and carries what comes to the broker's port, and back."""

    def __init__(self, broker_port: int) -> None:
        self._broker_port = broker_port
        self._server = socket.create_server(("127.0.0.1", 0))
        self.port = int(self._server.getsockname()[1])
        self._whole = threading.Event()
        self._whole.set()
        self._sockets: list[socket.socket] = []
        self._threads = [threading.Thread(target=self._accept)]
        self._lock = threading.Lock()

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
        self.cut()
        for thread in self._threads[1:]:
            thread.join()

    def cut(self) -> None:
        """End every connection; new ones are closed at once."""
        with self._lock:
            self._whole.clear()
            for one in self._sockets:
                with contextlib.suppress(OSError):
                    one.shutdown(socket.SHUT_RDWR)
                one.close()
            self._sockets.clear()

    def mend(self) -> None:
        """Carry again."""
        self._whole.set()

    def _accept(self) -> None:
        while True:
            try:
                near, _ = self._server.accept()
            except OSError:
                return
            with self._lock:
                if not self._whole.is_set():
                    near.close()
                    continue
                far = socket.create_connection(("127.0.0.1", self._broker_port))
                self._sockets += [near, far]
                for pair in ((near, far), (far, near)):
                    self._threads.append(threading.Thread(target=_carry, args=pair))
                    self._threads[-1].start()


def _carry(source: socket.socket, sink: socket.socket) -> None:
    with contextlib.suppress(OSError):
        while data := source.recv(65536):
            sink.sendall(data)
    for one in (source, sink):
        with contextlib.suppress(OSError):
            one.shutdown(socket.SHUT_RDWR)
