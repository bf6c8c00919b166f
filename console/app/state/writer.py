"""Writing in the background: at once, then at most every half second, and the last one always."""

from __future__ import annotations

import threading
from collections.abc import Callable

EVERY_S = 0.5


class Writer:
    """The newest of what it is given gets written; what was overtaken does not.

    Args:
        write: writes, and returns a remark for the user or "". Called by one thread at a time.
        told: takes remarks that are not ""; each is told once. Called by the writing thread.
        every_s: least time from one writing to the next.
    """

    def __init__(
        self,
        write: Callable[[bytes], str],
        told: Callable[[str], None],
        *,
        every_s: float = EVERY_S,
    ) -> None:
        self._write = write
        self._told = told
        self._every_s = every_s
        self._changed = threading.Condition()
        self._data: bytes | None = None
        self._written: bytes | None = None
        self._remark = ""
        self._closing = False
        self._thread: threading.Thread | None = None

    def put(self, data: bytes) -> None:
        """Have this written soon; returns at once."""
        with self._changed:
            self._data = data
            if self._thread is None:
                self._thread = threading.Thread(target=self._run, name="keeping", daemon=True)
                self._thread.start()
            self._changed.notify()

    def close(self) -> None:
        """Write what is left, and end."""
        with self._changed:
            self._closing = True
            self._changed.notify()
        if self._thread is not None:
            self._thread.join()

    def _run(self) -> None:
        while True:
            with self._changed:
                self._changed.wait_for(lambda: self._data is not None or self._closing)
                data, self._data = self._data, None
            if data is None:
                return
            if data != self._written:
                self._say(self._write(data))
                self._written = data
            with self._changed:
                self._changed.wait_for(lambda: self._closing, timeout=self._every_s)

    def _say(self, remark: str) -> None:
        if remark and remark != self._remark:
            self._told(remark)
        self._remark = remark
