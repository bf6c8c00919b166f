"""Serial recordings as JSON lines: `{"t", "hex"}` or `{"t", "text"}`, one read of the port a line.

A record is a chunk of the serial stream with the host's stamp: it may hold part of a line, or
several. The arrival of a line is the stamp of the record that held its first byte. Where no
`text` among the first 64 records, counted from the first one, has a line ending, the recorder took
them off, and every such record is a line.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from itertools import repeat

import msgspec
import numpy as np

from decoders.messages.columns import offsets
from decoders.messages.instants import Instants
from decoders.messages.json_lines import BadLines, JsonLines
from decoders.messages.json_text import NONE, first_line, loosely, problem, string_bytes
from decoders.prints.columns import NO_PRINTS, Prints
from decoders.prints.lines import Arrivals
from decoders.prints.prints import PrintDecoder
from decoders.prints.ticks import Jump

_MEND = (
    "A serial recording has one JSON object a line, such as "
    '{"t": 1700000000.25, "text": "boot\\n"} or {"t": 1700000000.25, "hex": "626f6f740a"}.'
)
_HEAD_RECORDS = 64
_BATCH = 4096
_SERIAL_MEMBER = re.compile(rb'[{,]\s*"(?:hex|text)"\s*:\s*"')
_TIME_MEMBER = re.compile(rb'[{,]\s*"(?:t|t_ns)"\s*:')
_TOPIC_MEMBER = re.compile(rb'[{,]\s*"topic"\s*:')


class Record(msgspec.Struct, gc=False):
    """One line of a serial recording as it stands there."""

    t: msgspec.Raw = NONE
    t_ns: int | None = None
    hex: str | None = None
    text: msgspec.Raw = NONE


_DECODER = msgspec.json.Decoder(Record)
_STRINGS = msgspec.json.Decoder(list[str])

_Part = tuple[int, bytes, bool]  # host stamp in ns, bytes, whether they came as text


def looks_like_serial_recording(head: bytes) -> bool:
    """Whether the beginning of a file is that of a serial recording, by content alone."""
    line = first_line(head)
    if line[:1] != b"{" or _TOPIC_MEMBER.search(line):
        return False
    return bool(_SERIAL_MEMBER.search(line) and _TIME_MEMBER.search(line))


class SerialRecordingDecoder:
    """A fold from the bytes of a serial recording to prints, however the bytes are cut.

    `at_byte` of the prints counts in the recorded stream, not in the file. A line that is no record
    is counted and passed over once a good one has been read.

    Args:
        name: file name, for errors.
        line: line pattern, as for `PrintDecoder`.
        tick_bits: width of the firmware's counter, as for `PrintDecoder`.
        live: whether a source without any record is no error.
    """

    def __init__(
        self,
        name: str,
        *,
        line: str | None = None,
        tick_bits: int | None = None,
        live: bool = False,
    ) -> None:
        self.name = name
        self._live = live
        self._prints = PrintDecoder(name, line=line, tick_bits=tick_bits, live=True)
        self._lines = JsonLines(name)
        self._bad = BadLines(name, _MEND)
        self._instants = Instants()
        self._undecided: list[_Part] | None = []  # until it is known what ends a text
        self._waited = 0  # records since the first text, it included
        self._ending = b""  # added to every text

    @property
    def rollovers(self) -> list[Jump]:
        """As of `PrintDecoder`."""
        return self._prints.rollovers

    @property
    def resets(self) -> list[Jump]:
        """As of `PrintDecoder`."""
        return self._prints.resets

    @property
    def tick_period_ns(self) -> int:
        """As of `PrintDecoder`."""
        return self._prints.tick_period_ns

    @property
    def bad_lines(self) -> list[tuple[int, str]]:
        """The first bad lines: line number and what is wrong, at most 20."""
        return self._bad.first

    @property
    def bad_count(self) -> int:
        """How many lines were no record."""
        return self._bad.count

    @property
    def remarks(self) -> list[str]:
        """What was assumed, noticed and passed over so far, for people."""
        said = ["every record was taken as one line, for none has a line ending"]
        return (
            (said if self._ending else [])
            + self._prints.remarks
            + self._instants.remarks()
            + self._bad.remarks()
        )

    def feed(self, chunk: bytes) -> Prints:
        """Take the next bytes; return the prints they complete.

        Raises:
            RecordingError: if a line is no record and none came before it.
        """
        number = self._lines.next_line
        return self._take(self._lines.feed(chunk), number)

    def flush(self) -> Prints:
        """Give out what is held back, as `PrintDecoder.flush`."""
        return Prints.concat([self._decide(), self._prints.flush()])

    def finish(self) -> Prints:
        """Return what was left; feed nothing after this.

        Raises:
            RecordingError: as `feed`, or if there was nothing to read and the source is not live.
        """
        number = self._lines.next_line
        rest = self._take(self._lines.finish(), number)
        if not self._live:
            self._bad.refuse_empty()
        return Prints.concat([rest, self._decide(), self._prints.finish()])

    def _take(self, lines: Sequence[bytes], number: int) -> Prints:
        prints = []
        for begin in range(0, len(lines), _BATCH):
            parts = self._parts(lines[begin : begin + _BATCH], number + begin)
            prints.append(self._feed(parts) if self._undecided is None else self._await(parts))
        return Prints.concat(prints)

    def _parts(self, lines: Sequence[bytes], number: int) -> list[_Part]:
        regular = _regular(lines, self._instants)
        if regular is not None:
            self._bad.good += len(regular)
            return regular
        parts = []
        for at, line in enumerate(lines, number):
            if not line or line.isspace():
                continue
            try:
                parts.append(self._part(line))
            except ValueError as error:
                self._bad.note(at, problem(line, error, last=self._lines.ended_open))
            else:
                self._bad.good += 1
        return parts

    def _part(self, line: bytes) -> _Part:
        try:
            record = _DECODER.decode(line)
        except (msgspec.DecodeError, UnicodeDecodeError, RecursionError) as error:
            record, raw = loosely(line, "text", _DECODER, error)
            record.text = msgspec.Raw(raw)
        t_ns = self._instants.of_record(bytes(record.t), record.t_ns)
        if record.hex is not None:
            try:
                return t_ns, bytes.fromhex(record.hex), False
            except ValueError:
                raise ValueError("'hex' is not hex") from None
        text = bytes(record.text)
        if text[:1] != b'"':
            raise ValueError("'text' is not a string" if text else "no 'hex' or 'text' in it")
        return t_ns, string_bytes(text), True

    def _await(self, parts: Sequence[_Part]) -> Prints:
        """Hold records until it is known what ends a text: 64 of them, or the first ending."""
        held = self._undecided if self._undecided is not None else []
        for at, part in enumerate(parts):
            held.append(part)
            self._waited += part[2] or self._waited > 0
            if self._waited >= _HEAD_RECORDS or _ends_a_line(part):
                return Prints.concat([self._decide(), self._feed(parts[at + 1 :])])
        if not self._waited:  # only hex so far: nothing to wait for
            held.clear()
            return self._feed(parts)
        return NO_PRINTS

    def _decide(self) -> Prints:
        held, self._undecided = self._undecided, None
        if not held:
            return NO_PRINTS
        self._ending = b"" if any(map(_ends_a_line, held)) else b"\n"
        return self._feed(held)

    def _feed(self, parts: Sequence[_Part]) -> Prints:
        if not parts:
            return NO_PRINTS
        pieces = [data + self._ending if text else data for _, data, text in parts]
        stamps = np.array([t_ns for t_ns, _, _ in parts], dtype=np.int64)
        first = offsets([len(piece) for piece in pieces])[:-1]
        return self._prints.feed_parts(b"".join(pieces), Arrivals(first, stamps))


def _regular(lines: Sequence[bytes], instants: Instants) -> list[_Part] | None:
    """The parts of records that are all as they should be and of one kind, or None.

    Three times as fast as one by one.
    """
    try:
        records = list(map(_DECODER.decode, lines))
        times_ns = [instants.of_record(bytes(record.t), record.t_ns) for record in records]
        if all(record.hex is not None for record in records):
            pieces = [bytes.fromhex(record.hex or "") for record in records]
            return list(zip(times_ns, pieces, repeat(False), strict=False))
        strings = b",".join([bytes(record.text) for record in records])
        texts = _STRINGS.decode(b"[" + strings + b"]")
    except (msgspec.DecodeError, ValueError, RecursionError):
        return None
    if len(texts) != len(records) or any(record.hex is not None for record in records):
        return None
    return list(zip(times_ns, [text.encode() for text in texts], repeat(True), strict=False))


def _ends_a_line(part: _Part) -> bool:
    _, data, is_text = part
    return is_text and (b"\n" in data or b"\r" in data)
