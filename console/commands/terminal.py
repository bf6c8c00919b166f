"""What terminal there is for the console, and making it ready: keyboard, colour, characters."""

from __future__ import annotations

import io
import locale
import os
import sys

from decoders.errors import DiagnosticError


def has_terminal() -> bool:
    """Whether the console could be drawn and used here without anything being reopened."""
    streams = (sys.__stdin__, sys.__stdout__, sys.__stderr__)
    return _draws() and all(stream is not None and stream.isatty() for stream in streams)


def _draws() -> bool:
    return os.environ.get("TERM", "dumb") not in ("", "dumb")


def draws_ascii_only() -> bool:
    """Whether the locale's encoding holds no more than ASCII.

    Without any locale set the interpreter takes UTF-8 (PEP 538), and so do terminals.
    """
    return locale.getencoding().lower().replace("-", "") != "utf8"


def take_terminal() -> None:
    """Make this process's terminal ready for the console.

    What is piped into standard input stays readable as `sys.stdin`; the keyboard is the terminal's.

    Raises:
        DiagnosticError: where there is none.
    """
    streams = (sys.__stdout__, sys.__stderr__)
    if not _draws() or not all(stream is not None and stream.isatty() for stream in streams):
        raise _no_terminal("the console needs a terminal to draw on")
    if sys.__stdin__ is None or not sys.__stdin__.isatty():
        _reopen_keyboard()
    _settle_colour()


def _reopen_keyboard() -> None:
    try:
        keyboard = os.open("/dev/tty", os.O_RDWR)
    except OSError as error:
        raise _no_terminal("the console needs a terminal to be used from") from error
    if sys.__stdin__ is None:
        raise _no_terminal("standard input is closed")
    piped = os.dup(sys.__stdin__.fileno())
    os.dup2(keyboard, sys.__stdin__.fileno())
    os.close(keyboard)
    sys.stdin = io.TextIOWrapper(io.BufferedReader(io.FileIO(piped)))


def _settle_colour() -> None:
    """NO_COLOR (no-color.org) counts when it is not empty; read when the toolkit is imported."""
    if os.environ.get("NO_COLOR"):
        os.environ.setdefault("TEXTUAL_THEME", "ansi-dark")
    else:
        os.environ.pop("NO_COLOR", None)


def _no_terminal(what: str) -> DiagnosticError:
    return DiagnosticError(
        what, mend="Use lastack check for text, or lastack export for one table."
    )
