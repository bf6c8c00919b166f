"""Where a serial source is read from: a device, or a stream of bytes behind a network port.

The library that opens ports knows more schemes than these; one of them writes what it reads into
any file its address names. A bench file may come from somebody else, so only what reads is let in.
"""

from __future__ import annotations

import difflib
import re
from dataclasses import dataclass
from typing import Literal
from urllib.parse import SplitResult, parse_qsl, urlsplit

from decoders.errors import DescriptionError

PortKind = Literal["device", "socket", "rfc2217", "loop"]

_KNOWN = 'Known: a device such as "/dev/ttyUSB0", "socket://HOST:PORT", "rfc2217://HOST:PORT", '
_KNOWN += '"loop://".'
_SCHEME = re.compile(r"([A-Za-z][A-Za-z0-9+.-]*)://")
_WINDOWS = re.compile(r"(\\\\\.\\)?COM\d{1,3}", re.IGNORECASE)
_SCHEMES = ("socket", "rfc2217", "loop")
_OTHER_WORDS = {"tcp": "socket", "raw": "socket", "telnet": "rfc2217"}
# What may follow the `?` of rfc2217://; its other options only write logs.
_OPTIONS = ("ign_set_control", "timeout")


@dataclass(frozen=True, slots=True)
class Port:
    """A place bytes come from, taken apart."""

    kind: PortKind
    text: str  # as it is written in the bench file
    host: str = ""  # of socket and rfc2217
    number: int = 0  # the TCP port there


def parsed_port(text: str) -> Port:
    """What the `port` of a serial source names.

    Raises:
        DescriptionError: without a place, if it is nothing that is read here.
    """
    if not text or not text.isprintable():
        raise DescriptionError(f"{text!r} is no port", mend=_KNOWN)
    scheme = _SCHEME.match(text)
    if scheme is None:
        return _device(text)
    if "@" in text:  # told before anything that would repeat it
        words = "a port takes no user or password, and none belongs in a bench file"
        raise DescriptionError(words, mend='Write it as "socket://HOST:PORT".')
    if (name := scheme[1].lower()) not in _SCHEMES:
        raise DescriptionError(f"{scheme[0]} is no kind of port read here", mend=_nearest(text))
    try:
        parts = urlsplit(text)
        number = parts.port or 0
    except ValueError:
        raise DescriptionError(f"{text!r} is no port: its number is wrong", mend=_KNOWN) from None
    if name == "loop":
        if text.lower() != "loop://":
            raise DescriptionError(f"{text!r}: nothing follows loop://", mend=_KNOWN)
        return Port("loop", text)
    _check_network(text, parts, number)
    kind: PortKind = "socket" if name == "socket" else "rfc2217"
    return Port(kind, text, parts.hostname or "", number)


def _device(text: str) -> Port:
    if text.startswith("/") or _WINDOWS.fullmatch(text):
        return Port("device", text)
    mend = f'Write the whole path, such as port = "/dev/{text.rpartition("/")[2]}".'
    if ":" in text:
        mend = f'Of a network port: port = "socket://{text}".'
    raise DescriptionError(f"{text!r} is no whole path of a device", mend=mend)


def _check_network(text: str, parts: SplitResult, number: int) -> None:
    shown = f"{parts.scheme}://HOST:PORT"
    if not parts.hostname or not number or parts.path not in ("", "/") or parts.fragment:
        raise DescriptionError(f"{text!r} names no host and port", mend=f'Write it as "{shown}".')
    allowed = _OPTIONS if parts.scheme == "rfc2217" else ()
    for option, value in parse_qsl(parts.query, keep_blank_values=True):
        if option not in allowed:
            mend = f"Known: {', '.join(allowed)}." if allowed else f'Write it as "{shown}".'
            raise DescriptionError(f"{text!r} has the unknown option {option!r}", mend=mend)
        if option == "timeout" and not re.fullmatch(r"\d{1,3}(\.\d+)?", value):
            words = f"{text!r}: its timeout is no number of seconds"
            raise DescriptionError(words, mend="An example: timeout=5.")


def _nearest(text: str) -> str:
    scheme, _, rest = text.partition("://")
    near = difflib.get_close_matches(scheme.lower(), _SCHEMES, n=1)
    other = _OTHER_WORDS.get(scheme.lower()) or (near[0] if near else "")
    return f'Did you mean "{other}://{rest}"? {_KNOWN}' if other else _KNOWN
