"""What a million packets get from numpy is what one packet gets from construct."""

from __future__ import annotations

from typing import Any

import msgspec
import numpy as np
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from decoders.packets.assemble import assembled
from decoders.packets.columns import Packets
from decoders.packets.fields import fields_of
from decoders.packets.layout import PROBLEMS, PacketSet
from decoders.packets.one import OneByOne
from decoders.packets.resolve import read_packets
from decoders.packets.rows import Cut
from decoders.packets.showing import fields_json

CODES = ["sum8", "sum16", "xor", "twos-complement", "fletcher16", "CRC-16/MODBUS", "CRC-24/OPENPGP"]
LIMITS = st.sampled_from(["", "", ", min = 3", ", max = 200", ", min = -5, max = 1000"])
SCALES = st.sampled_from(["", "", ", scale = 0.1, unit = 'cm'", ", scale = 0.25, offset = -40"])


WORDS = ["true", "false"]


@st.composite
def integer_keys(draw: st.DrawFn, *, inside: bool = False) -> str:
    """An integer field without its name."""
    signed = draw(st.booleans())
    size = draw(st.sampled_from([8, 8, 16, 24, 32, 40, 48, 56, 64]))
    order = draw(st.sampled_from(["", ', order = "little"', ', order = "big"']))
    keys = f'type = "{"i" if signed else "u"}{size}"{order}'
    what = draw(st.sampled_from(["plain", "scaled", "named", "bits", "constant"]))
    if what == "plain":
        return keys + draw(LIMITS)
    if what == "scaled":
        return keys + draw(SCALES) + draw(LIMITS)
    if what == "named":
        return keys + ", values = { red = 1, green = 2, blue = 100 }"
    if what == "constant" and not inside:
        return keys + f", constant = {draw(st.integers(0, 127))}"
    width = draw(st.integers(1, size - 1))
    first = f"{{ name = 'low', at = 0, width = {width}, signed = {draw(st.sampled_from(WORDS))} }}"
    second = f"{{ name = 'high', at = {width}{draw(LIMITS)} }}"
    return keys + f", bits = [{first}, {second}]"


EXTRAS = [
    "",
    "{ name = 'it', type = 'text', length = 2 }",
    "{ name = 'iy', type = 'bytes', length = 3 }",
    "{ name = 'ih', type = 'hex', length = 2 }",
]


@st.composite
def item_fields(draw: st.DrawFn) -> str:
    """The fields of a repeat."""
    fields = [f"{{ name = 'i{n}', {draw(integer_keys(inside=True))} }}" for n in range(2)]
    extra = draw(st.sampled_from(EXTRAS))
    return ", ".join([*fields[: draw(st.integers(1, 2))], *([extra] if extra else [])])


@st.composite
def varying(draw: st.DrawFn, number: int) -> tuple[list[str], str]:
    """A varying field with the field that counts it, and its name."""
    name, plus = f"v{number}", draw(st.sampled_from([0, 0, 2]))
    body = draw(st.sampled_from(["repeat", "text", "bytes"]))
    keys = f"type = '{body}'"
    if body == "repeat":
        keys += f", field = [{draw(item_fields())}]"
    counted = draw(st.sampled_from(["length", "count", "both"] if body == "repeat" else ["length"]))
    fields = []
    if counted in ("length", "both"):
        fields.append(f"{{ name = 'n{number}', type = 'u8', length_of = '{name}', plus = {plus} }}")
    if counted in ("count", "both"):
        fields.append(f"{{ name = 'c{number}', type = 'u8', count_of = '{name}', plus = {plus} }}")
    return [*fields, f"{{ name = '{name}', {keys} }}"], name


@st.composite
def fixed(draw: st.DrawFn, number: int) -> str:
    kind = draw(st.sampled_from(["int", "int", "int", "text", "bytes", "decimal", "hex"]))
    name = f"f{number}"
    if kind == "int":
        return f"{{ name = '{name}', {draw(integer_keys())} }}"
    if kind in ("decimal", "hex") and draw(st.booleans()):
        return f"{{ name = '{name}', type = '{kind}', until = ','{draw(LIMITS)} }}"
    return f"{{ name = '{name}', type = '{kind}', length = {draw(st.integers(1, 4))} }}"


@st.composite
def descriptions(draw: st.DrawFn) -> str:
    """A packet of every sort of field."""
    fields: list[str] = []
    if draw(st.booleans()):
        fields.append("{ name = 'sync', type = 'sync', bytes = 'A5 5A' }")
    fields += [draw(fixed(number)) for number in range(draw(st.integers(0, 3)))]
    for number in range(draw(st.sampled_from([1, 1, 2, 0]))):
        more, _ = draw(varying(number))
        fields += more
        if draw(st.booleans()):
            fields.append(draw(fixed(10 + number)))
    if draw(st.booleans()):
        fields.append("{ name = 'rest', type = 'bytes' }")
    if draw(st.booleans()) or not fields:
        code = draw(st.sampled_from(CODES))
        written = draw(st.sampled_from(["", ", written = 'hex'"]))
        over = ""
        names = [f.split("'")[1] for f in fields]
        if len(names) > 1 and draw(st.booleans()):
            over = f", over = ['{names[1]}', '{names[-1]}']"
        fields.append(f"{{ name = 'sum', type = 'check', check = '{code}'{written}{over} }}")
    pad = draw(st.sampled_from(["", "pad = 0\n"]))
    return (
        "order = 'big'\n[[packet]]\nname = 'p'\n"
        + pad
        + "field = [\n"
        + ",\n".join(fields)
        + "\n]\n"
    )


def table_of(packet_set: PacketSet, rows: list[bytes]) -> Packets:
    """Rows of bytes as packets of the only kind, by numpy."""
    n = len(rows)
    first = np.cumsum([0, *map(len, rows)]).astype(np.int64)
    none = np.zeros(n, np.int64)
    cut = Cut(
        np.frombuffer(b"".join(rows), np.uint8),
        first[:-1],
        first[1:],
        np.zeros(n, np.int16),
        np.zeros(n, np.uint32),
        none,
        none,
        none,
        none,
        none,
        np.zeros(n, np.bool_),
    )
    return assembled(packet_set, [cut], none[:0])


def troubles_of(packets: Packets, row: int) -> set[tuple[str, int, int]]:
    table = packets.troubles
    return {
        (PROBLEMS[table.problem[k]], int(table.field[k]), int(table.item[k]))
        for k in np.flatnonzero(table.row == row).tolist()
    }


@st.composite
def damaged(draw: st.DrawFn, data: bytes) -> bytes:
    """The same bytes, or with a byte changed, cut off or added."""
    how = draw(st.sampled_from(["", "nudge", "nudge", "change", "cut", "add", "noise"]))
    if how == "nudge" and data:
        at = draw(st.integers(0, len(data) - 1))
        step = draw(st.sampled_from([1, -1, 0x80]))
        return data[:at] + bytes([(data[at] + step) & 0xFF]) + data[at + 1 :]
    if how == "change" and data:
        at = draw(st.integers(0, len(data) - 1))
        return data[:at] + draw(st.binary(min_size=1, max_size=1)) + data[at + 1 :]
    if how == "cut":
        return data[: draw(st.integers(0, len(data)))]
    if how == "add":
        return data + draw(st.sampled_from([b"\0", b"\0\0", b"\0\x01", b"\xff"]))
    if how == "noise":
        return draw(st.binary(max_size=30))
    return data


@st.composite
def items_of(draw: st.DrawFn, leaves: Any) -> dict[str, Any]:
    return {leaf.name: draw(value_of(leaf)) for leaf in leaves}


def value_of(leaf: Any) -> st.SearchStrategy[Any]:
    """Values that fit a field, as they are sent."""
    if leaf.type == "text":
        return st.text("abc ,", max_size=leaf.size or 5)
    if leaf.type == "bytes":
        return st.binary(min_size=leaf.size, max_size=leaf.size or 5)
    if leaf.type == "decimal":
        return st.integers(0, 9) if leaf.size else st.integers(-999, 99_999).map(lambda v: v / 100)
    if leaf.type == "hex":
        return st.integers(0, 15)
    low = -(1 << 8 * leaf.size - 1) if leaf.signed else 0
    raw = st.integers(low, low + (1 << 8 * leaf.size) - 1)
    return st.one_of(raw.filter(lambda v: -128 <= v <= 255), raw) if not leaf.bits else raw


@st.composite
def packets_of(draw: st.DrawFn, one: OneByOne) -> bytes:
    """A right packet, mostly, of one description."""
    values: dict[str, Any] = {}
    for part in one.layout.fields:
        items: Any = getattr(part, "items", None)
        leaf: Any = getattr(part, "leaf", part)
        measured = {m.ordinal for m in (*one.layout.lengths, *one.layout.counts)}
        if items is not None:
            values[part.name] = draw(st.lists(items_of(items.leaves), max_size=3))
        elif leaf.type in ("sync", "check") or part.ordinal in measured:
            continue
        elif leaf.type != "int" or leaf.bits or leaf.number.constant is None:
            values[part.name] = draw(value_of(leaf))
    return one.build_one(values, as_sent=True)


@settings(suppress_health_check=[HealthCheck.too_slow], deadline=None)
@given(text=descriptions(), data=st.data())
def test_numpy_and_construct_read_the_same_fields_and_problems(
    text: str, data: st.DataObject
) -> None:
    packet_set = read_packets(text, "p.toml")
    one = OneByOne(packet_set.kinds[0])
    right = [data.draw(packets_of(one)) for _ in range(2)]
    rows = [data.draw(damaged(row)) for row in right for _ in range(3)]
    packets = table_of(packet_set, rows)
    shown = fields_of(packets, packet_set)
    assert list(map(msgspec.json.decode, fields_json(packets, packet_set))) == shown
    for row, content in enumerate(rows):
        read = one.read(content)
        assert repr(shown[row]) == repr(read.fields)  # NaN is not equal to itself
        assert troubles_of(packets, row) == set(read.troubles)
        assert sorted(packets.problem_words(row)) == read.problems


@settings(suppress_health_check=[HealthCheck.too_slow], deadline=None)
@given(text=descriptions(), data=st.data())
def test_a_packet_built_from_what_was_read_is_the_same_packet(
    text: str, data: st.DataObject
) -> None:
    one = OneByOne(read_packets(text, "p.toml").kinds[0])
    content = data.draw(packets_of(one))
    read = one.read(content)
    framing_words = {"sync", "length", "count", "check-code", "short", "trailing", "text"}
    assert framing_words.isdisjoint(read.problems)
    assert one.read(one.build_one(read.fields)).fields == read.fields
