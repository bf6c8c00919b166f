"""Cutting the bytes of one direction into packets by their syncs and the lengths inside.

From each sync on, the lengths inside tell where the packet ends. A packet that is right in itself
ends there, whatever its payload looks like. One that is wrong may have a wrong length: it ends at
the next sync inside it, if there is one, so that a damaged length costs no good packet. Bytes
between packets are junk. A border (a transaction the other way) ends what is incomplete. What is
still open is kept for the next bytes, at most `MOST_BYTES` of it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import numpy.typing as npt

from decoders.packets.bulk import Reading, read_rows
from decoders.packets.gather import Bytes, Mask, Places
from decoders.packets.kinds import UNKNOWN, choose_kinds
from decoders.packets.layout import BIT, PacketSet
from decoders.packets.rows import Cut, Rows, after_byte, cut_at, joined_rows, no_rows

MOST_BYTES = 1 << 16  # no packet of a stream is longer
MOST_JUNK = 1 << 10  # a longer run of junk is told in pieces

# Problems that make the claimed end of a packet doubtful.
_DOUBT = BIT["constant"] | BIT["length"] | BIT["count"] | BIT["check-code"] | BIT["short"]


class StreamFramer:
    """Cuts the stream of one direction, by sync and the lengths inside."""

    def __init__(self, packet_set: PacketSet, candidates: Sequence[int], *, read: bool) -> None:
        self.packet_set, self.candidates, self.read = packet_set, list(candidates), read
        self.held = no_rows()
        kinds = [packet_set.kinds[k] for k in candidates]
        self.marks = [list(kind.layout.marks()) for kind in kinds]
        self.syncs = [marks[0][2] for marks in self.marks]
        # as long as less is there, which kind it is may still change
        self.header = max(at + len(wanted) for marks in self.marks for at, _, wanted in marks)
        self.longest = max(len(sync) for sync in self.syncs)

    def feed(self, rows: Rows, borders: Places, *, closed: bool) -> Cut:
        """Cut what can be cut.

        Args:
            rows: the next transactions of this direction.
            borders: int64[k] places in their bytes (0 .. all) that no packet crosses, rising.
            closed: nothing that follows belongs to what is here.
        """
        borders = borders + len(self.held.data)
        rows = joined_rows(self.held, rows)
        size = len(rows.data)
        limits = _distinct(np.append(borders, size))
        closed = closed or bool(len(borders) and borders[-1] == size)
        at, kinds = self._syncs(rows.data, limits)
        limit = limits[np.searchsorted(limits, at, "right")]
        is_open = (limit == size) & (not closed)
        bound = np.minimum(limit, at + MOST_BYTES)
        claimed, doubtful, short, readings = self._ends(rows.data, at, bound, kinds)
        room = bound - at
        waits = is_open & (short | (room < self.header)) & (room < MOST_BYTES)
        following = np.append(at[1:], size)
        # a sync across the claimed end may not be here yet, so it does not count
        inside = following + self.longest <= claimed
        end = np.where((doubtful | short) & inside, following, claimed)
        chosen = _chain(at, end, waits)
        cut, order = self._cut(rows, at, end, kinds, chosen, waits, limits, closed)
        count = len(chosen) - bool(len(chosen) and waits[chosen[-1]])
        if (end[:count] == claimed[:count]).all() and (chosen == np.arange(len(chosen))).all():
            cut = replace(cut, ready=_ready(readings, order, count))
        return cut

    def _syncs(self, data: Bytes, limits: Places) -> tuple[Places, npt.NDArray[np.int16]]:
        """Where a sync stands, and which kind the packet seems to be."""
        found: dict[int, Mask] = {}
        places: dict[bytes, Places] = {}
        for sync in set(self.syncs):
            at = np.flatnonzero(data[: max(len(data) - len(sync) + 1, 0)] == sync[0])
            for offset in range(1, len(sync)):
                at = at[data[at + offset] == sync[offset]]
            inside = limits[np.searchsorted(limits, at, "right")] - at >= len(sync)
            places[sync] = at[inside]
        at = np.concatenate(list(places.values()))
        if len(places) > 1:
            at = _distinct(np.sort(at))
        for number, sync in zip(self.candidates, self.syncs, strict=True):
            if len(places) > 1:
                found[number] = np.isin(at, places[sync])
        end = limits[np.searchsorted(limits, at, "right")]
        return at, choose_kinds(
            self.packet_set, self.candidates, data, at, end, found, by_size=False
        )

    def _ends(
        self, data: Bytes, at: Places, bound: Places, kinds: npt.NDArray[np.int16]
    ) -> tuple[Places, Mask, Mask, list[tuple[Places, Reading]]]:
        """Where each packet ends by its own word, whether that is doubtful, whether it is short.

        Also what was read for it: rows and their reading, by kind.
        """
        end = bound.copy()
        readings = []
        doubtful, short = np.zeros(len(at), np.bool_), np.zeros(len(at), np.bool_)
        for number in self.candidates:
            rows = np.flatnonzero(kinds == number)
            if not len(rows):
                continue
            kind = self.packet_set.kinds[number]
            reading = read_rows(kind, data, at[rows], bound[rows], open_ended=True)
            problems = reading.problems()
            doubtful[rows] = problems & _DOUBT != 0
            short[rows] = problems & BIT["short"] != 0
            end[rows] = np.where(short[rows], bound[rows], reading.walk.after)
            readings.append((rows, reading))
            reading.out.kind = number
        return end, doubtful, short, readings

    def _cut(
        self,
        rows: Rows,
        at: Places,
        end: Places,
        kinds: npt.NDArray[np.int16],
        chosen: Places,
        waits: Mask,
        limits: Places,
        closed: bool,
    ) -> tuple[Cut, Places]:
        """Packets and the junk between them, and where each packet is in it; what waits is kept."""
        size = len(rows.data)
        stop, ended = size, closed
        if len(chosen) and waits[chosen[-1]]:
            stop, ended = int(at[chosen[-1]]), True
            chosen = chosen[:-1]
        elif not closed:
            after = int(end[chosen[-1]]) if len(chosen) else 0
            last_border = int(limits[-2]) if len(limits) > 1 else 0
            stop = self._may_begin(rows.data, max(after, last_border))
            ended = stop == last_border < size
        junk_begin = np.concatenate([[0], end[chosen]])
        junk_end = np.append(at[chosen], stop)
        pieces, kept = _junk(junk_begin, junk_end, limits, ended)
        begin = np.concatenate([at[chosen], [a for a, _ in pieces]]).astype(np.int64)
        ends = np.concatenate([end[chosen], [b for _, b in pieces]]).astype(np.int64)
        kind = np.concatenate([kinds[chosen], np.full(len(pieces), UNKNOWN, np.int16)])
        problems = np.zeros(len(begin), np.uint32)
        problems[len(chosen) :] = BIT["junk"]
        order = np.argsort(begin, kind="stable")
        cut = cut_at(rows, begin[order], ends[order], kind[order], problems[order], read=self.read)
        self.held = after_byte(rows, kept)
        return cut, np.argsort(order)[: len(chosen)] if len(pieces) else order

    def _may_begin(self, data: Bytes, after: int) -> int:
        """First place from which on the bytes may be the beginning of a sync."""
        for place in range(max(len(data) - self.longest + 1, after), len(data)):
            tail = data[place:].tobytes()
            if any(sync.startswith(tail) for sync in self.syncs):
                return place
        return len(data)


def _ready(
    readings: list[tuple[Places, Reading]], order: Places, count: int
) -> tuple[tuple[Places, Reading], ...]:
    """What was read of the first `count` packets, by their rows in the cut."""
    found = []
    for rows, reading in readings:
        some = int(np.searchsorted(rows, count))
        if some:
            reading.head(some)
            found.append((order[rows[:some]], reading))
    return tuple(found)


def _distinct(rising: Places) -> Places:
    """Sorted places without repeats."""
    return rising[np.append(rising[1:] != rising[:-1], True)] if len(rising) else rising


def _junk(
    begin: Places, end: Places, limits: Places, ended: bool
) -> tuple[list[tuple[int, int]], int]:
    """Runs of junk in pieces, and from which byte on all is kept.

    The last run may go on with the next bytes unless it is `ended`: only whole pieces of it are
    told now.
    """
    pieces: list[tuple[int, int]] = []
    kept = int(end[-1])
    gaps = np.flatnonzero(end > begin)
    inside_from = np.searchsorted(limits, begin[gaps], "right").tolist()
    inside_until = np.searchsorted(limits, end[gaps]).tolist()
    for gap, low, high in zip(gaps.tolist(), inside_from, inside_until, strict=True):
        a, last = int(begin[gap]), int(end[gap])
        for border in [*limits[low:high].tolist(), last]:
            goes_on = gap == len(end) - 1 and border == last and not ended
            while border - a >= MOST_JUNK or (a < border and not goes_on):
                piece = min(border, a + MOST_JUNK)
                pieces.append((a, piece))
                a = piece
            if goes_on:
                kept = a
    return pieces, kept


def _chain(at: Places, end: Places, waits: Mask) -> Places:
    """The packets met by going from each packet's end to the next sync, the first that waits last.

    Syncs inside packets are jumped over; there are few, so whole runs of packets without one are
    taken at once.
    """
    count = len(at)
    breaks = np.flatnonzero(np.append(end[:-1] > at[1:], False) | waits)
    runs: list[Places] = []
    place = 0
    for stop in breaks.tolist():
        if stop < place:
            continue
        runs.append(np.arange(place, stop + 1))
        if waits[stop]:
            return np.concatenate(runs)
        place = int(np.searchsorted(at, end[stop]))
    runs.append(np.arange(place, count))
    return np.concatenate(runs)
