"""The values of fields as people and tables see them: names, units, text, hex.

A packet's fields are an object: numbers (in their unit where they have one), names of values where
the value has one, text, bytes as lower-case hex, an object for an integer with bits, and a list of
objects for a repeat. A field that is missing is left out; a number that is none is null.
"""

from __future__ import annotations

from itertools import pairwise
from typing import Any

import numpy as np

from decoders.packets.columns import Items, KindRows, Packets
from decoders.packets.gather import Column
from decoders.packets.layout import Leaf, Number, PacketKind, PacketSet, Varying

Value = Any  # what JSON can hold


def shown_number(number: Number, value: int | float | None) -> Value:
    """One number as it is shown; None where there is none."""
    if value is None:
        return None
    if number.names is not None and value in number.names:
        return number.names[int(value)]
    return number.shown(value)


def shown_bytes(leaf: Leaf, content: bytes) -> str:
    """A sync, bytes or text field as it is shown; 00 bytes that fill up text are left out."""
    if leaf.type == "text":
        return content.rstrip(b"\0").decode("utf-8", "backslashreplace")
    return content.hex()


def fields_of(packets: Packets, packet_set: PacketSet) -> list[dict[str, Value]]:
    """The fields of every packet, in row order; an empty object for a packet of no kind."""
    found: list[dict[str, Value]] = [{} for _ in range(len(packets))]
    for part in packets.parts:
        kind = packet_set.kinds[part.kind]
        for row, shown in zip(part.rows.tolist(), _objects(packets, part, kind), strict=True):
            found[row] = shown
    return found


def _objects(packets: Packets, part: KindRows, kind: PacketKind) -> list[dict[str, Value]]:
    """The objects of all rows of one kind."""
    names: list[str] = []
    columns: list[list[Value]] = []
    for field in kind.layout.fields:
        names.append(field.name)
        if isinstance(field, Leaf):
            columns.append(_column(packets, part, field, field.name))
        elif field.items is not None:
            columns.append(_lists(packets, part.items[field.name], field))
        elif field.leaf is not None:
            columns.append(_column(packets, part, field.leaf, field.name))
    objects = [dict(zip(names, row, strict=True)) for row in zip(*columns, strict=True)]
    count = len(kind.layout.fields)
    for row in np.flatnonzero(part.complete < count).tolist():
        there = int(part.complete[row])
        if there < 0:  # filler
            objects[row] = {}
            continue
        # a varying field that was cut shows what there is of it, a fixed one does not
        there += isinstance(kind.layout.fields[there], Varying)
        objects[row] = {name: objects[row][name] for name in names[:there]}
    return objects


def _lists(packets: Packets, items: Items, repeat: Varying) -> list[Value]:
    """The items of every packet."""
    leaves = repeat.items.leaves if repeat.items is not None else ()
    names = [leaf.name for leaf in leaves]
    columns = [_column(packets, items, leaf, f"{repeat.name}.{leaf.name}") for leaf in leaves]
    objects = [dict(zip(names, row, strict=True)) for row in zip(*columns, strict=True)]
    return [objects[a:b] for a, b in pairwise(items.first.tolist())]


def _column(packets: Packets, part: KindRows | Items, leaf: Leaf, path: str) -> list[Value]:
    """One field of every row (or item), as shown."""
    if leaf.type in ("sync", "bytes", "text"):
        begin, end = part.spans[path]
        content = packets.data.tobytes()
        return [
            shown_bytes(leaf, content[a:b])
            for a, b in zip(begin.tolist(), end.tolist(), strict=True)
        ]
    if leaf.bits:
        names = [bits.name for bits in leaf.bits]
        inside = [_numbers(part.numbers[f"{path}.{b.name}"], b.number) for b in leaf.bits]
        return [dict(zip(names, row, strict=True)) for row in zip(*inside, strict=True)]
    shown = _numbers(part.numbers[path], leaf.number)
    if path in part.unread:
        for row in np.flatnonzero(part.unread[path]).tolist():
            shown[row] = None
    return shown


def _numbers(values: Column, number: Number) -> list[Value]:
    """A column of numbers as shown."""
    if number.names is None:
        if not number.is_scaled:
            return values.tolist()  # type: ignore[no-any-return]
        scaled = values.astype(np.float64) * (1.0 if number.scale is None else number.scale)
        return (scaled + (number.offset or 0.0)).tolist()  # type: ignore[no-any-return]
    names = number.names
    return [names[v] if v in names else number.shown(v) for v in values.tolist()]
