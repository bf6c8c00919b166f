"""A serial device of this machine."""

from __future__ import annotations

import contextlib
import os
import stat
import sys
from typing import Any

import serial

from console.bench.model import PrintsSource
from console.bench.ports import Port
from console.sources.port_counters import Counters, counters_of
from console.sources.port_trouble import not_a_port, refused_device
from console.sources.port_waits import LOOK_S

NO_BAUD = 115_200  # what a device is opened with that has no pace of its own
_PARITY = {"none": "N", "even": "E", "odd": "O", "mark": "M", "space": "S"}


class DevicePort:
    """A serial device."""

    def __init__(self, opened: Any) -> None:
        self._port = opened
        self._cancelled = False

    def wait(self) -> bytes:
        """See `port_opened.OpenPort`."""
        return b"" if self._cancelled else bytes(self._port.read(1))

    def rest(self) -> bytes:
        """See `port_opened.OpenPort`."""
        waiting = self._port.in_waiting
        data = bytes(self._port.read(waiting)) if waiting else b""
        if len(data) < waiting and self._cancelled:  # which ended this read, too, and no other
            data += self._port.read(waiting - len(data))
        return data

    def counters(self) -> Counters | None:
        """See `port_opened.OpenPort`."""
        return counters_of(self._port.fileno()) if sys.platform == "linux" else None

    def write(self, data: bytes) -> int:
        """See `port_opened.OpenPort`."""
        return _written(self._port, data)

    def cancel(self) -> None:
        """See `port_opened.OpenPort`."""
        if not self._cancelled:
            self._cancelled = True
            self._port.cancel_read()

    def close(self) -> None:
        """See `port_opened.OpenPort`."""
        _share(self._port)
        self._port.close()


def settings_of(source: PrintsSource) -> dict[str, Any]:
    """Speed and format as the library names them."""
    return {
        "baudrate": source.baud or NO_BAUD,
        "bytesize": source.data_bits,
        "parity": _PARITY[source.parity],
        "stopbits": source.stop_bits,
        "timeout": LOOK_S,
    }


def opened_device(port: Port, source: PrintsSource) -> DevicePort:
    """Open a device for us alone.

    Raises:
        PortError: in words for people.
    """
    try:
        if sys.platform != "win32" and not stat.S_ISCHR(mode := os.stat(port.text).st_mode):
            raise not_a_port(port, mode)
        opened = serial.Serial(exclusive=True, write_timeout=0, **settings_of(source))
        opened.port = port.text
        opened.dtr, opened.rts = source.dtr, source.rts
        opened.open()
    except _ERRORS as error:
        raise refused_device(port, error) from error
    _take_alone(opened)
    return DevicePort(opened)


if sys.platform == "win32":
    _ERRORS: tuple[type[Exception], ...] = (OSError, ValueError)

    def _written(opened: Any, data: bytes) -> int:
        """The library, told to wait for nothing, says how many bytes were taken."""
        return int(opened.write(data) or 0)

    def _take_alone(opened: Any) -> None:
        """Windows opens a port once."""

    def _share(opened: Any) -> None:
        """Nothing to undo."""

else:
    import fcntl
    import termios

    _ERRORS = (OSError, ValueError, termios.error)
    # What another program may have left set: a break throws away what is queued; bytes with a
    # wrong parity or stop bit are dropped.
    _LEFT_OVER = termios.BRKINT | termios.IGNPAR

    def _written(opened: Any, data: bytes) -> int:
        """Past the library, which would spin while the driver is full."""
        try:
            return os.write(opened.fileno(), data)
        except (BlockingIOError, InterruptedError):
            return 0

    def _take_alone(opened: Any) -> None:
        """Keep others from opening it, and have every byte given as it came."""
        with contextlib.suppress(OSError, termios.error):
            fcntl.ioctl(opened.fileno(), termios.TIOCEXCL)
            mode = termios.tcgetattr(opened.fileno())
            if mode[0] & _LEFT_OVER:
                mode[0] &= ~_LEFT_OVER
                termios.tcsetattr(opened.fileno(), termios.TCSANOW, mode)

    def _share(opened: Any) -> None:
        """Let others open it again."""
        with contextlib.suppress(OSError):
            fcntl.ioctl(opened.fileno(), termios.TIOCNXCL)
