"""Packets as columns: one table for all kinds, and the fields of each kind beside it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, fields
from typing import Any

import numpy as np
import numpy.typing as npt

from decoders.packets.gather import Column, Mask, Places
from decoders.packets.layout import PROBLEMS

Span = tuple[Places, Places]  # first byte and one behind the last, into Packets.data


@dataclass(slots=True)
class Items:
    """The items of one repeat of n packets, end to end; m items in all."""

    first: Places  # [n + 1] packet i has items first[i] : first[i + 1]
    numbers: dict[str, Column] = field(default_factory=dict)  # path -> [m]
    spans: dict[str, Span] = field(default_factory=dict)  # path of bytes or text -> [m] each
    unread: dict[str, Mask] = field(default_factory=dict)  # path -> [m] text that is no number


@dataclass(slots=True)
class KindRows:
    """The fields of all packets of one kind, n of them; keys are dotted paths."""

    kind: int  # into PacketSet.kinds
    rows: Places  # [n] into Packets
    complete: npt.NDArray[np.int64]  # [n] fields (of the first level) wholly there; -1: filler
    numbers: dict[str, Column]  # [n] integers as sent, decimals as float64, check codes as uint64
    spans: dict[str, Span]  # [n] where a sync, bytes or text field lies
    items: dict[str, Items]  # name of a repeat -> its items
    computed: dict[str, npt.NDArray[np.uint64]]  # name of a check -> [n] the code computed
    unread: dict[str, Mask]  # path -> [n] text that is no number
    unchecked: dict[str, Mask]  # name of a check -> [n] its code could not be computed

    def head(self, count: int) -> KindRows:
        """The first packets alone (views)."""
        items = {}
        for name, each in self.items.items():
            last = int(each.first[count])
            items[name] = Items(
                each.first[: count + 1],
                {path: column[:last] for path, column in each.numbers.items()},
                {path: (a[:last], b[:last]) for path, (a, b) in each.spans.items()},
                {path: column[:last] for path, column in each.unread.items()},
            )
        return KindRows(
            self.kind,
            self.rows[:count],
            self.complete[:count],
            {path: column[:count] for path, column in self.numbers.items()},
            {path: (a[:count], b[:count]) for path, (a, b) in self.spans.items()},
            items,
            {path: column[:count] for path, column in self.computed.items()},
            {path: column[:count] for path, column in self.unread.items()},
            {path: column[:count] for path, column in self.unchecked.items()},
        )

    def moved(self, by: Places) -> None:
        """Let the spans of each packet point so much further into the data."""
        self.spans = {path: (a + by, b + by) for path, (a, b) in self.spans.items()}
        for each in self.items.values():
            if each.spans:
                far = np.repeat(by, np.diff(each.first))
                each.spans = {path: (a + far, b + far) for path, (a, b) in each.spans.items()}


@dataclass(frozen=True, slots=True, eq=False)
class Troubles:
    """Which field each problem is about, sorted by row; k rows."""

    row: Places  # [k] into Packets
    problem: npt.NDArray[np.uint8]  # [k] into PROBLEMS
    field: npt.NDArray[np.int16]  # [k] into Layout.paths of the packet's kind; -1: none of them
    item: npt.NDArray[np.int64]  # [k] item of the repeat, or -1

    def __len__(self) -> int:
        return len(self.row)


@dataclass(frozen=True, slots=True, eq=False)
class Packets:
    """Packets in the order in which they became complete; every column has n rows, n may be 0."""

    start_ns: npt.NDArray[np.int64]  # [n] start of the transaction (or byte) it begins in
    end_ns: npt.NDArray[np.int64]  # [n] end of the transaction (or byte) it ends in
    kind: npt.NDArray[np.int16]  # [n] into PacketSet.kinds; -1 when it is none of them
    read: npt.NDArray[np.bool_]  # [n] direction: True for a read
    problems: npt.NDArray[np.uint32]  # [n] bit k set = PROBLEMS[k]; 0 = valid
    first: Places  # [n + 1] row i holds data[first[i] : first[i + 1]]
    data: npt.NDArray[np.uint8]  # [m] bytes of all rows, end to end
    from_row: Places  # [n] transaction it begins in, counted from the first one fed
    from_byte: Places  # [n] byte of that transaction's data
    until_row: Places  # [n] transaction it ends in
    parts: tuple[KindRows, ...]  # the fields, one part a kind (several after joining)
    troubles: Troubles
    refused_ns: npt.NDArray[np.int64]  # start of writes whose address nobody acknowledged, in order

    def __len__(self) -> int:
        return len(self.start_ns)

    def problem_words(self, row: int) -> list[str]:
        """The problems of one packet, in words."""
        bits = int(self.problems[row])
        return [word for bit, word in enumerate(PROBLEMS) if bits >> bit & 1]

    def bytes_of(self, row: int) -> bytes:
        """The bytes of one packet."""
        return self.data[self.first[row] : self.first[row + 1]].tobytes()


def no_troubles() -> Troubles:
    """An empty table."""
    empty = np.zeros(0, np.int64)
    return Troubles(empty, np.zeros(0, np.uint8), np.zeros(0, np.int16), empty)


def joined(chunks: Sequence[Packets]) -> Packets:
    """Several chunks of one decoder, in order, as one table (a copy)."""
    rows = np.cumsum([0, *(len(chunk) for chunk in chunks)])
    places = np.cumsum([0, *(len(chunk.data) for chunk in chunks)])
    columns: dict[str, Any] = {}
    for column in fields(Packets):
        if column.name not in ("first", "parts", "troubles"):
            columns[column.name] = np.concatenate([getattr(c, column.name) for c in chunks])
    firsts = [c.first[:-1] + at for c, at in zip(chunks, places, strict=False)]
    columns["first"] = np.concatenate([*firsts, places[-1:]])
    columns["parts"] = tuple(
        _moved(part, int(row), int(place))
        for chunk, row, place in zip(chunks, rows, places, strict=False)
        for part in chunk.parts
    )
    columns["troubles"] = Troubles(
        np.concatenate([c.troubles.row + at for c, at in zip(chunks, rows, strict=False)]),
        np.concatenate([c.troubles.problem for c in chunks]),
        np.concatenate([c.troubles.field for c in chunks]),
        np.concatenate([c.troubles.item for c in chunks]),
    )
    return Packets(**columns)


def _moved(part: KindRows, row: int, place: int) -> KindRows:
    """A part whose rows and places count from the start of the joined table."""
    items = {
        name: Items(each.first, each.numbers, _moved_spans(each.spans, place), each.unread)
        for name, each in part.items.items()
    }
    return KindRows(
        part.kind,
        part.rows + row,
        part.complete,
        part.numbers,
        _moved_spans(part.spans, place),
        items,
        part.computed,
        part.unread,
        part.unchecked,
    )


def _moved_spans(spans: dict[str, Span], place: int) -> dict[str, Span]:
    return {name: (begin + place, end + place) for name, (begin, end) in spans.items()}
