"""A serial port that is recorded: opened, read, lost, found again, for days.

A thread of its own waits for bytes. The first after a silence are given at once, with the time they
came; while more keep coming it pauses 4 ms between reads and takes what has gathered: 1 % of a core
at 115200 and at 921600 baud, where a read for each byte takes 33 % and falls behind at 3 Mbaud.
`byte_times` then says when each byte of a read came.

An adapter that is unplugged is opened again as soon as its path leads to a device again, whichever
node that is; a port that is busy or refused is tried again after waits that double. Why it is not
open is told once, not at every try.
"""

from __future__ import annotations

import contextlib
import threading
import time
from collections.abc import Callable
from typing import Literal

from console.bench.model import PrintsSource
from console.bench.ports import parsed_port
from console.sources.port_counters import Counters
from console.sources.port_opened import OpenPort, open_port
from console.sources.port_trouble import PortError, gone, holders
from console.sources.port_waits import Node, Waits, node_of
from console.sources.records import Chunk, Happened, Happening, HostClock, Record, SourceState
from console.sources.sender import SendError
from console.sources.transmit import Transmit
from decoders.durations import in_words
from decoders.errors import Place
from decoders.prints.byte_times import USB_KEPT_NS, ByteTimes

PAUSE_NS = 4_000_000  # between reads while bytes keep coming: 368 bytes at 921600 baud
_COUNT_EVERY_NS = 500_000_000
_NODE_EVERY_S = 0.1
_WRITE_AGAIN_S = 0.005
_LAST_READS = 64  # at the end: what had arrived, but no sender keeps it from ending

State = Literal["opening", "open", "waiting", "failed", "closed"]


def byte_times(source: PrintsSource) -> ByteTimes:
    """What turns the stamps of this source's chunks into the time of each byte."""
    kept_ns = USB_KEPT_NS + PAUSE_NS
    return ByteTimes(source.baud, source.frame_bits, kept_ns=kept_ns)


class PortSource:
    """A live source of the bytes of one port. It writes nothing but what `write` is given.

    Args:
        source: with a port.

    Raises:
        DescriptionError: if the port is none that is read here.
        ValueError: if there is no port.
    """

    def __init__(self, source: PrintsSource) -> None:
        if source.port is None:
            raise ValueError(f"source {source.name!r} has no port")
        self._source = source
        self._port = parsed_port(source.port)
        self._waits = Waits(*source.retry_ns)
        self._put: Callable[[Record], None] = _nowhere
        self._clock = HostClock()
        self._stop = threading.Event()
        self._thread: threading.Thread | None = None
        self._lock = threading.Lock()  # of `_opened`: who closes it, and who may still cancel it
        self._opened: OpenPort | None = None
        self._told = ""  # why it is not open, as it was told last
        self._state: State = "opening"
        self._why = ""
        self._records = self._bytes = self._lost = 0
        self._last_ns: int | None = None
        self._counters: Counters | None = None
        self._counted_ns = 0

    def start(self, put: Callable[[Record], None], clock: HostClock) -> None:
        """Begin to open and read; returns at once."""
        if self._thread is not None:
            raise RuntimeError(f"source {self._source.name!r} was started before")
        self._put, self._clock = put, clock
        name = f"port {self._source.name}"
        self._thread = threading.Thread(target=self._run, name=name, daemon=True)
        self._thread.start()

    def stop(self, timeout_s: float = 2.0) -> None:
        """End; what the port had is put before. A connection being made may take longer: then
        nothing more is put.
        """
        self._stop.set()
        with self._lock:
            if self._opened is not None:
                self._opened.cancel()
        if self._thread is not None:
            self._thread.join(timeout_s)
        self._put = _nowhere

    def write(
        self, data: bytes, right: Transmit, timeout_s: float, began: Callable[[], None]
    ) -> None:
        """Write to the port, as soon as it is open; from one thread at a time.

        Args:
            data: all of it, or an error.
            right: to send; once it is taken back nothing more is written.
            timeout_s: for the port to be open, and for the driver to take the data.
            began: called before the first byte.

        Raises:
            SendError: in words for people; some of the data may have gone out.
        """
        until_s, at = time.monotonic() + timeout_s, 0
        while at < len(data):
            if right.is_over:
                raise self._unsent("sending was stopped", at)
            if time.monotonic() > until_s:
                why = "it is not open" if self._opened is None else "nothing takes the bytes"
                raise self._unsent(f"{why} within {in_words(timeout_s * 1e9)}", at)
            with self._lock:  # or it could be closed meanwhile
                if self._opened is not None:
                    if not at:
                        began()
                    at += self._write_some(self._opened, data[at:])
            if at < len(data):
                right.pause(_WRITE_AGAIN_S)

    def _write_some(self, opened: OpenPort, data: bytes) -> int:
        try:
            return opened.write(data)
        except OSError as error:
            raise self._unsent(gone(self._port, error).line, 0) from error

    def _unsent(self, why: str, at: int) -> SendError:
        gone_out = f"; {at} bytes of it had gone out" if at else ""
        return SendError(f"{why}{gone_out}", place=Place(self._port.text))

    def state(self) -> SourceState:
        """How it is."""
        return SourceState(
            name=self._source.name,
            kind="prints",
            where=self._port.text,
            state=self._state,
            why=self._why,
            records=self._records,
            bytes=self._bytes,
            lost=self._lost,
            last_ns=self._last_ns,
        )

    def _run(self) -> None:
        try:
            while not self._stop.is_set() and self._state != "failed":
                self._try()
        except BaseException as error:
            self._state, self._why = "failed", f"it ended by a fault of the program ({error!r})"
            raise
        if self._state != "failed":
            self._state = "closed"

    def _try(self) -> None:
        """Open it once, and read it as long as it lasts; or wait for the next try."""
        before = node_of(self._port)
        others = [] if before is None else holders(self._port.text)
        try:
            opened = open_port(self._port, self._source)
        except PortError as error:
            self._refuse(error)
            if self._state != "failed":
                self._wait(before)
            return
        began_ns = time.monotonic_ns()
        try:
            with self._lock:
                self._opened = opened
            trouble = None if self._stop.is_set() else self._read(opened, others)
        finally:
            self._close(opened)
        if trouble is not None:
            self._waits.was_open(time.monotonic_ns() - began_ns)
            self._state, self._why = "waiting", trouble.line
            self._happen("closed", trouble.line)
            self._wait(before)

    def _refuse(self, error: PortError) -> None:
        """Tell why it cannot be opened, unless that was told before."""
        never = self._source.required and self._state == "opening"
        self._state = "failed" if error.lasting or never else "waiting"
        self._why = error.line
        if error.line == self._told:
            return
        self._told = error.line
        self._happen("refused", error.line)
        if self._state == "waiting":
            first_ns, longest_ns = self._source.retry_ns
            words = f"tried again every {in_words(first_ns)} to {in_words(longest_ns)}"
            if self._port.kind == "device":
                words += ", and as soon as the device changes"
            self._happen("retry", words)

    def _wait(self, before: Node | None) -> None:
        """Wait for the next try; shorter when the path leads to another device by then."""
        until = time.monotonic() + self._waits.next_ns() / 1e9
        while node_of(self._port) == before and (left := until - time.monotonic()) > 0:
            if self._stop.wait(min(left, _NODE_EVERY_S)):
                return

    def _read(self, opened: OpenPort, others: list[str]) -> PortError | None:
        """Read until stopped, or until it goes away; why it did."""
        self._state, self._why, self._told = "open", "", ""
        self._counters, self._counted_ns = opened.counters(), time.monotonic_ns()
        self._happen("opened", self._line())
        if others:
            words = f"open in other programs too: {', '.join(others)}; what they read is missing"
            self._happen("note", words)
        error = None
        while error is None and not self._stop.is_set():
            data, error = _gathered(opened)
            self._chunk(data)
            if time.monotonic_ns() - self._counted_ns > _COUNT_EVERY_NS:
                self._count(opened)
        if error is None:
            error = self._take_rest(opened)
        self._count(opened)
        if error is None:
            self._happen("closed", "stopped")
            return None
        return gone(self._port, error)

    def _take_rest(self, opened: OpenPort) -> OSError | None:
        """Put what had arrived when it was stopped."""
        for _ in range(_LAST_READS):
            data, error = _rest_of(opened)
            self._chunk(data)
            if error is not None or not data:
                return error
        return None

    def _chunk(self, data: bytes) -> None:
        if not data:
            return
        self._last_ns = self._clock()
        self._records += 1
        self._bytes += len(data)
        self._put(Chunk(self._source.name, self._last_ns, data))

    def _count(self, opened: OpenPort) -> None:
        """Tell what the driver counted since the last look."""
        self._counted_ns = time.monotonic_ns()
        now, before = opened.counters(), self._counters
        self._counters = now
        if now is None or before is None:
            return
        since = now.since(before)
        self._lost += since.lost
        for what, words in since.told():
            self._happen(what, words)

    def _close(self, opened: OpenPort) -> None:
        with self._lock:
            self._opened = None
        with contextlib.suppress(OSError):  # of a device that is gone
            opened.close()

    def _line(self) -> str:
        """How it was opened, in words."""
        source = self._source
        if source.baud is None:
            return self._port.text
        format_ = f"{source.data_bits}{source.parity[0].upper()}{source.stop_bits}"
        return f"{self._port.text} at {source.baud} baud {format_}"

    def _happen(self, what: Happening, detail: str) -> None:
        self._put(Happened(self._source.name, self._clock(), what, detail))


def _gathered(opened: OpenPort) -> tuple[bytes, OSError | None]:
    """Wait for bytes; them, and what went wrong after them."""
    began_ns = time.monotonic_ns()
    try:
        first = opened.wait()
    except OSError as error:
        return b"", error
    if not first:
        return b"", None
    if time.monotonic_ns() - began_ns < PAUSE_NS:
        time.sleep(PAUSE_NS / 1e9)
    rest, trouble = _rest_of(opened)
    return first + rest, trouble


def _rest_of(opened: OpenPort) -> tuple[bytes, OSError | None]:
    try:
        return opened.rest(), None
    except OSError as error:
        return b"", error


def _nowhere(record: Record) -> None:
    """Takes records of a source that was not started, or that was stopped."""
