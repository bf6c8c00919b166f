"""The fields of many packets as JSON text, written from the columns.

What `fields.fields_of` gives as objects, as text and without the objects: these cost several times
as much as the text, mostly in the collector of garbage.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from itertools import pairwise

import msgspec
import numpy as np

from decoders.packets.columns import Items, KindRows, Packets
from decoders.packets.fields import fields_of, shown_bytes
from decoders.packets.gather import Column
from decoders.packets.layout import Leaf, Number, PacketKind, PacketSet, Varying

__all__ = ["fields_json", "fields_of"]

Fragments = Sequence[object]  # what stands in the text when formatted with %s


def fields_json(packets: Packets, packet_set: PacketSet) -> list[str]:
    """The fields of every packet as a JSON object, in row order; "{}" for a packet of no kind."""
    found = ["{}"] * len(packets)
    for part in packets.parts:
        texts = _texts(packets, part, packet_set.kinds[part.kind])
        for row, text in zip(part.rows.tolist(), texts, strict=True):
            found[row] = text
    return found


def _texts(packets: Packets, part: KindRows, kind: PacketKind) -> list[str]:
    """The objects of all rows of one kind."""
    fields = kind.layout.fields
    names = [field.name for field in fields]
    columns: list[Fragments] = []
    for field in fields:
        if isinstance(field, Varying) and field.items is not None:
            columns.append(_lists(packets, part.items[field.name], field))
        else:
            leaf = field if isinstance(field, Leaf) else field.leaf
            columns.append([] if leaf is None else _column(packets, part, leaf, field.name))
    texts = _objects(names, columns)
    for row in np.flatnonzero(part.complete < len(fields)).tolist():
        there = int(part.complete[row])
        if there >= 0:  # of a field that was cut, a varying one shows what there is
            there += isinstance(fields[there], Varying)
        shown = zip(names, columns[: max(there, 0)], strict=False)
        pairs = [f"{_quoted(name)}:{column[row]}" for name, column in shown]
        texts[row] = "{" + ",".join(pairs) + "}"
    return texts


def _objects(names: Sequence[str], columns: Sequence[Fragments]) -> list[str]:
    """One object a row."""
    pairs = ",".join(_quoted(name).replace("%", "%%") + ":%s" for name in names)
    template = "{" + pairs + "}"
    return [template % row for row in zip(*columns, strict=True)]


def _lists(packets: Packets, items: Items, repeat: Varying) -> Fragments:
    """The items of every packet."""
    leaves = repeat.items.leaves if repeat.items is not None else ()
    columns = [_column(packets, items, leaf, f"{repeat.name}.{leaf.name}") for leaf in leaves]
    texts = _objects([leaf.name for leaf in leaves], columns)
    first = items.first.tolist()
    return [f"[{','.join(texts[a:b])}]" for a, b in pairwise(first)]


def _column(packets: Packets, part: KindRows | Items, leaf: Leaf, path: str) -> Fragments:
    """One field of every row (or item)."""
    if leaf.type in ("sync", "bytes", "text"):
        begin, end = part.spans[path]
        content = packets.data.tobytes()
        return [
            _quoted(shown_bytes(leaf, content[a:b]))
            for a, b in zip(begin.tolist(), end.tolist(), strict=True)
        ]
    if leaf.bits:
        inside = [_numbers(part.numbers[f"{path}.{b.name}"], b.number) for b in leaf.bits]
        return _objects([bits.name for bits in leaf.bits], inside)
    fragments = _numbers(part.numbers[path], leaf.number)
    if path in part.unread:
        for row in np.flatnonzero(part.unread[path]).tolist():
            fragments[row] = "null"
    return fragments


def _numbers(values: Column, number: Number) -> list[object]:
    """A column of numbers."""
    if number.names is not None:
        names = {value: _quoted(name) for value, name in number.names.items()}
        return [names[v] if v in names else _plain(number.shown(v)) for v in values.tolist()]
    if not number.is_scaled:
        return list(values.tolist())
    scaled = values.astype(np.float64) * (1.0 if number.scale is None else number.scale)
    return [_plain(value) for value in (scaled + (number.offset or 0.0)).tolist()]


def _plain(value: float) -> object:
    """A number; what JSON has no number for is null."""
    return value if math.isfinite(value) else "null"


def _quoted(text: str) -> str:
    return msgspec.json.encode(text).decode()
