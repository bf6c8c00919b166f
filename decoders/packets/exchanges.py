"""Exchanges: a request and the reply that answers it, or the proof that none came.

A request is a packet that another `answers`, or a write whose address nobody acknowledged. How it
ends:

- `answered`: a right reply came, in time if a time is stated.
- `late`: a right reply came, after the stated time.
- `invalid`: a reply came that is wrong, or that answers another request by its `same` fields.
- `none`: the next request came first, or its address was refused.

Filler, junk and unknown bytes do not end the waiting: a device that is not ready sends filler
until it is. If nothing better comes, they make the exchange `invalid`. With `same` fields several
requests may wait at once (at most `MOST_WAITING`); a reply ends all that are older than its own.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass, fields
from typing import Any

import numpy as np
import numpy.typing as npt

from decoders.packets.columns import Packets
from decoders.packets.layout import BIT, PacketKind, PacketSet

OUTCOMES = ("answered", "invalid", "late", "none")
ANSWERED, INVALID, LATE, NONE = range(4)
MOST_WAITING = 16

_NOT_READY = BIT["filler"] | BIT["junk"] | BIT["unknown"]


@dataclass(frozen=True, slots=True, eq=False)
class Exchanges:
    """Exchanges in the order in which they ended; every column has n rows, n may be 0."""

    request_ns: npt.NDArray[np.int64]  # [n] start of the request
    reply_ns: npt.NDArray[np.int64]  # [n] start of the reply; 0 where there is none
    replied: npt.NDArray[np.bool_]  # [n] whether there is a reply
    latency_ns: npt.NDArray[np.int64]  # [n] reply_ns - request_ns; -1 where there is no reply
    request: npt.NDArray[np.int16]  # [n] kind, into PacketSet.kinds; -1: a refused write, unknown
    reply: npt.NDArray[np.int16]  # [n] kind; -1 where there is none or it is unknown
    outcome: npt.NDArray[np.uint8]  # [n] into OUTCOMES
    request_row: npt.NDArray[np.int64]  # [n] packet, counted from the first one fed; -1: refused
    reply_row: npt.NDArray[np.int64]  # [n] packet; -1 where there is none

    def __len__(self) -> int:
        return len(self.request_ns)


@dataclass(slots=True)
class _Waiting:
    """A request without its end."""

    start_ns: int
    kind: int
    row: int
    values: tuple[int, ...] | None  # of the `same` fields
    unready: tuple[int, int, int] | None = None  # filler so far: start, kind, row


_Row = tuple[int, int, bool, int, int, int, int, int, int]


class ExchangeDecoder:
    """Pairs the packets of one device, in the order a `PacketDecoder` gives them."""

    def __init__(self, packet_set: PacketSet) -> None:
        self.packet_set = packet_set
        names = {kind.name: number for number, kind in enumerate(packet_set.kinds)}
        self._answers = [names.get(kind.answers, -1) for kind in packet_set.kinds]
        self._requests = {number for number in self._answers if number >= 0}
        self._replies = [number for number, asked in enumerate(self._answers) if asked >= 0]
        self._reads = {packet_set.kinds[number].direction for number in self._replies}
        self._waiting: deque[_Waiting] = deque()
        self._packets_seen = 0
        self._ended: list[_Row] = []

    def feed(self, packets: Packets) -> Exchanges:
        """Take the next packets; return the exchanges they end."""
        same = self._same_values(packets)
        refused = deque(packets.refused_ns.tolist())
        rows = zip(
            packets.start_ns.tolist(),
            packets.kind.tolist(),
            packets.problems.tolist(),
            packets.read.tolist(),
            strict=True,
        )
        # about 0.4 us a packet: pairing goes from one packet to the next
        for row, (start_ns, kind, problems, read) in enumerate(rows):
            while refused and refused[0] <= start_ns:
                self._refuse(refused.popleft())
            if kind in self._requests:
                self._request(start_ns, kind, row, same.get((kind, row)))
            elif self._waiting and self._may_reply(kind, read):
                self._reply(start_ns, kind, row, problems, same)
        for start_ns in refused:
            self._refuse(start_ns)
        self._packets_seen += len(packets)
        return self._taken()

    def finish(self, until_ns: int | None = None) -> Exchanges:
        """Return what still waits; feed nothing after this.

        Args:
            until_ns: how long was observed; a request whose time was not over then is left out,
                as nothing is proved about it.
        """
        while self._waiting:
            each = self._waiting.popleft()
            within = self._within(each.kind)
            if until_ns is None or within is None or until_ns - each.start_ns >= within:
                self._give_up(each)
        return self._taken()

    # --- one packet ---

    def _may_reply(self, kind: int, read: bool) -> bool:
        if kind >= 0:
            return self._answers[kind] >= 0
        way = "read" if read else "write"
        return way in self._reads or "any" in self._reads

    def _request(self, start_ns: int, kind: int, row: int, values: tuple[int, ...] | None) -> None:
        row += self._packets_seen
        if values is None:
            self._give_up_all()
        while len(self._waiting) >= MOST_WAITING:
            self._give_up(self._waiting.popleft())
        self._waiting.append(_Waiting(start_ns, kind, row, values))

    def _refuse(self, start_ns: int) -> None:
        """A write whose address nobody acknowledged."""
        if not self._requests:
            return
        self._give_up_all()
        kind = next(iter(self._requests)) if len(self._requests) == 1 else -1
        self._ended.append((start_ns, 0, False, -1, kind, -1, NONE, -1, -1))

    def _reply(
        self,
        start_ns: int,
        kind: int,
        row: int,
        problems: int,
        same: dict[tuple[int, int], tuple[int, ...]],
    ) -> None:
        number = row + self._packets_seen
        if problems & _NOT_READY:
            self._waiting[-1].unready = (start_ns, kind, number)
            return
        asked = self._answers[kind]
        values = same.get((kind, row))
        mine = next(
            (w for w in self._waiting if w.kind == asked and w.values in (None, values)), None
        )
        outcome = INVALID if problems else ANSWERED
        if mine is None:  # the reply to something else
            mine, outcome = self._waiting[-1], INVALID
        while self._waiting[0] is not mine:
            self._give_up(self._waiting.popleft())
        self._waiting.popleft()
        within = self.packet_set.kinds[kind].within_ns
        if outcome == ANSWERED and within is not None and start_ns - mine.start_ns > within:
            outcome = LATE
        self._end(mine, outcome, (start_ns, kind, number))

    def _give_up_all(self) -> None:
        while self._waiting:
            self._give_up(self._waiting.popleft())

    def _give_up(self, each: _Waiting) -> None:
        if each.unready is None:
            self._ended.append((each.start_ns, 0, False, -1, each.kind, -1, NONE, each.row, -1))
        else:
            self._end(each, INVALID, each.unready)

    def _end(self, each: _Waiting, outcome: int, reply: tuple[int, int, int]) -> None:
        start_ns, kind, row = reply
        latency = start_ns - each.start_ns
        self._ended.append(
            (each.start_ns, start_ns, True, latency, each.kind, kind, outcome, each.row, row)
        )

    def _within(self, asked: int) -> int | None:
        """The longest time that a reply to a request has."""
        times = [
            self.packet_set.kinds[k].within_ns for k in self._replies if self._answers[k] == asked
        ]
        return max((time for time in times if time is not None), default=None)

    # --- columns ---

    def _same_values(self, packets: Packets) -> dict[tuple[int, int], tuple[int, ...]]:
        """(kind, row) -> values of the fields that must be equal, where any are stated."""
        found: dict[tuple[int, int], tuple[int, ...]] = {}
        for part in packets.parts:
            names = self._same_names(self.packet_set.kinds[part.kind])
            if not names:
                continue
            columns = [part.numbers[name].tolist() for name in names]
            last = max(self._ordinal(part.kind, name) for name in names)
            for row, there, *values in zip(
                part.rows.tolist(), (part.complete > last).tolist(), *columns, strict=True
            ):
                if there:
                    found[part.kind, row] = tuple(values)
        return found

    def _ordinal(self, kind: int, name: str) -> int:
        fields = self.packet_set.kinds[kind].layout.fields
        return next(field.ordinal for field in fields if field.name == name)

    def _same_names(self, kind: PacketKind) -> tuple[str, ...]:
        if kind.same:
            return kind.same
        asking = [k.same for k in self.packet_set.kinds if k.answers == kind.name and k.same]
        return asking[0] if asking else ()

    def _taken(self) -> Exchanges:
        columns = list(zip(*self._ended, strict=True)) or [()] * len(fields(Exchanges))
        self._ended = []
        types: list[Any] = [np.int64, np.int64, np.bool_, np.int64, np.int16, np.int16, np.uint8]
        types += [np.int64, np.int64]
        return Exchanges(*(np.array(c, t) for c, t in zip(columns, types, strict=True)))
