"""From cut rows of bytes to the packets table: order, compact, read each kind, judge the whole."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from decoders.packets.bulk import Reading, read_rows
from decoders.packets.columns import KindRows, Packets, Troubles, no_troubles
from decoders.packets.gather import Bytes, Mask, Places
from decoders.packets.layout import BIT, PacketSet
from decoders.packets.rows import Cut

# What the bytes themselves have wrong; filler explains all of it.
_OF_BYTES = (
    BIT["sync"] | BIT["constant"] | BIT["length"] | BIT["count"] | BIT["enum"] | BIT["range"]
    | BIT["text"] | BIT["check-code"] | BIT["short"] | BIT["trailing"] | BIT["junk"]
    | BIT["unknown"]
)  # fmt: skip


def assembled(
    packet_set: PacketSet, cuts: Sequence[Cut], refused_ns: npt.NDArray[np.int64]
) -> Packets:
    """The packets of what was cut, in the order of the transactions they end in.

    Args:
        packet_set: all kinds.
        cuts: what the framers of both directions cut, at least one.
        refused_ns: int64[r] starts of the transactions that were not acknowledged.
    """
    cut = _one(cuts)
    first, data, begin, prefix = _compact(cut)
    end = first[1:]
    problems = cut.problems.copy()
    readings = list(cut.ready)
    unread = np.ones(len(begin), np.bool_)
    for rows, reading in readings:
        unread[rows] = False
        reading.out.moved(begin[rows] - reading.begin)
    for number, kind in enumerate(packet_set.kinds):
        rows = np.flatnonzero((cut.kind == number) & unread)
        if not len(rows):
            continue
        every = len(rows) == len(cut.kind)
        lead = prefix if prefix is None or every else (prefix[0][rows], prefix[1][rows])
        begins, ends = (begin, end) if every else (begin[rows], end[rows])
        reading = read_rows(kind, data, begins, ends, lead)
        reading.out.kind = number
        readings.append((rows, reading))
    parts: list[KindRows] = []
    for rows, reading in readings:
        reading.out.rows = rows
        problems[rows] |= reading.problems()
        parts.append(reading.out)
    filler = _filler(data, first, cut.read, problems)
    problems[filler] = (problems[filler] & ~np.uint32(_OF_BYTES)) | np.uint32(BIT["filler"])
    for part in parts:
        if filler.any():
            part.complete[filler[part.rows]] = -1
    return Packets(
        cut.start_ns,
        cut.end_ns,
        cut.kind,
        cut.read,
        problems,
        first,
        data,
        cut.from_row,
        cut.from_byte,
        cut.until_row,
        tuple(parts),
        _troubles(readings, filler),
        refused_ns,
    )


def _one(cuts: Sequence[Cut]) -> Cut:
    """All cuts as one, in the order of the transactions in which the rows end."""
    cuts = [cut for cut in cuts if len(cut.begin)] or [*cuts[:1]]
    if len(cuts) == 1:
        return cuts[0]
    shifts = np.cumsum([0, *(len(cut.data) for cut in cuts)]).tolist()
    until = np.concatenate([cut.until_row for cut in cuts])
    order = np.argsort(until, kind="stable")

    def column(name: str) -> npt.NDArray[np.generic]:
        found: npt.NDArray[np.generic] = np.concatenate([getattr(cut, name) for cut in cuts])[order]
        return found

    begin = np.concatenate([c.begin + at for c, at in zip(cuts, shifts, strict=False)])[order]
    end = np.concatenate([c.end + at for c, at in zip(cuts, shifts, strict=False)])[order]
    names = ("kind", "problems", "start_ns", "end_ns", "from_row", "from_byte")
    columns: dict[str, object] = {name: column(name) for name in (*names, "until_row", "read")}
    columns["prefix"] = _joined_prefix(cuts, order)
    place = np.empty(len(order), np.int64)
    place[order] = np.arange(len(order))
    bases = np.cumsum([0, *(len(cut.begin) for cut in cuts)]).tolist()
    columns["ready"] = tuple(
        (place[rows + base], reading)
        for cut, base in zip(cuts, bases, strict=False)
        for rows, reading in cut.ready
    )
    data = np.concatenate([cut.data for cut in cuts])
    return Cut(data, begin, end, **columns)  # type: ignore[arg-type]


def _joined_prefix(cuts: Sequence[Cut], order: Places) -> tuple[Bytes, Places] | None:
    """The prefixes of all rows; a row of a stream has none."""
    width = max((cut.prefix[0].shape[1] for cut in cuts if cut.prefix is not None), default=0)
    if not width:
        return None
    matrices, lengths = [], []
    for cut in cuts:
        count = len(cut.begin)
        empty = (np.zeros((count, width), np.uint8), np.zeros(count, np.int64))
        matrix, length = cut.prefix if cut.prefix is not None else empty
        matrices.append(matrix)
        lengths.append(length)
    return np.concatenate(matrices)[order], np.concatenate(lengths)[order]


def _compact(cut: Cut) -> tuple[Places, Bytes, Places, tuple[Bytes, Places] | None]:
    """The bytes of the rows end to end: first [n + 1], data, begin [n], prefix."""
    count = len(cut.begin)
    if not count:
        return np.zeros(1, np.int64), cut.data[:0], cut.begin, cut.prefix
    if (cut.begin[1:] == cut.end[:-1]).all():
        start = int(cut.begin[0])
        first = np.append(cut.begin, cut.end[-1]) - start
        data = cut.data[start : int(cut.end[-1])]
        return first, data, first[:-1], cut.prefix
    sizes = cut.end - cut.begin
    first = np.concatenate([[0], np.cumsum(sizes)])
    at = np.arange(int(first[-1])) + np.repeat(cut.begin - first[:-1], sizes)
    return first, cut.data[at], first[:-1], cut.prefix


def _filler(data: Bytes, first: Places, read: Mask, problems: npt.NDArray[np.uint32]) -> Mask:
    """Reads that are wrong and nothing but FF or nothing but 00; bool[n]."""
    filler = np.zeros(len(read), np.bool_)
    rows = np.flatnonzero(read & (problems & _OF_BYTES != 0) & (first[1:] > first[:-1]))
    if len(rows):
        head = data[first[rows]]
        rows = rows[((head == 0xFF) | (head == 0)) & (data[first[rows + 1] - 1] == head)]
    for row in rows.tolist():
        content = data[first[row] : first[row + 1]]
        filler[row] = bool((content == content[0]).all())
    return filler


def _troubles(readings: Sequence[tuple[Places, Reading]], filler: Mask) -> Troubles:
    """The problems of all kinds, by row; those of filler are left out."""
    lists: list[tuple[Places, npt.NDArray[np.uint8], npt.NDArray[np.int16], Places]] = [
        (rows[at], problem, index, item)
        for rows, reading in readings
        for at, problem, index, item in zip(
            reading.found.row,
            reading.found.problem,
            reading.found.index,
            reading.found.item,
            strict=True,
        )
    ]
    if not lists:
        return no_troubles()
    row, problem, index, item = (np.concatenate(column) for column in zip(*lists, strict=True))
    order = np.argsort(row, kind="stable")
    order = order[~filler[row[order]]]
    return Troubles(row[order], problem[order], index[order], item[order])
