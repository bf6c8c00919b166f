"""The fields of one packet as lines, with their places, limits and problems, beside a good one."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import groupby
from typing import Any

from console.timeline.sheet.compare import MISSING, change_of
from console.timeline.sheet.lines import (
    MOST_FIELDS,
    MOST_RAW,
    Change,
    CheckCode,
    Field,
    Line,
    More,
    clipped,
    spaced_hex,
)
from console.timeline.sheet.tree import counted_members
from console.timeline.sheet.wire import OnWire
from decoders.messages.json_text import NOT_JSON
from decoders.messages.payload import at_path
from decoders.packets.layout import Check, Leaf, Number, PacketKind, Varying
from decoders.packets.one import FieldPlace, OneByOne, OnePacket

MOST_NAMES = 6  # named values told of one field
MOST_CONTENT = 8  # bytes of one field kept beside it
_Span = tuple[int, int]


@dataclass(frozen=True, slots=True)
class Packet:
    """One packet, read, and its bytes."""

    data: bytes
    prefix: bytes | None
    one: OnePacket
    by_path: Mapping[str, FieldPlace]

    @classmethod
    def read(cls, reader: OneByOne, wire: OnWire) -> Packet:
        """Take a packet apart."""
        data = wire.data or b""
        one = reader.read(data, wire.prefix)
        return cls(data, wire.prefix, one, {place.path: place for place in one.places})

    def bytes_at(self, path: str) -> bytes | None:
        """The bytes of a field; None where it has none."""
        place = self.by_path.get(path)
        return None if place is None else self.data[place.begin : place.end]


def field_lines(
    kind: PacketKind,
    packet: Packet,
    good: Packet | None,
    earlier: Sequence[Any],
    steps: Sequence[int],
) -> tuple[list[Line], tuple[Change, ...]]:
    """The fields of a packet, in order.

    Args:
        kind: its description.
        packet: it.
        good: the last good one of the kind.
        earlier: the fields of good ones before that, as tables have them.
        steps: packets of the kind from each good one to the one after it.

    Returns:
        The lines, at most `MOST_FIELDS`; and how each byte of the packet compares, none where
        there is no good one.
    """
    lines = _Fields(kind, packet, good, earlier, steps)
    shown: list[Line] = []
    for line in lines.every():
        if len(shown) == MOST_FIELDS:
            is_field = isinstance(line, CheckCode) or (isinstance(line, Field) and line.begin >= 0)
            shown.append(More(len(packet.one.places) - lines.told + is_field, "fields"))
            break
        shown.append(line)
    return shown, lines.byte_changes()


class _Fields:
    def __init__(
        self,
        kind: PacketKind,
        packet: Packet,
        good: Packet | None,
        earlier: Sequence[Any],
        steps: Sequence[int],
    ) -> None:
        self.kind, self.packet, self.good = kind, packet, good
        self.earlier, self.steps = earlier, steps
        self.leaves = dict(_leaves(kind))
        self.told = 0
        self.spans = self._spans()

    def every(self) -> Iterator[Line]:
        """The lines of all fields; of those that are missing, that they are."""
        places = groupby(self.packet.one.places, lambda place: place.path.partition(".")[0])
        by_name = {name: list(found) for name, found in places}
        short = False
        for field in self.kind.layout.fields:
            found = by_name.get(field.name, [])
            is_there = field.name in self.packet.one.fields
            if isinstance(field, Varying) and field.items is not None and is_there:
                yield from self._repeat(field, found)
            elif found:
                for place in found:
                    yield self._line(place, 1 if "." in place.path else 0)
            else:
                yield self._missing(field.name, first=not short)
                short = True

    def _missing(self, name: str, *, first: bool) -> Field:
        problems = ("the packet ends before it",) if first else ()
        change = Change.GONE if self.good is not None and self.good.bytes_at(name) else Change.NONE
        return Field(name, "not there", problems=problems, change=change)

    def _repeat(self, field: Varying, places: list[FieldPlace]) -> Iterator[Line]:
        """How many items there are, and each."""
        count = places[-1].item + 1 if places else 0
        change, was = Change.NONE, ""
        if self.good is not None:
            there = self.good.one.fields.get(field.name)
            good_count = len(there) if isinstance(there, list) else 0
            change = Change.SAME if count == good_count else Change.DIFFERS
            was = "" if count == good_count else counted_members(good_count, "item")
        problems = _words_of(self.packet.one, field.index)
        value = counted_members(count, "item")
        yield Field(field.name, value, change=change, was=was, problems=problems)
        for item, inside in groupby(places, lambda place: place.item):
            yield Field(f"{field.name}.{item}", "")
            for place in inside:
                yield self._line(place, place.path.count(".") - 1)

    def _line(self, place: FieldPlace, level: int) -> Line:
        self.told += 1
        leaf = self.leaves.get(place.index)
        if leaf is not None and leaf.check is not None:
            return self._check(place, leaf.check)
        change, was = self.change(place)
        number = place.number or Number()
        return Field(
            name=place.path.rpartition(".")[2],
            value=_value_text(place.value, leaf),
            level=level,
            unit=number.unit,
            begin=place.begin,
            end=place.end,
            content=self.packet.data[place.begin : min(place.end, place.begin + MOST_CONTENT)],
            allowed=_allowed(number, leaf),
            problems=tuple(_field_problem(p, place, number, leaf) for p in place.problems),
            change=change,
            was=_value_text(was, leaf) if was is not MISSING else "",
        )

    def change(self, place: FieldPlace) -> tuple[Change, Any]:
        """How a field compares, and what it was; `MISSING` where that is not told."""
        if self.good is None:
            return Change.NONE, MISSING
        then = self.good.by_path.get(place.path)
        before = [MISSING if then is None else then.value]
        for fields in self.earlier:
            found = at_path(fields, place.path)
            before.append(MISSING if found is NOT_JSON else found)
        wraps_at = None
        if isinstance(place.value, int) and place.number is not None:
            leaf = self.leaves.get(place.index)
            is_plain = leaf is not None and leaf.type == "int" and not leaf.signed
            wraps_at = 1 << 8 * leaf.size if leaf is not None and is_plain else None
        change = change_of(place.value, before, self.steps, wraps_at)
        tells = change in (Change.DIFFERS, Change.STEPS)
        return change, before[0] if tells else MISSING

    def _check(self, place: FieldPlace, check: Check) -> CheckCode:
        digits = 2 * check.code.width_bytes
        first, last = self.spans[check.first : check.last + 1] or [(0, 0)], check.last
        over = f"bytes {first[0][0]} to {self.spans[last][1] - 1}" if last >= check.first else ""
        if check.wire and self.packet.prefix is not None:
            before = counted_members(len(self.packet.prefix), "byte")
            over = f"{before} on the wire before it, {over}".rstrip(", ")
        received = "no number" if place.value is None else f"{place.value:0{digits}X}"
        computed = None if place.computed is None else f"{place.computed:0{digits}X}"
        return CheckCode(
            place.path, check.code.name, received, computed, over, place.begin, place.end
        )

    def _spans(self) -> list[_Span]:
        """First byte and one behind the last of every field of the first level, by ordinal."""
        spans: list[_Span] = []
        ends: dict[str, _Span] = {}
        for place in self.packet.one.places:
            name = place.path.partition(".")[0]
            begin = ends.get(name, (place.begin, 0))[0]
            ends[name] = (begin, place.end)
        at = 0
        for field in self.kind.layout.fields:
            spans.append(ends.get(field.name, (at, at)))
            at = spans[-1][1]
        return spans

    # --- bytes

    def byte_changes(self) -> tuple[Change, ...]:
        """How each byte compares with the byte of the same field of the good packet."""
        if self.good is None:
            return ()
        changes = [Change.NEW] * len(self.packet.data)  # but what lies behind the bytes shown
        for place in self.packet.one.places:
            was = self.good.bytes_at(place.path)
            if was is None or place.begin >= MOST_RAW:
                continue
            expected = self._changed_as_it_should(place)
            for k, byte in enumerate(self.packet.data[place.begin : place.end]):
                if k < len(was) and was[k] == byte:
                    changes[place.begin + k] = Change.SAME
                else:
                    changes[place.begin + k] = Change.STEPS if expected else Change.DIFFERS
        return tuple(changes)

    def _changed_as_it_should(self, place: FieldPlace) -> bool:
        leaf = self.leaves.get(place.index)
        if leaf is not None and leaf.check is not None:
            return place.computed is not None and place.computed == place.value
        return self.change(place)[0] is Change.STEPS


def _leaves(kind: PacketKind) -> Iterator[tuple[int, Leaf]]:
    for field in kind.layout.fields:
        if isinstance(field, Leaf):
            yield field.index, field
        elif field.leaf is not None:
            yield field.index, field.leaf
        elif field.items is not None:
            for leaf in field.items.leaves:
                yield leaf.index, leaf


def _words_of(one: OnePacket, index: int) -> tuple[str, ...]:
    found = sorted({word for word, at, item in one.troubles if at == index and item < 0})
    return tuple(_PROBLEMS.get(word, word.replace("-", " ")) for word in found)


def _value_text(value: Any, leaf: Leaf | None) -> str:
    """A value of a field: hex with spaces, texts in quotes, numbers as they are."""
    if value is None:
        return "no number"
    if isinstance(value, dict):
        return ""  # its bits follow, each on a line
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, str):
        kind = leaf.type if leaf is not None else ""
        if kind in ("sync", "bytes"):
            return spaced_hex(bytes.fromhex(value))
        return f'"{clipped(value, 200)}"' if kind == "text" else clipped(value, 200)
    return f"{value:.10g}" if isinstance(value, float) else str(value)


def _allowed(number: Number, leaf: Leaf | None) -> str:
    if leaf is not None and leaf.constant is not None:
        return f"always {spaced_hex(leaf.constant)}"
    if number.constant is not None:
        return f"always {number.constant}"
    if number.names is not None:
        names = list(number.names.values())
        more = f" and {len(names) - MOST_NAMES} more" if len(names) > MOST_NAMES else ""
        return f"{', '.join(names[:MOST_NAMES])}{more}"
    if number.low is not None and number.high is not None:
        return f"{number.low:g} to {number.high:g}"
    if number.low is not None:
        return f"at least {number.low:g}"
    return f"at most {number.high:g}" if number.high is not None else ""


_PROBLEMS = {
    "sync": "not the sync bytes",
    "length": "does not fit what it counts",
    "count": "does not fit what it counts",
    "enum": "a value without a name",
    "range": "out of range",
    "text": "not a number in digits",
    "short": "cut short",
    "trailing": "bytes follow the last field",
    "check-code": "wrong",
}


def _field_problem(word: str, place: FieldPlace, number: Number, leaf: Leaf | None) -> str:
    """A problem of one field in words, with the limit it broke."""
    allowed, value = _allowed(number, leaf), place.value
    if word == "range" and isinstance(value, int | float):
        if number.low is not None and value < number.low:
            return f"below {number.low:g}"
        if number.high is not None and value > number.high:
            return f"above {number.high:g}"
    if word in ("constant", "sync") and allowed:
        return f"not {allowed.removeprefix('always ')}"
    if word == "enum" and allowed:
        return f"none of {allowed}"
    return _PROBLEMS.get(word, word.replace("-", " "))
