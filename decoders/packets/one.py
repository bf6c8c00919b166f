"""Packet descriptions for one packet: compiled to `construct`, read with places, and built.

The rules are those of `layout`, the same as `bulk` has for a million; a test holds the two equal.
Here every field comes with its place in the bytes and its own problems, for the sheet that explains
one packet.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

import construct

from decoders.packets.build import Builder
from decoders.packets.fields import Value, shown_bytes, shown_number
from decoders.packets.gather import DECIMAL_DIGITS, HEX_DIGITS
from decoders.packets.layout import (
    Fixed,
    Layout,
    Leaf,
    Number,
    PacketKind,
    Varying,
    leaf_of,
    told_by,
)

_DECIMAL = re.compile(rb"[+-]?(\d+\.?\d*|\.\d+)")
_HEX = re.compile(rb"[0-9A-Fa-f]+")


@dataclass(slots=True)
class FieldPlace:
    """One field of one packet, explained."""

    path: str  # dotted, with the item of a repeat: "blocks.0.x", "status.ready"
    index: int  # into Layout.paths
    item: int  # of the repeat, or -1
    begin: int  # offset of its first byte in the packet
    end: int  # one behind its last
    value: Value  # as shown
    number: Number | None  # its unit and limits
    computed: int | None = None  # of a check code: what it should be
    problems: list[str] = field(default_factory=list)


@dataclass(slots=True)
class OnePacket:
    """One packet, read."""

    fields: dict[str, Value]
    places: list[FieldPlace]
    problems: list[str]  # all of it: those of the fields, and `trailing`, which is of none
    troubles: list[tuple[str, int, int]]  # word, index into Layout.paths or -1, item or -1
    size: int  # bytes up to the end of its last field


def compiled(leaf: Leaf) -> construct.Construct[Any, Any]:
    """The construct of one field; bytes, text and numbers in text stay bytes."""
    is_binary = leaf.type == "int" or (leaf.check is not None and not leaf.check.in_hex)
    if is_binary:
        return construct.BytesInteger(leaf.size, signed=leaf.signed, swapped=not leaf.big)
    return construct.Bytes(leaf.size) if leaf.size else construct.GreedyBytes


def compiled_items(items: Fixed) -> construct.Construct[Any, Any]:
    """The construct of one item of a repeat."""
    return construct.Struct(*(leaf.name / compiled(leaf) for leaf in items.leaves))


class OneByOne:
    """Reads and builds packets of one kind, one at a time."""

    def __init__(self, kind: PacketKind) -> None:
        self.kind = kind
        self.layout: Layout = kind.layout
        self.constructs = [
            compiled_items(f.items) if isinstance(f, Varying) and f.items else compiled(leaf_of(f))
            for f in self.layout.fields
        ]

    def parse_one(self, data: bytes, prefix: bytes = b"") -> dict[str, Value]:
        """The fields of one packet, as shown; what is missing is left out."""
        return self.read(data, prefix).fields

    def read(self, data: bytes, prefix: bytes | None = None) -> OnePacket:
        """Read one packet, whatever is wrong with it.

        Args:
            data: its bytes.
            prefix: the bytes on the wire before it, for check codes over them; None: not known.
        """
        return _Reader(self, data, prefix).done()

    def build_one(
        self, values: Mapping[str, Any], prefix: bytes = b"", *, as_sent: bool = False
    ) -> bytes:
        """The bytes of a packet.

        Args:
            values: by name, as shown. Syncs, constants, lengths, counts and check codes may be left
                out; one that is given is sent as given, right or wrong.
            prefix: the bytes on the wire before it, for check codes over them.
            as_sent: integers are given as they are sent, without scale, names and bits.

        Raises:
            ValueError: if a value is missing or does not fit its field.
        """
        return Builder(self.kind, self.constructs, values, prefix, as_sent=as_sent).done()


class _Reader:
    def __init__(self, one: OneByOne, data: bytes, prefix: bytes | None) -> None:
        self.one, self.layout = one, one.layout
        self.data, self.prefix = data, prefix
        self.out = OnePacket({}, [], [], [], 0)
        self.raw: dict[int, Any] = {}  # by ordinal: numbers, or items of a repeat
        self.spans: list[tuple[int, int]] = []
        self.complete = 0
        self.placed: dict[tuple[int, int], FieldPlace] = {}  # by index and item
        self.told: set[tuple[str, int, int]] = set()

    def done(self) -> OnePacket:
        whole = all(
            self._field(field, parser)
            for field, parser in zip(self.layout.fields, self.one.constructs, strict=True)
        )
        self.complete = len(self.layout.fields) if whole else self.complete
        self._checks()
        self._measures()
        rest = self.data[self.out.size :]
        pad = self.one.kind.pad
        if whole and rest and (pad is None or rest.strip(bytes([pad]))):
            self._trouble("trailing", -1)
            for field in self.layout.fields:
                self._blame(field)
        words = {word for word, _, _ in self.out.troubles}
        self.out.problems = sorted(words)
        return self.out

    def _trouble(self, word: str, index: int, item: int = -1) -> None:
        if (word, index, item) not in self.told:
            self.told.add((word, index, item))
            self.out.troubles.append((word, index, item))
            if (index, item) in self.placed:
                self.placed[index, item].problems.append(word)

    def _place(self, place: FieldPlace) -> None:
        self.out.places.append(place)
        self.placed[place.index, place.item] = place

    def _blame(self, part: Leaf | Varying) -> None:
        """Name the field that tells the size of another, when that does not come out."""
        if (told := told_by(part)) is not None:
            self._trouble(told[0], self.layout.fields[told[1]].index)

    # --- cursor ---

    def _field(self, part: Leaf | Varying, parser: construct.Construct[Any, Any]) -> bool:
        """Read the next field; False when the row is short of it."""
        at, room = self.out.size, len(self.data) - self.out.size
        size, step = (part.size, 0) if isinstance(part, Leaf) else self._size(part, at, room)
        fits = size + step <= room
        if isinstance(part, Leaf) and not fits:
            self.complete = part.ordinal
            self._trouble("short", part.index)
            return False
        taken = min(size, room)
        content = self.data[at : at + taken]
        self.spans.append((at, at + taken))
        if isinstance(part, Varying) and part.items is not None:
            self._repeat(part, part.items, parser, content, at)
            if fits and size % part.items.size:
                self._trouble("length", part.index)
        else:
            leaf = leaf_of(part)
            value = parser.parse(content)
            self.out.fields[leaf.name] = self._value(leaf, value, at, taken, "", -1, whole=fits)
        if not fits:
            self.complete = part.ordinal
            self._trouble("short", part.index)
            self._blame(part)
            return False
        self.out.size = at + size + step
        return True

    def _size(self, part: Varying, at: int, room: int) -> tuple[int, int]:
        if part.size is not None:
            return part.size, 0
        if part.until is not None:
            mark = self.data.find(part.until, at)
            return (mark - at if mark >= 0 else room), 1
        if part.length_by is not None:
            return max(self.raw[part.length_by.ordinal] - part.length_by.minus, 0), 0
        if part.count_by is not None and part.items is not None:
            count = self.raw[part.count_by.ordinal] - part.count_by.minus
            return max(count * part.items.size, 0), 0
        return max(room - part.tail, 0), 0

    def _repeat(
        self,
        part: Varying,
        items: Fixed,
        parser: construct.Construct[Any, Any],
        content: bytes,
        at: int,
    ) -> None:
        count = len(content) // items.size
        parsed = construct.Array(count, parser).parse(content)
        shown = []
        for item, each in enumerate(parsed):
            inside = f"{part.name}.{item}."
            begin = at + item * items.size
            shown.append(
                {
                    leaf.name: self._value(
                        leaf, each[leaf.name], begin + leaf.at, leaf.size, inside, item
                    )
                    for leaf in items.leaves
                }
            )
        self.raw[part.ordinal] = parsed
        self.out.fields[part.name] = shown

    # --- values ---

    def _value(
        self,
        leaf: Leaf,
        value: Any,
        at: int,
        size: int,
        inside: str,
        item: int,
        *,
        whole: bool = True,
    ) -> Value:
        """The shown value of one field; it is noted with its place and judged."""
        place = FieldPlace(inside + leaf.name, leaf.index, item, at, at + size, None, leaf.number)
        self._place(place)
        if leaf.type in ("sync", "bytes", "text"):
            place.value = shown_bytes(leaf, value)
            if whole and leaf.constant not in (None, value):
                self._trouble("sync" if leaf.type == "sync" else "constant", leaf.index, item)
            return place.value
        if isinstance(value, bytes):
            value, good = _text_number(leaf, value if whole else b"")
            if not good and whole:
                self._trouble("text", leaf.index, item)
        if not inside:
            self.raw[leaf.ordinal] = value
        place.value = shown_number(leaf.number, value)
        if leaf.bits:
            place.value = self._bits(leaf, value, place, inside)
        if whole:
            self._judge(leaf.number, value, leaf.index, item)
        return place.value

    def _bits(self, leaf: Leaf, value: int, around: FieldPlace, inside: str) -> dict[str, Value]:
        shown = {}
        for bits in leaf.bits:
            part = (value >> bits.at) & ((1 << bits.width) - 1)
            if bits.signed and part >> (bits.width - 1):
                part -= 1 << bits.width
            shown[bits.name] = shown_number(bits.number, part)
            path = f"{inside}{leaf.name}.{bits.name}"
            place = FieldPlace(path, bits.index, around.item, around.begin, around.end, None, None)
            place.value, place.number = shown[bits.name], bits.number
            self._place(place)
            self._judge(bits.number, part, bits.index, around.item)
        return shown

    def _judge(self, number: Number, value: Any, index: int, item: int) -> None:
        if value is None:
            return
        if number.constant is not None and value != number.constant:
            self._trouble("constant", index, item)
        if number.names is not None and value not in number.names:
            self._trouble("enum", index, item)
        shown = number.shown(value)
        if number.low is not None and shown < number.low:
            self._trouble("range", index, item)
        if number.high is not None and shown > number.high:
            self._trouble("range", index, item)

    # --- what needs several fields ---

    def _checks(self) -> None:
        for leaf in self.layout.fields:
            if not isinstance(leaf, Leaf) or leaf.check is None:
                continue
            check = leaf.check
            if self.complete <= max(leaf.ordinal, check.last) or self.raw[leaf.ordinal] is None:
                continue
            if check.wire and self.prefix is None:
                continue
            begin, end = 0, 0
            if check.first <= check.last:
                begin, end = self.spans[check.first][0], self.spans[check.last][1]
            before = self.prefix or b"" if check.wire else b""
            computed = check.code.of(before + self.data[begin:end])
            for place in self.out.places:
                if place.index == leaf.index:
                    place.computed = computed
            if computed != self.raw[leaf.ordinal]:
                self._trouble("check-code", leaf.index)

    def _measures(self) -> None:
        for measure in self.layout.lengths:
            if self.complete > max(measure.ordinal, measure.last):
                size = self.spans[measure.last][1] - self.spans[measure.first][0]
                if self.raw[measure.ordinal] != size + measure.plus:
                    self._trouble("length", self.layout.fields[measure.ordinal].index)
        for measure in self.layout.counts:
            if self.complete > max(measure.ordinal, measure.last):
                count = len(self.raw[measure.first])
                if self.raw[measure.ordinal] != count + measure.plus:
                    self._trouble("count", self.layout.fields[measure.ordinal].index)


def _text_number(leaf: Leaf, content: bytes) -> tuple[int | float | None, bool]:
    """A number in ASCII digits, and whether the text is right (an empty decimal is)."""
    if leaf.type == "decimal":
        digits = sum(48 <= character <= 57 for character in content)
        if _DECIMAL.fullmatch(content) and digits <= DECIMAL_DIGITS:
            return float(content), True
        return None, not content
    if _HEX.fullmatch(content) and len(content) <= HEX_DIGITS:
        return int(content, 16), True
    return None, False
