"""Building one packet: lengths, counts, constants and check codes are filled in."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import construct

from decoders.packets.layout import Leaf, Number, PacketKind, Varying, leaf_of


class Builder:
    """One call of `OneByOne.build_one`."""

    def __init__(
        self,
        kind: PacketKind,
        constructs: Sequence[construct.Construct[Any, Any]],
        values: Mapping[str, Any],
        prefix: bytes,
        *,
        as_sent: bool,
    ) -> None:
        self.kind, self.layout, self.constructs = kind, kind.layout, constructs
        self.values, self.prefix, self.as_sent = values, prefix, as_sent
        self.contents: list[bytes] = []  # by ordinal, without closing characters
        self.counts: dict[int, int] = {}

    def done(self) -> bytes:
        """The packet; see `OneByOne.build_one`.

        Raises:
            ValueError: if a value is missing, does not fit its field, or belongs to none.
        """
        known = {field.name for field in self.layout.fields}
        if extra := set(self.values) - known:
            raise ValueError(f"no field named {sorted(extra)[0]!r} in {self.kind.name!r}")
        measured = {m.ordinal for m in (*self.layout.lengths, *self.layout.counts)}
        for part, builder in zip(self.layout.fields, self.constructs, strict=True):
            try:
                self.contents.append(self._content(part, builder, measured))
            except (construct.ConstructError, TypeError, OverflowError, AttributeError) as error:
                value = self.values.get(part.name)
                raise ValueError(f"{part.name!r} cannot be {value!r}: {error}") from error
        self._fill_measures()
        self._fill_checks()
        return b"".join(
            content + self._closing(part)
            for part, content in zip(self.layout.fields, self.contents, strict=True)
        )

    @staticmethod
    def _closing(part: Leaf | Varying) -> bytes:
        until = part.until if isinstance(part, Varying) else None
        return b"" if until is None else bytes([until])

    def _content(
        self, part: Leaf | Varying, builder: construct.Construct[Any, Any], measured: set[int]
    ) -> bytes:
        if isinstance(part, Varying) and part.items is not None:
            items = self.values.get(part.name, [])
            self.counts[part.ordinal] = len(items)
            return b"".join(
                builder.build(
                    {leaf.name: _sent(leaf, each, self.as_sent) for leaf in part.items.leaves}
                )
                for each in items
            )
        leaf = leaf_of(part)
        if leaf.name not in self.values and (leaf.check is not None or part.ordinal in measured):
            return bytes(leaf.size)  # filled in below
        content: bytes = builder.build(_sent(leaf, self.values, self.as_sent))
        return content

    def _begin(self, ordinal: int) -> int:
        """Offset of a field."""
        parts = zip(self.layout.fields[:ordinal], self.contents[:ordinal], strict=True)
        return sum(len(content) + len(self._closing(part)) for part, content in parts)

    def _end(self, ordinal: int) -> int:
        return self._begin(ordinal) + len(self.contents[ordinal])

    def _fill_measures(self) -> None:
        for measure in self.layout.lengths:
            size = self._end(measure.last) - self._begin(measure.first)
            self._fill(measure.ordinal, size + measure.plus)
        for measure in self.layout.counts:
            self._fill(measure.ordinal, self.counts[measure.first] + measure.plus)

    def _fill(self, ordinal: int, value: int) -> None:
        leaf = self.layout.fields[ordinal]
        if leaf.name not in self.values and isinstance(leaf, Leaf):
            try:
                self.contents[ordinal] = self.constructs[ordinal].build(value)
            except construct.ConstructError as error:
                raise ValueError(f"{leaf.name!r} cannot hold {value}") from error

    def _fill_checks(self) -> None:
        for leaf in self.layout.fields:
            if not isinstance(leaf, Leaf) or leaf.check is None or leaf.name in self.values:
                continue
            check = leaf.check
            parts = zip(self.layout.fields, self.contents, strict=True)
            so_far = b"".join(content + self._closing(part) for part, content in parts)
            covered = b""
            if check.first <= check.last:
                covered = so_far[self._begin(check.first) : self._end(check.last)]
            code = check.code.of((self.prefix if check.wire else b"") + covered)
            self.contents[leaf.ordinal] = self.constructs[leaf.ordinal].build(
                _check_sent(leaf, code)
            )


def _check_sent(leaf: Leaf, code: int) -> Any:
    if leaf.check is not None and leaf.check.in_hex:
        return f"{code:0{leaf.size}X}".encode()
    return code


def _sent(leaf: Leaf, values: Mapping[str, Any], as_sent: bool) -> Any:
    """What construct builds a field from: a number, or bytes."""
    if leaf.name not in values:
        if leaf.constant is not None:
            return leaf.constant
        if leaf.number.constant is not None and not leaf.bits:
            return leaf.number.constant
        if not leaf.bits:
            raise ValueError(f"no value for {leaf.name!r}")
    value = values.get(leaf.name, {})
    if leaf.type == "text":
        return str(value).encode().ljust(leaf.size, b"\0")
    if leaf.type in ("sync", "bytes"):
        return bytes.fromhex(value) if isinstance(value, str) else bytes(value)
    if leaf.check is not None:
        return _check_sent(leaf, int(value))
    if leaf.type == "int" and as_sent:
        return value
    if leaf.bits and isinstance(value, Mapping):
        total = 0
        for bits in leaf.bits:
            if bits.name not in value and bits.number.constant is None:
                raise ValueError(f"no value for {leaf.name}.{bits.name}")
            part = _number_sent(bits.number, value.get(bits.name, bits.number.constant))
            total |= (part & ((1 << bits.width) - 1)) << bits.at
        top = 8 * leaf.size - 1
        return total - (1 << top + 1) if leaf.signed and total >> top else total
    if leaf.type == "decimal":
        return b"" if value is None else _decimal_sent(leaf, float(value))
    number = _number_sent(leaf.number, value)
    if leaf.type == "hex":
        return f"{number:0{leaf.size}X}".encode()
    return number


def _number_sent(number: Number, value: Any) -> int:
    """The number behind a shown value."""
    if isinstance(value, str):
        for each, name in (number.names or {}).items():
            if name == value:
                return each
        raise ValueError(f"no value is named {value!r}")
    if not number.is_scaled:
        return int(value)
    scale = 1.0 if number.scale is None else number.scale
    whole: int = round((value - (number.offset or 0.0)) / scale)
    return whole


def _decimal_sent(leaf: Leaf, value: float) -> bytes:
    """The shortest digits that give the value again, filled with zeros to a fixed length."""
    number = leaf.number
    if number.is_scaled:
        value = (value - (number.offset or 0.0)) / (1.0 if number.scale is None else number.scale)
    text = f"{value:.15g}"
    return text.zfill(leaf.size).encode()
