"""MQTT recordings as JSON lines: `{"t", "topic", "payload", "qos", "retain"}`.

`t` is seconds since 1970 (or any start) as a JSON number, read exactly, or an ISO 8601 string;
`t_ns`, whole nanoseconds, goes before it. `payload` is a string, or any other JSON value, which
then stands for its own text; `payload_hex` carries bytes that are no text. `dup` or `duplicate`,
`client` and `direction` may be there; other members are passed over.
"""

from __future__ import annotations

from collections.abc import Sequence

import msgspec
import numpy as np
import numpy.typing as npt

from decoders.messages.columns import DIRECTIONS, NO_MESSAGES, QOS_UNKNOWN, Messages, coded, offsets
from decoders.messages.instants import Instants, same_width_ns
from decoders.messages.json_text import NONE, loosely, string_bytes
from decoders.messages.records import Batch, RecordLines

_MEND = (
    "An MQTT recording has one JSON object a line, such as "
    '{"t": 1700000000.25, "topic": "a/b", "payload": "...", "qos": 0, "retain": false}.'
)
_DIRECTION_CODES = {word: code for code, word in enumerate(DIRECTIONS)}


class Record(msgspec.Struct, gc=False):
    """One line of an MQTT recording as it stands there."""

    topic: str
    t: msgspec.Raw = NONE
    t_ns: int | None = None
    payload: msgspec.Raw = NONE
    payload_hex: str | None = None
    qos: int = QOS_UNKNOWN
    retain: bool = False
    dup: bool = False
    duplicate: bool = False
    client: str | None = None
    direction: str | None = None


_DECODER = msgspec.json.Decoder(Record, strict=False)  # retain and dup may be 0 or 1

_STRINGS = msgspec.json.Decoder(list[str])

_Row = tuple[Record, int, int, bytes]  # record, line number, time in ns, payload


class MessageDecoder:
    """A fold from the bytes of an MQTT recording to messages, however the bytes are cut.

    A line that is no message is counted and passed over once a good one has been read. Memory is
    bounded by the chunk and one line (`RecordLines`).

    Args:
        name: file name, for errors.
        live: whether a source without any message is no error.
    """

    def __init__(self, name: str, *, live: bool = False) -> None:
        self.name = name
        self._live = live
        self._records = RecordLines(name, _MEND)

    @property
    def bad_lines(self) -> list[tuple[int, str]]:
        """The first bad lines: line number and what is wrong, at most 20."""
        return self._records.bad_lines

    @property
    def bad_count(self) -> int:
        """How many lines were no message."""
        return self._records.bad_count

    @property
    def remarks(self) -> list[str]:
        """What was assumed and passed over so far, for people."""
        return self._records.remarks

    def feed(self, chunk: bytes) -> Messages:
        """Take the next bytes; return the messages they complete.

        Raises:
            RecordingError: if a line is no message and none came before it.
        """
        return Messages.concat(map(self._messages, self._records.feed(chunk)))

    def finish(self) -> Messages:
        """Return what was left; feed nothing after this.

        Raises:
            RecordingError: as `feed`, or if there was nothing to read and the source is not live.
        """
        rest = Messages.concat(map(self._messages, self._records.finish()))
        if not self._live:
            self._records.refuse_empty()
        return rest

    def _messages(self, batch: Batch) -> Messages:
        table = _regular(batch, self._records.instants)
        if table is not None:
            self._records.read(len(table))
            return table
        rows = self._records.one_by_one(batch, self._row)
        return _columns(*zip(*rows, strict=True)) if rows else NO_MESSAGES

    def _row(self, line: bytes, number: int) -> _Row:
        try:
            record = _DECODER.decode(line)
        except (msgspec.DecodeError, UnicodeDecodeError, RecursionError) as error:
            record, raw = loosely(line, "payload", _DECODER, error)
            record.payload = msgspec.Raw(raw)
        if not QOS_UNKNOWN <= record.qos <= 2:
            raise ValueError(f"'qos' is {record.qos}, not 0, 1 or 2")
        t_ns = self._records.instants.of_record(bytes(record.t), record.t_ns)
        return record, number, t_ns, _payload(record)


def _payload(record: Record) -> bytes:
    """The payload's bytes; a JSON value other than a string stands for its own text.

    Raises:
        ValueError: if `payload_hex` is not hex.
    """
    if record.payload_hex is not None:
        try:
            return bytes.fromhex(record.payload_hex)
        except ValueError:
            raise ValueError("'payload_hex' is not hex") from None
    raw = bytes(record.payload)
    if raw[:1] == b'"':
        return string_bytes(raw)
    return b"" if raw == b"null" else raw


def _regular(batch: Batch, instants: Instants) -> Messages | None:
    """Messages of lines that are all as they should be, or None: twice as fast as one by one.

    That is: valid JSON with `t` and with a payload that is a string.
    """
    lines, number = batch
    try:
        records = list(map(_DECODER.decode, lines))
        strings = b",".join([bytes(record.payload) for record in records])
        texts = _STRINGS.decode(b"[" + strings + b"]")
        times = [bytes(record.t) for record in records]
        times_ns: Sequence[int] | npt.NDArray[np.int64] | None = same_width_ns(times)
        if times_ns is None:
            times_ns = [instants.of_record(raw, None) for raw in times]
    except (msgspec.DecodeError, ValueError, RecursionError):
        return None
    odd = any(
        record.t_ns is not None
        or record.payload_hex is not None
        or not QOS_UNKNOWN <= record.qos <= 2
        for record in records
    )
    if odd or len(texts) != len(records):
        return None
    payloads = [text.encode() for text in texts]
    return _columns(records, range(number, number + len(lines)), times_ns, payloads)


def _columns(
    records: Sequence[Record],
    lines: Sequence[int],
    times_ns: Sequence[int] | npt.NDArray[np.int64],
    payloads: Sequence[bytes],
) -> Messages:
    topic, topics = coded([record.topic for record in records])
    client, clients = coded([record.client or "" for record in records])
    directions = [_DIRECTION_CODES.get(record.direction or "", 0) for record in records]
    duplicates = [record.dup or record.duplicate for record in records]
    return Messages(
        t_ns=np.array(times_ns, dtype=np.int64),
        line=np.array(lines, dtype=np.int64),
        topic=topic,
        topics=topics,
        client=client,
        clients=clients,
        direction=np.array(directions, dtype=np.uint8),
        first=offsets([len(payload) for payload in payloads]),
        data=np.frombuffer(b"".join(payloads), dtype=np.uint8),
        qos=np.array([record.qos for record in records], dtype=np.int8),
        retain=np.array([record.retain for record in records], dtype=np.bool_),
        duplicate=np.array(duplicates, dtype=np.bool_),
    )
