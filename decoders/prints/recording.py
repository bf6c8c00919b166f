"""Serial recordings as JSON lines: `{"t", "hex"}` or `{"t", "text"}`, one read of the port a line.

A record is a chunk of the serial stream with the host's stamp: it may hold part of a line, or
several. The arrival of a line is the stamp of the record that held its first byte. Where no
`text` among the first 64 records, counted from the first one, has a line ending, the recorder took
them off, and every such record is a line.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import repeat

import msgspec
import numpy as np

from decoders.messages.columns import offsets
from decoders.messages.instants import Instants
from decoders.messages.json_text import NONE, loosely, string_bytes
from decoders.messages.records import Batch, RecordLines
from decoders.prints.columns import NO_PRINTS, Prints
from decoders.prints.lines import Arrivals
from decoders.prints.prints import PrintDecoder
from decoders.prints.ticks import Jump

_MEND = (
    "A serial recording has one JSON object a line, such as "
    '{"t": 1700000000.25, "text": "boot\\n"} or {"t": 1700000000.25, "hex": "626f6f740a"}.'
)
_HEAD_RECORDS = 64


class Record(msgspec.Struct, gc=False):
    """One line of a serial recording as it stands there."""

    t: msgspec.Raw = NONE
    t_ns: int | None = None
    hex: str | None = None
    text: msgspec.Raw = NONE


_DECODER = msgspec.json.Decoder(Record)
_STRINGS = msgspec.json.Decoder(list[str])

_Part = tuple[int, bytes, bool]  # host stamp in ns, bytes, whether they came as text


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
        self._records = RecordLines(name, _MEND)
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
        return self._records.bad_lines

    @property
    def bad_count(self) -> int:
        """How many lines were no record."""
        return self._records.bad_count

    @property
    def remarks(self) -> list[str]:
        """What was assumed, noticed and passed over so far, for people."""
        said = ["every record was taken as one line, for none has a line ending"]
        return (said if self._ending else []) + self._prints.remarks + self._records.remarks

    def feed(self, chunk: bytes) -> Prints:
        """Take the next bytes; return the prints they complete.

        Raises:
            RecordingError: if a line is no record and none came before it.
        """
        return Prints.concat(map(self._take, self._records.feed(chunk)))

    def flush(self) -> Prints:
        """Give out what is held back, as `PrintDecoder.flush`."""
        return Prints.concat([self._decide(), self._prints.flush()])

    def finish(self) -> Prints:
        """Return what was left; feed nothing after this.

        Raises:
            RecordingError: as `feed`, or if there was nothing to read and the source is not live.
        """
        rest = Prints.concat(map(self._take, self._records.finish()))
        if not self._live:
            self._records.refuse_empty()
        return Prints.concat([rest, self._decide(), self._prints.finish()])

    def _take(self, batch: Batch) -> Prints:
        parts = _regular(batch.lines, self._records.instants)
        if parts is not None:
            self._records.read(len(parts))
        else:
            parts = self._records.one_by_one(batch, self._part)
        return self._feed(parts) if self._undecided is None else self._await(parts)

    def _part(self, line: bytes, _number: int) -> _Part:
        try:
            record = _DECODER.decode(line)
        except (msgspec.DecodeError, UnicodeDecodeError, RecursionError) as error:
            record, raw = loosely(line, "text", _DECODER, error)
            record.text = msgspec.Raw(raw)
        t_ns = self._records.instants.of_record(bytes(record.t), record.t_ns)
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
