"""Standard output and error that take any text, wherever they lead.

In the C locale Python encodes as ASCII and gives up at the first other character. Here what a
stream's encoding lacks is written as `<U+XXXX>`, as `printable` writes what cannot be drawn. A
stream the caller has closed takes text to nowhere.
"""

from __future__ import annotations

import codecs
import io
import os
import sys

SHOWN = "lastack-shown"  # our name among the error handlers of codecs


def ready_streams() -> None:
    """Make `sys.stdout` and `sys.stderr` take any text."""
    codecs.register_error(SHOWN, _code_points)
    for name in ("stdout", "stderr"):
        stream = getattr(sys, name)
        if stream is None:
            setattr(sys, name, open(os.devnull, "w"))  # noqa: SIM115 (for the rest of the run)
        elif isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors=SHOWN)


def _code_points(error: UnicodeError) -> tuple[str, int]:
    if not isinstance(error, UnicodeEncodeError):
        raise error
    lacking = error.object[error.start : error.end]
    return "".join(f"<U+{ord(character):04X}>" for character in lacking), error.end
