"""One direction of an MQTT connection, cut into control packets (MQTT 3.1.1 and 5.0 section 2).

A hole within the body of a packet costs that packet alone. After any other hole, and after a length
that cannot be, the place of the next packet is not known: one is taken up again where a TCP segment
begins with something that can only be whole packets. What of a packet waits for its rest is
bounded; of packets above that only the beginning is kept.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from decoders.captures.pcap_frames import Int64s
from decoders.captures.tcp_connections import Part, What
from decoders.messages.mqtt_bytes import MalformedError, Varint, varint_at
from decoders.messages.mqtt_packets import flags_problem
from decoders.messages.mqtt_words import PUBLISH

MOST_KEPT = 1 << 20  # bytes of a control packet
_BEGINNING = 1 << 12  # of a larger one, or of one with a hole


@dataclass(frozen=True, slots=True, eq=False)
class Cut:
    """Whole control packets that follow each other; n of them."""

    data: bytes
    first: npt.NDArray[np.uint8]  # [n] first byte
    body: Int64s  # [n] where what follows the Remaining Length begins in data
    stop: Int64s  # [n] where it ends
    row: Int64s  # [n] row of the `Part` that completed it

    def __len__(self) -> int:
        return len(self.first)

    def body_of(self, k: int) -> bytes:
        """What follows the Remaining Length of a packet."""
        return self.data[self.body[k] : self.stop[k]]


class Unread(NamedTuple):
    """A control packet of which not everything is there, or is kept."""

    row: int  # of the `Part` that completed it
    first: int
    beginning: bytes  # of its body
    length: int  # of its body
    missing: int  # bytes that were not captured; 0: it is too large to be kept


class Lost(NamedTuple):
    """A hole: bytes that were sent and not captured."""

    row: int
    missing: int


class Broken(NamedTuple):
    """A length that cannot be: where the next packet begins is not known."""

    row: int
    error: MalformedError


Found = Cut | Unread | Lost | Broken


@dataclass(slots=True)
class _Skipping:
    """A packet that is passed over."""

    raw: bytes  # its beginning, header and all
    left: int
    missing: int = 0
    goes_on: bool = True  # `raw` has no hole yet

    def pass_over(self, data: bytes) -> None:
        """Take its next bytes."""
        self.left -= len(data)
        if self.goes_on and len(self.raw) < _BEGINNING:
            self.raw += data[: _BEGINNING - len(self.raw)]

    def unread(self, row: int) -> Unread:
        """What there is to say of it."""
        header = varint_at(self.raw, 1) or Varint(0, len(self.raw), True)
        return Unread(row, self.raw[0], self.raw[header.end :], header.value, self.missing)


class _Run(NamedTuple):
    """Bytes that follow each other in the stream, and the rows they came in."""

    data: bytes
    ends: Int64s  # [k] where each row ends in data
    rows: Int64s  # [k] of the `Part`

    def row(self, at: int) -> int:
        """The row a byte came in."""
        return int(self.rows[np.searchsorted(self.ends, at, side="right")])


class HalfStream:
    """A fold from the rows of one half to control packets."""

    def __init__(self) -> None:
        self._rest: list[bytes] = []  # the beginning of a packet
        self._have = 0
        self._need = 2  # bytes of it before it is worth looking
        self._skipping: _Skipping | None = None
        self._in_step = True

    def feed(self, part: Part, half: int) -> list[Found]:
        """Take the rows of one half of a part; return what they complete, in order."""
        rows = np.flatnonzero((part.half == half) & (part.what <= What.HOLE))
        found: list[Found] = []
        if not len(rows):
            return found
        holes = np.flatnonzero(part.what[rows] == What.HOLE)
        begin = 0
        for hole in [*holes.tolist(), len(rows)]:
            if hole > begin:
                found += self._data(_run(part, rows[begin:hole]))
            if hole < len(rows):
                found += self._hole(int(rows[hole]), int(part.length[rows[hole]]))
            begin = hole + 1
        return found

    def _data(self, run: _Run) -> list[Found]:
        """Take bytes that follow each other."""
        found: list[Found] = []
        at = 0
        while at < len(run.data):
            if not self._in_step:
                at = self._found_step(run, at)
            elif self._skipping is not None:
                at = self._skip(self._skipping, run, at, found)
            else:
                at = self._packets(run, at, found)
        return found

    def _packets(self, run: _Run, at: int, found: list[Found]) -> int:
        """Cut packets from an offset on, to the end or to something else; return where that is."""
        data = run.data[at:] if at else run.data
        if self._have + len(data) < self._need:
            self._keep(data, self._need)
            return len(run.data)
        shift = self._have - at  # of offsets in `whole` beside those in the run
        whole = b"".join([*self._rest, data]) if self._have else data
        self._rest, self._have, self._need = [], 0, 2
        begins, end, need, error = _walked(whole)
        if begins:
            found.append(_cut(whole, begins, end, run, shift))
        if error is not None:
            last = end + 4 - shift  # the byte that should have been the last of the length
            found.append(Broken(run.row(last), error))
            self._in_step = False
            return last + 1
        if need > MOST_KEPT:
            behind = max(end - shift, at)
            self._skipping = _Skipping(b"", need)
            self._skipping.pass_over(whole[end : behind + shift])
            return behind
        self._keep(whole[end:], need)
        return len(run.data)

    def _keep(self, rest: bytes, need: int) -> None:
        self._rest.append(rest)
        self._have += len(rest)
        self._need = need

    def _skip(self, skipping: _Skipping, run: _Run, at: int, found: list[Found]) -> int:
        """Pass over the rest of a packet; return where the next one begins."""
        behind = min(at + skipping.left, len(run.data))
        skipping.pass_over(run.data[at:behind])
        if not skipping.left:
            found.append(skipping.unread(run.row(behind - 1)))
            self._skipping = None
        return behind

    def _hole(self, row: int, missing: int) -> list[Found]:
        """Take a hole; inside a packet whose length is known it costs that packet alone."""
        found: list[Found] = [Lost(row, missing)]
        skipping, whole = self._skipping, b"".join(self._rest)
        if skipping is None and self._in_step and self._need > 2:
            length = _packet_length(whole)
            if length is not None:
                skipping = _Skipping(b"", length)
                skipping.pass_over(whole)
        self._rest, self._have, self._need = [], 0, 2
        if skipping is None or missing > skipping.left:
            self._skipping, self._in_step = None, False
            return found
        skipping.left -= missing
        skipping.missing += missing
        skipping.goes_on = False
        self._skipping = skipping if skipping.left else None
        if not skipping.left:
            found.append(skipping.unread(row))
        return found

    def _found_step(self, run: _Run, at: int) -> int:
        """Where packets can be taken up again, at or after an offset; the end if nowhere."""
        starts = np.concatenate([np.zeros(1, np.int64), run.ends[:-1]])
        for k in range(int(np.searchsorted(starts, at)), len(starts)):
            start, end = int(starts[k]), int(run.ends[k])
            if _can_only_be_packets(run.data[start:end]):
                self._in_step = True
                return start
        return len(run.data)


def _run(part: Part, rows: Int64s) -> _Run:
    starts, lengths = part.start[rows], part.length[rows]
    if (starts[1:] == starts[:-1] + lengths[:-1]).all():
        data = part.data[int(starts[0]) : int(starts[-1] + lengths[-1])]
    else:
        spans = zip(starts.tolist(), lengths.tolist(), strict=True)
        data = b"".join([part.data[a : a + n] for a, n in spans])
    return _Run(data, np.cumsum(lengths), rows)


def _walked(data: bytes) -> tuple[list[int], int, int, MalformedError | None]:
    """Find the packets, each of which says where the next one is: 0.2 us a packet.

    Returns:
        Where each whole packet begins, where the first begins that is not whole, how many bytes
        that one takes (2 when it is not known), and what is wrong with its length.
    """
    begins: list[int] = []
    at, end, note = 0, len(data), begins.append
    while end - at >= 2:
        length = data[at + 1]
        stop = at + 2 + length
        if length >= 0x80:
            try:
                found = varint_at(data, at + 1)
            except MalformedError as error:
                return begins, at, 2, error
            if found is None:
                return begins, at, end - at + 1, None
            stop = found.end + found.value
            if stop - at > MOST_KEPT:
                return begins, at, stop - at, None
        if stop > end:
            return begins, at, stop - at, None
        note(at)
        at = stop
    return begins, at, 2, None


def _cut(data: bytes, begins: list[int], end: int, run: _Run, shift: int) -> Cut:
    at = np.array(begins, np.int64)
    view = np.frombuffer(data, np.uint8)
    stop = np.append(at[1:], end)
    body = at + 2
    more = view[at + 1] >= 0x80
    while more.any():  # at most three times
        body = body + more
        more &= view[body - 1] >= 0x80
    row = run.rows[np.searchsorted(run.ends, stop - 1 - shift, side="right")]
    return Cut(data, view[at], body, stop, row)


def _packet_length(data: bytes) -> int | None:
    """Bytes of a packet by its beginning; None while its length is not known."""
    length = varint_at(data, 1)
    return None if length is None else length.end + length.value


def _can_only_be_packets(data: bytes) -> bool:
    """Whether bytes are whole control packets to the last one, or a PUBLISH that goes on."""
    at = 0
    while len(data) - at >= 2:
        kind = data[at] >> 4
        if not 1 <= kind <= 15 or flags_problem(data[at], 4) or data[at] & 0xF6 == 0x36:
            return False
        try:
            length = varint_at(data, at + 1)
        except MalformedError:
            return False
        if length is None:
            return False
        stop = length.end + length.value
        if stop > len(data):
            return kind == PUBLISH and _is_topic(data[length.end :], length.value)
        if kind == PUBLISH and not _is_topic(data[length.end : stop], length.value):
            return False
        at = stop
    return at == len(data) and at > 0


def _is_topic(body: bytes, length: int) -> bool:
    """Whether the body of a PUBLISH begins with a topic name one can read."""
    size = int.from_bytes(body[:2], "big")
    if len(body) < 2 + size or not 0 < size <= length - 2:
        return False
    try:
        return body[2 : 2 + size].decode().isprintable()
    except UnicodeDecodeError:
        return False
