"""Cutting the bytes of one direction into text lines."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from decoders.packets.gather import Places
from decoders.packets.kinds import choose_kinds
from decoders.packets.layout import PacketSet
from decoders.packets.rows import Cut, Rows, after_byte, cut_at, joined_rows, no_rows

MOST_LINE = 1 << 12  # a longer line is cut


class LineFramer:
    """Cuts text into lines, ended by CR, LF or both; empty lines are none."""

    def __init__(self, packet_set: PacketSet, candidates: Sequence[int], *, read: bool) -> None:
        self.packet_set, self.candidates, self.read = packet_set, list(candidates), read
        self.held = no_rows()

    def feed(self, rows: Rows, borders: Places, *, closed: bool) -> Cut:
        """Cut the lines that are whole; `borders` do not end a line."""
        rows = joined_rows(self.held, rows)
        size = len(rows.data)
        ends = np.flatnonzero((rows.data == 0x0A) | (rows.data == 0x0D))
        begin = np.concatenate([[0], ends + 1])
        end = np.append(ends, size)
        kept = size if closed else int(begin[-1])
        if not closed:
            begin, end = begin[:-1], end[:-1]
            while size - kept >= MOST_LINE:
                begin, end = np.append(begin, kept), np.append(end, kept + MOST_LINE)
                kept += MOST_LINE
        begin, end = _split_long(begin, end)
        some = end > begin
        begin, end = begin[some], end[some]
        kind = choose_kinds(self.packet_set, self.candidates, rows.data, begin, end)
        problems = np.zeros(len(begin), np.uint32)
        cut = cut_at(rows, begin, end, kind, problems, read=self.read)
        self.held = after_byte(rows, kept)
        return cut


def _split_long(begin: Places, end: Places) -> tuple[Places, Places]:
    """Lines longer than `MOST_LINE` in pieces of it."""
    if not (end - begin > MOST_LINE).any():
        return begin, end
    pieces = [
        (a, min(a + MOST_LINE, int(b)))
        for first, b in zip(begin.tolist(), end.tolist(), strict=True)
        for a in range(first, b, MOST_LINE)
    ]
    both = np.array(pieces, np.int64).reshape(-1, 2)
    return both[:, 0], both[:, 1]
