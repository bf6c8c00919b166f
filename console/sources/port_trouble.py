"""Why a port cannot be opened or went away, in one clause, and what to do about it."""

from __future__ import annotations

import contextlib
import difflib
import errno
import os
import socket
import stat
import sys
from pathlib import Path

from console.bench.ports import Port
from decoders.errors import DiagnosticError, Place

_BY_ID = Path("/dev/serial/by-id")
_SHOWN = 6  # most ports that are listed

# (kernel's error, what it means of a serial device, what to do)
_MEANING = {
    errno.ENXIO: ("no device is behind it", "Plug it in, or choose another port."),
    errno.ENODEV: ("no device is behind it", "Plug it in, or choose another port."),
    errno.EIO: ("no device is behind it", "Plug it in, or choose another port."),
    errno.ENOTTY: ("it is not a serial port", "Name the device of a serial adapter."),
    errno.EMFILE: ("too many files are open", "Raise the limit (ulimit -n)."),
    errno.ENFILE: ("too many files are open", "Close other programs."),
}
_BUSY = (errno.EBUSY, errno.EAGAIN, errno.EWOULDBLOCK)
_DENIED = (errno.EACCES, errno.EPERM)
_MISSING = (errno.ENOENT, errno.ENOTDIR)


class PortError(DiagnosticError):
    """A port that cannot be opened, or that went away.

    Args:
        message: what is wrong.
        port: where.
        mend: how to mend it.
        lasting: whether trying again cannot help.
    """

    def __init__(self, message: str, port: Port, mend: str, *, lasting: bool = False) -> None:
        super().__init__(message, place=Place(port.text), mend=mend)
        self.lasting = lasting

    @property
    def line(self) -> str:
        """Message and mend in one line."""
        return f"{self.message}. {self.mend}" if self.mend else self.message


def refused_device(port: Port, error: Exception) -> PortError:
    """Why a device could not be opened."""
    number = _number(error)
    if number in _MISSING:
        return PortError("no such port", port, _nearest(port.text))
    if number in _DENIED:
        return PortError("no permission to open it", port, _permission(port.text))
    if number in _BUSY:
        return PortError("another program holds the port", port, _held_by(port.text))
    if number in _MEANING:
        return PortError(_MEANING[number][0], port, _MEANING[number][1])
    if isinstance(error, ValueError) or number == errno.EINVAL:
        mend = "Check baud, data_bits, parity and stop_bits of the source."
        return PortError("the device does not take these settings", port, mend, lasting=True)
    return PortError(f"it cannot be opened ({_words(error)})", port, "Unplug it and plug it in.")


def not_a_port(port: Port, mode: int) -> PortError:
    """That a path names something else than a device."""
    kind = "a directory" if stat.S_ISDIR(mode) else "a file" if stat.S_ISREG(mode) else "no device"
    words = f"it is not a serial port but {kind}" if kind != "no device" else "it is no device"
    return PortError(words, port, _nearest(port.text))


def refused_network(port: Port, error: Exception) -> PortError:
    """Why a host could not be reached, or does not speak as it should."""
    cause = _cause(error)
    where = f"{port.host} port {port.number}"
    if isinstance(cause, (socket.gaierror, UnicodeError)):
        mend = "Check its spelling and that this machine's name server knows it."
        return PortError(f"unknown host {port.host!r}", port, mend)
    if isinstance(cause, ConnectionRefusedError):
        mend = "Start what gives the bytes there, or correct the number."
        return PortError(f"nothing listens on {where}", port, mend)
    if isinstance(cause, TimeoutError):
        return PortError(f"no answer from {where}", port, "Check the network and its firewalls.")
    if port.kind == "rfc2217" and "RFC2217" in str(error):
        mend = f'If it sends plain bytes, write "socket://{port.host}:{port.number}".'
        return PortError("what answers there does not speak RFC 2217 as asked", port, mend)
    return PortError(f"cannot connect ({_words(cause)})", port, "Check host, port and network.")


def gone(port: Port, error: OSError) -> PortError:
    """Why a port that was open gives nothing any more."""
    if port.kind == "device":
        return PortError("the device went away", port, "Unplugged, or its driver gave up.")
    if isinstance(error, EOFError) or _number(error) is None:
        return PortError("the other side closed the connection", port, "")
    return PortError(f"the connection broke ({_words(error)})", port, "")


def holders(path: str) -> list[str]:
    """Other programs that have a device open, as "name (process number)"; those we may see."""
    device = os.path.realpath(path)
    found = []
    for process in _listed(Path("/proc")):
        if not process.name.isdigit() or int(process.name) == os.getpid():
            continue
        if any(_leads_to(link, device) for link in _listed(process / "fd")):
            with contextlib.suppress(OSError):  # it just ended
                name = (process / "comm").read_text("utf-8", "replace").strip()
                found.append(f"{name} ({process.name})")
    return found


def _leads_to(link: Path, device: str) -> bool:
    try:
        return os.readlink(link) == device
    except OSError:
        return False


def _held_by(path: str) -> str:
    names = holders(path)
    return f"End it first: {', '.join(names)}." if names else "End the program that uses it."


def _number(error: BaseException | None) -> int | None:
    """The kernel's error number, from the error or from what it was made of."""
    while error is not None:
        number = getattr(error, "errno", None)
        if number is None and type(error).__module__ == "termios" and error.args:
            number = error.args[0]
        if isinstance(number, int):
            return number
        error = error.__cause__ or error.__context__
    return None


def _cause(error: BaseException) -> BaseException:
    """The first error of the chain: the library wraps those of the network without their number."""
    while (before := error.__cause__ or error.__context__) is not None:
        error = before
    return error


def _words(error: BaseException) -> str:
    number = _number(error)
    return os.strerror(number) if number and number > 0 else str(error) or type(error).__name__


def _permission(path: str) -> str:
    try:
        about = os.stat(path)
    except OSError:
        return "The folder it is in may not be searched."
    if sys.platform == "win32" or not about.st_gid or about.st_mode & 0o060 != 0o060:
        return "It is for its owner alone: give it a group by a udev rule."
    import grp

    try:
        group = grp.getgrgid(about.st_gid).gr_name
    except KeyError:
        group = str(about.st_gid)
    return f"Join the group {group!r} (sudo usermod -aG {group} $USER), then log in again."


def _nearest(path: str) -> str:
    ports = _ports_beside(path)
    if not ports:
        return "There is no serial port on this machine: plug the adapter in."
    tails = {port.rpartition("/")[2]: port for port in reversed(ports)}
    near = difflib.get_close_matches(path.rpartition("/")[2], tails, n=1, cutoff=0.7)
    guess = f"Did you mean {tails[near[0]]!r}? " if near else ""
    more = f" and {len(ports) - _SHOWN} more" if len(ports) > _SHOWN else ""
    return f"{guess}Ports here: {', '.join(ports[:_SHOWN])}{more}."


def _ports_beside(path: str) -> list[str]:
    """Serial ports of this machine, lasting names first; and devices in the same folder."""
    from serial.tools.list_ports import comports

    folder = Path(path).parent
    found = [str(entry) for entry in _listed(_BY_ID)]
    found += sorted(str(port.device) for port in comports())
    if folder != Path("/dev"):  # which has all the devices that are no serial ports
        found += [str(entry) for entry in _listed(folder) if entry.is_char_device()]
    return list(dict.fromkeys(found))


def _listed(folder: Path) -> list[Path]:
    """What is in a folder; nothing where that may not be seen."""
    try:
        return [folder / name for name in sorted(os.listdir(folder))]
    except OSError:
        return []
