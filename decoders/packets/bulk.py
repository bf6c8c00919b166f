"""Packet descriptions for a million packets: all rows of one kind at once, by numpy.

The rules are those of `layout`. `walk` finds where every field lies; `read_rows` makes columns of
them and judges every field. Rows that miss something are told by `complete`; a column holds 0 (or
an empty span) where its field is missing.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from decoders.packets.columns import Items, KindRows
from decoders.packets.gather import (
    Bytes,
    Column,
    Mask,
    Places,
    bit_field,
    cleared,
    codes_of_spans,
    decimal_numbers,
    equals,
    has_bytes,
    hex_numbers,
    integers,
    is_one_of,
    stretches,
)
from decoders.packets.layout import (
    PROBLEMS,
    Fixed,
    Leaf,
    Number,
    PacketKind,
    Varying,
    told_by,
)
from decoders.packets.walk import walk

_NUMBER_OF = {word: np.uint8(bit) for bit, word in enumerate(PROBLEMS)}


@dataclass(slots=True)
class Found:
    """Problems as they are found: parallel lists of arrays."""

    row: list[Places] = field(default_factory=list)
    problem: list[npt.NDArray[np.uint8]] = field(default_factory=list)
    index: list[npt.NDArray[np.int16]] = field(default_factory=list)
    item: list[Places] = field(default_factory=list)

    def add(self, word: str, index: int, rows: Places, items: Places | None = None) -> None:
        """The rows that have this problem at the field of this index."""
        if len(rows):
            self.row.append(rows)
            self.problem.append(np.full(len(rows), _NUMBER_OF[word]))
            self.index.append(np.full(len(rows), index, np.int16))
            self.item.append(np.full(len(rows), -1, np.int64) if items is None else items)


def read_rows(
    kind: PacketKind,
    data: Bytes,
    begin: Places,
    end: Places,
    prefix: tuple[Bytes, Places] | None = None,
    *,
    open_ended: bool = False,
) -> Reading:
    """The fields of n packets of one kind, and what is wrong with them.

    Args:
        kind: what they are.
        data: uint8[m].
        begin: int64[n] first byte of each.
        end: int64[n] one behind its last byte.
        prefix: uint8[n, k] and int64[n]: the bytes on the wire before each (addresses), and how
            many of them, for check codes over them.
        open_ended: `end` only bounds them; what follows their last field is not theirs.

    Returns:
        Its `out` has columns whose `kind` and `rows` are still to be set, its `found` the problems
        by row 0..n - 1.
    """
    reading = Reading(kind, data, begin, end, prefix)
    reading.read(open_ended=open_ended)
    return reading


class Reading:
    """The fields of packets of one kind, while and after they are read."""

    def __init__(
        self,
        kind: PacketKind,
        data: Bytes,
        begin: Places,
        end: Places,
        prefix: tuple[Bytes, Places] | None,
    ) -> None:
        self.kind, self.layout = kind, kind.layout
        self.data, self.begin, self.end = data, begin, end
        self.prefix = prefix
        self.walk = walk(kind.layout, data, begin, end)
        self.found = Found()
        complete = self.walk.complete
        self.out = KindRows(0, np.arange(len(begin)), complete, {}, {}, {}, {}, {}, {})

    def read(self, *, open_ended: bool) -> None:
        """Fill `out` and `found`."""
        for part, cut in zip(self.layout.parts, self.walk.stretches, strict=True):
            if isinstance(part, Varying):
                self._varying(part)
            elif cut is not None:
                for leaf in part.leaves:
                    self._fixed(leaf, cut)
        self._checks()
        self._measures()
        self._short()
        if not open_ended:
            self._trailing()

    def problems(self) -> npt.NDArray[np.uint32]:
        """The problems of each row as bits; uint32[n]."""
        bits = np.zeros(len(self.begin), np.uint32)
        for rows, problem in zip(self.found.row, self.found.problem, strict=True):
            bits[rows] |= np.uint32(1) << np.uint32(problem[0])
        return bits

    def head(self, count: int) -> None:
        """Forget all but the first packets."""
        if count == len(self.begin):
            return
        self.begin, self.end, self.out = self.begin[:count], self.end[:count], self.out.head(count)
        kept = Found()
        for row, problem, index, item in zip(
            self.found.row, self.found.problem, self.found.index, self.found.item, strict=True
        ):
            mine = row < count
            if mine.any():
                kept.row.append(row[mine])
                kept.problem.append(problem[mine])
                kept.index.append(index[mine])
                kept.item.append(item[mine])
        self.found = kept

    # --- fields ---

    def _fixed(self, leaf: Leaf, cut: Bytes) -> None:
        have = self.walk.has(leaf.ordinal)
        begin, end = self.walk.begin[leaf.ordinal], self.walk.end[leaf.ordinal]
        if leaf.type in ("sync", "bytes", "text"):
            if have is not None:
                end = np.where(have, end, begin)
            self.out.spans[leaf.name] = (begin, end)
            if leaf.constant is not None:
                wanted = np.frombuffer(leaf.constant, np.uint8)
                same = has_bytes(cut, leaf.at, wanted)
                self._add(_constant_word(leaf), leaf.index, ~same, have)
        elif leaf.type == "int":
            self._integer(leaf, integers(cut, leaf), have, self.out.numbers, None)
        elif leaf.type == "check":
            self._check_value(leaf, cut, have)
        else:
            self._text_number(leaf, begin, end, have, self.out.numbers, self.out.unread, None)

    def _check_value(self, leaf: Leaf, cut: Bytes, have: Mask | None) -> None:
        if leaf.check is not None and leaf.check.in_hex:
            begin, end = self.walk.begin[leaf.ordinal], self.walk.end[leaf.ordinal]
            self._text_number(
                leaf, begin, end, have, self.out.numbers, self.out.unread, None, in_hex=True
            )
        else:
            self.out.numbers[leaf.name] = cleared(integers(cut, leaf), have).astype(np.uint64)

    def _varying(self, part: Varying) -> None:
        begin, end = self.walk.begin[part.ordinal], self.walk.end[part.ordinal]
        have = self.walk.has(part.ordinal)
        if part.items is not None:
            self._repeat(part, part.items, begin, end)
        elif part.leaf is not None and part.leaf.type in ("bytes", "text"):
            self.out.spans[part.name] = (begin, end)
            if part.leaf.constant is not None:
                same = equals(self.data, begin, end, part.leaf.constant)
                self._add("constant", part.index, ~same, have)
        elif part.leaf is not None:
            leaf = part.leaf
            self._text_number(leaf, begin, end, have, self.out.numbers, self.out.unread, None)

    def _repeat(self, part: Varying, items: Fixed, begin: Places, end: Places) -> None:
        counts = (end - begin) // max(items.size, 1)
        first = np.concatenate([[0], np.cumsum(counts)])
        total = int(first[-1])
        at = np.repeat(begin - items.size * first[:-1], counts)
        at += items.size * np.arange(total)
        cut = stretches(self.data, at, items.size)
        out = self.out.items[part.name] = Items(first)
        for leaf in items.leaves:
            path = f"{part.name}.{leaf.name}"
            where = at + leaf.at
            if leaf.type in ("sync", "bytes", "text"):
                out.spans[path] = (where, where + leaf.size)
                if leaf.constant is not None:
                    wanted = np.frombuffer(leaf.constant, np.uint8)
                    same = has_bytes(cut, leaf.at, wanted)
                    self._add(_constant_word(leaf), leaf.index, ~same, None, first)
            elif leaf.type == "int":
                self._integer(leaf, integers(cut, leaf), None, out.numbers, first, path)
            else:
                self._text_number(
                    leaf, where, where + leaf.size, None, out.numbers, out.unread, first, path
                )
        self.found.add("length", part.index, self.walk.over[part.ordinal])

    def _integer(
        self,
        leaf: Leaf,
        value: Column,
        have: Mask | None,
        out: dict[str, Column],
        first: Places | None,
        path: str = "",
    ) -> None:
        path = path or leaf.name
        out[path] = value = cleared(value, have)
        self._judge(leaf.number, value, leaf.index, have, first)
        for bits in leaf.bits:
            part = bit_field(value, bits.at, bits.width, bits.signed)
            out[f"{path}.{bits.name}"] = part
            self._judge(bits.number, part, bits.index, have, first)

    def _text_number(
        self,
        leaf: Leaf,
        begin: Places,
        end: Places,
        have: Mask | None,
        out: dict[str, Column],
        unread: dict[str, Mask],
        first: Places | None,
        path: str = "",
        *,
        in_hex: bool = False,
    ) -> None:
        path = path or leaf.name
        if have is not None:
            end = np.where(have, end, begin)
        value: Column
        if in_hex or leaf.type == "hex":
            value, good = hex_numbers(self.data, begin, end)
            unread[path] = ~good
        else:
            value, good = decimal_numbers(self.data, begin, end)
            unread[path] = np.isnan(value)
        out[path] = value
        self._add("text", leaf.index, ~good, have, first)
        self._judge(leaf.number, value, leaf.index, ~unread[path], first)

    # --- judging ---

    def _judge(
        self, number: Number, value: Column, index: int, have: Mask | None, first: Places | None
    ) -> None:
        if number.constant is not None:
            self._add("constant", index, value != number.constant, have, first)
        if number.names is not None:
            self._add("enum", index, ~is_one_of(value, number.names), have, first)
        if number.low is None and number.high is None:
            return
        shown = value
        if number.is_scaled:
            shown = value.astype(np.float64) * (1.0 if number.scale is None else number.scale)
            shown += number.offset or 0.0
        if number.low is not None:
            self._add("range", index, shown < number.low, have, first)
        if number.high is not None:
            self._add("range", index, shown > number.high, have, first)

    def _add(
        self, word: str, index: int, bad: Mask, have: Mask | None, first: Places | None = None
    ) -> None:
        """Add the rows (or items of rows) that are bad and there."""
        if have is not None:
            bad = bad & have
        if not bad.any():
            return
        at = np.flatnonzero(bad)
        if first is None:
            self.found.add(word, index, at)
        else:
            rows = np.searchsorted(first, at, "right") - 1
            self.found.add(word, index, rows, at - first[rows])

    def _checks(self) -> None:
        for leaf in self.layout.fields:
            if not isinstance(leaf, Leaf) or leaf.check is None:
                continue
            check = leaf.check
            have = self.walk.complete > max(leaf.ordinal, check.last)
            missing = ~have
            if leaf.name in self.out.unread:
                missing = missing | self.out.unread[leaf.name]
            rows = np.flatnonzero(~missing)
            whole = len(rows) == len(missing)
            begin, end = self.begin, self.begin
            if check.first <= check.last:
                begin, end = self.walk.begin[check.first], self.walk.end[check.last]
            prefix = self.prefix if check.wire else None
            if check.wire and prefix is None:
                rows, whole = rows[:0], False
                missing = np.ones(len(missing), np.bool_)
            if not whole:
                begin, end = begin[rows], end[rows]
                prefix = None if prefix is None else (prefix[0][rows], prefix[1][rows])
            codes = codes_of_spans(check.code, self.data, begin, end, prefix)
            computed = codes
            if not whole:
                computed = np.zeros(len(missing), np.uint64)
                computed[rows] = codes
            self.out.computed[leaf.name] = computed
            self.out.unchecked[leaf.name] = missing
            bad = (computed != self.out.numbers[leaf.name]) & ~missing
            self._add("check-code", leaf.index, bad, None)

    def _measures(self) -> None:
        for measure in self.layout.lengths:
            have = self.walk.complete > max(measure.ordinal, measure.last)
            size = self.walk.end[measure.last] - self.walk.begin[measure.first]
            self._compare("length", measure.ordinal, size + measure.plus, have)
        for measure in self.layout.counts:
            have = self.walk.complete > max(measure.ordinal, measure.last)
            counted = self.layout.fields[measure.first]
            items = np.diff(self.out.items[counted.name].first)
            self._compare("count", measure.ordinal, items + measure.plus, have)

    def _compare(self, word: str, ordinal: int, wanted: Places, have: Mask) -> None:
        field = self.layout.fields[ordinal]
        differs = self.out.numbers[field.name].astype(np.int64) != wanted
        self._add(word, field.index, differs, None if have.all() else have)

    def _short(self) -> None:
        count = len(self.layout.fields)
        complete = self.walk.complete
        short = np.flatnonzero(complete < count)
        for ordinal in np.unique(complete[short]):
            rows = np.flatnonzero(complete == ordinal)
            part = self.layout.fields[ordinal]
            self.found.add("short", part.index, rows)
            if (told := told_by(part)) is not None:
                word, driver = told
                self.found.add(word, self.layout.fields[driver].index, rows)

    def _trailing(self) -> None:
        after = self.walk.after
        trailing = (self.walk.complete == len(self.layout.fields)) & (after < self.end)
        if not trailing.any():
            return
        rows = np.flatnonzero(trailing)
        if self.kind.pad is not None:
            running = np.concatenate([[0], np.cumsum(self.data != self.kind.pad)])
            rows = rows[running[self.end[rows]] > running[after[rows]]]
        self.found.add("trailing", -1, rows)
        for part in self.layout.fields:
            if (told := told_by(part)) is not None:
                word, driver = told
                self.found.add(word, self.layout.fields[driver].index, rows)


def _constant_word(leaf: Leaf) -> str:
    return "sync" if leaf.type == "sync" else "constant"
