"""Serial recordings as JSON lines: `{"t", "hex"}` or `{"t", "text"}`, one read of the port a line.

A record is a chunk of the serial stream with the host's stamp: it may hold part of a line or
several. The arrival of a line is the stamp of the chunk that held its first byte. Where none of
the first 64 records with `text` has a line ending, the recorder took them off, and every record is
a line.
"""

from __future__ import annotations

import re

from decoders.messages.json_text import first_line

_SERIAL_MEMBER = re.compile(rb'[{,]\s*"(?:hex|text)"\s*:\s*"')
_TIME_MEMBER = re.compile(rb'[{,]\s*"(?:t|t_ns)"\s*:')
_TOPIC_MEMBER = re.compile(rb'[{,]\s*"topic"\s*:')


def looks_like_serial_recording(head: bytes) -> bool:
    """Whether the beginning of a file is that of a serial recording, by content alone."""
    line = first_line(head)
    if line[:1] != b"{" or _TOPIC_MEMBER.search(line):
        return False
    return bool(_SERIAL_MEMBER.search(line) and _TIME_MEMBER.search(line))
