"""TCP connections put together from segments: loss, repeats, overlap and reordering undone.

Segments of a connection that follow each other, which is nearly all, are passed on as columns;
where something else happens, the segments of that connection in the block go one by one through
`Half`. Both give the same, so the blocks do not show. So many connections are followed at a time;
where there are more, those are let go that were silent longest.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from decoders.captures.pcap_frames import Int64s
from decoders.captures.tcp_connections import Connection, End, Part, PartRows, What
from decoders.captures.tcp_half import Half
from decoders.captures.tcp_segments import ACK, FIN, RST, SYN, Segments, Uint64s

MOST_CONNECTIONS = 4096
_LET_GO = 512  # at once, where there are too many
_SPACE = 1 << 32


@dataclass(slots=True)
class StreamFacts:
    """What was seen of the connections nobody lost interest in."""

    connections: int = 0
    let_go: int = 0  # too many at a time
    repeated: int = 0  # segments
    reordered: int = 0
    missing: int = 0  # bytes


class TcpStreams:
    """A fold from segments to the bytes of connections.

    Args:
        most_connections: how many are followed at a time.
    """

    def __init__(self, most_connections: int = MOST_CONNECTIONS) -> None:
        self.facts = StreamFacts()
        self._most = most_connections
        self._open: dict[bytes, Connection] = {}
        self._last = (0, 0)  # number and time of the last frame

    def feed(self, segments: Segments) -> list[Part]:
        """Take the next segments; return what they brought of each connection."""
        parts: list[Part] = []
        while len(segments):
            keys, half = _keys(segments.ends)
            group, order, first = _grouped(keys)
            split = self._overfull_at(segments, keys, group, first)
            if split == 0:
                parts += self._let_go(int(segments.number[0]), int(segments.t_ns[0]))
                continue
            if split is None:
                parts += self._taken(segments, keys, half, group, order, first)
                break
            parts += self.feed(segments.between(0, split))
            segments = segments.between(split, len(segments))
        return parts

    def finish(self) -> list[Part]:
        """Return what the end of the capture left; feed nothing after this."""
        parts: list[Part] = []
        for connection in sorted(self._open.values(), key=lambda each: each.serial):
            parts += self._ended(connection, What.CUT, *self._last)
        self._open.clear()
        return parts

    def _taken(
        self,
        segments: Segments,
        keys: Uint64s,
        half: Int64s,
        group: Int64s,
        order: Int64s,
        first: Int64s,
    ) -> list[Part]:
        """What segments brought of each connection, all of which can be followed."""
        parts: list[Part] = []
        borders = np.searchsorted(group[order], np.arange(len(first) + 1))
        creating = _creating(segments)
        for k in np.argsort(first, kind="stable").tolist():
            rows = order[borders[k] : borders[k + 1]]
            key = keys[first[k]].tobytes()
            connection = self._open.get(key)
            if connection is None:
                rows = rows[np.argmax(creating[rows]) :] if creating[rows].any() else rows[:0]
                if not len(rows):
                    continue
                connection = self._open[key] = self._new(key)
            parts += self._of_one(key, connection, segments, rows, half)
        self._last = int(segments.number[-1]), int(segments.t_ns[-1])
        return parts

    def _new(self, key: bytes) -> Connection:
        self.facts.connections += 1
        return Connection(self.facts.connections, _ends(key))

    def _of_one(
        self, key: bytes, connection: Connection, segments: Segments, rows: Int64s, half: Int64s
    ) -> Iterator[Part]:
        connection.last_number = int(segments.number[rows[-1]])
        flags = segments.flags[rows]
        is_quiet = not (flags & (SYN | FIN | RST)).any()
        if is_quiet and (connection.is_over or not connection.is_wanted):
            return
        plain = _plain(connection, segments, rows, half) if is_quiet else None
        if plain is not None:
            if len(plain):
                yield _as_they_came(connection, segments, plain, half)
            return
        for part in self._one_by_one(key, connection, segments, rows, half):
            if part.connection.is_wanted and len(part):
                yield part

    def _one_by_one(
        self, key: bytes, connection: Connection, segments: Segments, rows: Int64s, half: Int64s
    ) -> Iterator[Part]:
        """What happens to a connection segment by segment, some 5 us each."""
        found = PartRows(connection)
        columns = (segments.number, segments.t_ns, segments.seq, segments.ack, segments.flags)
        spans = segments.start, segments.length, segments.lacking, half
        table = zip(*(c[rows].tolist() for c in (*columns, *spans)), strict=True)
        for number, t_ns, seq, ack, flags, start, length, lacking, side in table:
            if flags & SYN and not flags & ACK and _is_another(connection, side, seq):
                yield found.part()
                yield from self._ended(connection, What.GONE, number, t_ns)
                connection = self._open[key] = self._new(key)
                connection.last_number = int(segments.number[rows[-1]])
                found = PartRows(connection)
            if connection.is_over or not connection.is_wanted:
                continue
            data = segments.data[start : start + length].tobytes() if length else b""
            own, other = connection.halves[side], connection.halves[1 - side]
            if flags & SYN:
                if own.next_seq is None:
                    own.begin(seq + 1)
                    if connection.opener is None:
                        connection.opener = 1 - side if flags & ACK else side
                seq += 1
            if data or lacking:
                found.pieces(side, number, own.feed(seq, data, lacking, t_ns))
            if flags & ACK and other.is_waiting:
                found.pieces(1 - side, number, other.acknowledged(ack, t_ns))
                _note_fin(found, other, 1 - side, number, t_ns)
            if flags & FIN:
                own.fin(seq + length + lacking, t_ns)
            _note_fin(found, own, side, number, t_ns)
            if flags & RST:
                self._rest(found, number)
                found.end(What.RST, side, number, t_ns)
                self._count(connection)
            elif own.is_over and other.is_over:
                self._count(connection)
        yield found.part()

    def _rest(self, found: PartRows, number: int) -> None:
        for side, half in enumerate(found.connection.halves):
            found.pieces(side, number, half.finish())

    def _ended(self, connection: Connection, what: What, number: int, t_ns: int) -> Iterator[Part]:
        """What is left of a connection that is followed no more."""
        if connection.is_over or not connection.is_wanted:
            return
        found = PartRows(connection)
        self._rest(found, number)
        found.end(what, 0, number, t_ns)
        self._count(connection)
        yield found.part()

    def _count(self, connection: Connection) -> None:
        connection.is_over = True
        if connection.is_wanted:
            for half in connection.halves:
                self.facts.repeated += half.repeated
                self.facts.reordered += half.reordered
                self.facts.missing += half.missing
        connection.halves = Half(), Half()

    def _overfull_at(
        self, segments: Segments, keys: Uint64s, group: Int64s, first: Int64s
    ) -> int | None:
        """The row whose connection is one too many; None when all can be followed."""
        room = self._most - len(self._open)
        if len(first) <= room:
            return None
        rows = np.flatnonzero(_creating(segments))
        _, at = np.unique(group[rows], return_index=True)
        begins = np.sort(rows[at]).tolist()
        new = [row for row in begins if keys[row].tobytes() not in self._open]
        return new[room] if len(new) > room else None

    def _let_go(self, number: int, t_ns: int) -> list[Part]:
        """Follow those no more that were silent longest."""
        oldest = sorted(self._open.items(), key=lambda item: item[1].last_number)
        parts: list[Part] = []
        for key, connection in oldest[: max(min(_LET_GO, self._most // 2), 1)]:
            parts += self._ended(connection, What.GONE, number, t_ns)
            self.facts.let_go += 1
            del self._open[key]
        return parts


def _creating(segments: Segments) -> npt.NDArray[np.bool_]:
    """bool[n]: segments that make a connection known: those with data, and a SYN."""
    begins = (segments.length > 0) | (segments.lacking > 0) | ((segments.flags & SYN) != 0)
    creating: npt.NDArray[np.bool_] = begins & ((segments.flags & RST) == 0)
    return creating


def _is_another(connection: Connection, side: int, seq: int) -> bool:
    """Whether a SYN opens another connection between the same ends."""
    if connection.is_over:
        return True
    half = connection.halves[side]
    return half.next_seq is not None and not half.is_begun_at(seq + 1)


def _note_fin(found: PartRows, half: Half, side: int, number: int, t_ns: int) -> None:
    if half.is_over and not half.is_told:
        half.is_told = True
        found.end(What.FIN, side, number, t_ns)


def _plain(connection: Connection, segments: Segments, rows: Int64s, half: Int64s) -> Int64s | None:
    """The rows with data, if in both directions they are just what comes next; else None."""
    if connection.halves[0].is_waiting or connection.halves[1].is_waiting:
        return None
    if segments.lacking[rows].any():
        return None
    rows = rows[segments.length[rows] > 0]
    for side in (0, 1):
        own = rows[half[rows] == side]
        if not len(own):
            continue
        known, seq, length = connection.halves[side], segments.seq[own], segments.length[own]
        if not known.is_plain or seq[0] != known.next_seq:
            return None
        if ((seq[:-1] + length[:-1]) % _SPACE != seq[1:]).any():
            return None
    return rows


def _as_they_came(connection: Connection, segments: Segments, rows: Int64s, half: Int64s) -> Part:
    """Segments that follow each other, as columns."""
    side, length = half[rows].astype(np.uint8), segments.length[rows]
    t_ns = segments.t_ns[rows].copy()
    for k, known in enumerate(connection.halves):
        own = side == k
        if own.any():
            t_ns[own] = np.maximum(np.maximum.accumulate(t_ns[own]), known.last_ns)
            known.passed(int(length[own].sum()), int(t_ns[own][-1]))
    view, start = segments.data.data, segments.start[rows]
    spans = zip(start.tolist(), length.tolist(), strict=True)
    data = b"".join([view[a : a + n] for a, n in spans])
    what = np.zeros(len(rows), np.uint8)
    number = segments.number[rows]
    return Part(connection, what, side, number, t_ns, np.cumsum(length) - length, length, data)


def _keys(ends: Uint64s) -> tuple[Uint64s, Int64s]:
    """The connection of each segment, the same for both directions, and which one it is."""
    sport, dport = ends[:, 4] >> np.uint64(16), ends[:, 4] & np.uint64(0xFFFF)
    swap = ends[:, 0] > ends[:, 2]
    tie = ends[:, 0] == ends[:, 2]
    swap |= tie & (ends[:, 1] > ends[:, 3])
    swap |= tie & (ends[:, 1] == ends[:, 3]) & (sport > dport)
    keys = ends.copy()
    at = np.flatnonzero(swap)
    keys[at, 0:2], keys[at, 2:4] = ends[at, 2:4], ends[at, 0:2]
    keys[at, 4] = dport[at] << np.uint64(16) | sport[at]
    return keys, swap.astype(np.int64)


def _grouped(keys: Uint64s) -> tuple[Int64s, Int64s, Int64s]:
    """Rows by connection.

    Returns:
        The group of each row, the rows in order of groups, and the first row of each group.
    """
    factor = np.uint64(0x9E3779B97F4A7C15)
    while True:
        mixed = np.zeros(len(keys), np.uint64)
        for k in range(5):  # wraps round, as it is to
            mixed = (mixed ^ keys[:, k]) * factor
            mixed ^= mixed >> np.uint64(29)
        _, first, group = np.unique(mixed, return_index=True, return_inverse=True)
        if (keys[first][group] == keys).all():  # no two connections have one hash
            break
        factor = factor * np.uint64(3)
    return group.astype(np.int64), np.argsort(group, kind="stable"), first.astype(np.int64)


def _ends(key: bytes) -> tuple[End, End]:
    words = np.frombuffer(key, np.uint64)
    one, two = words[0:2].astype(">u8").tobytes(), words[2:4].astype(">u8").tobytes()
    ports = int(words[4])
    return End(one, ports >> 16), End(two, ports & 0xFFFF)
