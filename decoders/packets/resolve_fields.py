"""From written fields to fields of a layout: types, numbers, bits, repeats, check codes."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

from decoders.checkcodes import CheckCode, check_code
from decoders.errors import DescriptionError
from decoders.packets.description import (
    INTEGER_TYPE,
    TYPES,
    BitField,
    CrcParameters,
    Field,
    Packet,
)
from decoders.packets.layout import Bits, Check, Fixed, Leaf, Number, Varying
from decoders.toml_lines import Document, closest_hint
from decoders.toml_scan import Path

# Keys of a field beside name, type and note, by type.
_NUMBER_KEYS = {"scale", "offset", "unit", "min", "max"}
_KEYS: dict[str, set[str]] = {
    "int": _NUMBER_KEYS | {"order", "constant", "values", "length_of", "count_of", "plus", "bits"},
    "sync": {"bytes", "text"},
    "bytes": {"length", "until", "constant"},
    "text": {"length", "until", "constant"},
    "decimal": _NUMBER_KEYS | {"length", "until"},
    "hex": _NUMBER_KEYS | {"length", "until"},
    "repeat": {"times", "field"},
    "check": {"check", "over", "order", "written"},
}
SPAN_WORDS = ("before", "wire")


class FieldResolver:
    """Resolves the fields of one packet table; what is wrong goes to `errors`, and it goes on.

    Args:
        document: where the packet was read.
        path: of its table.
        packet: the table as a struct.
        order: byte order when the packet states none.
        errors: takes what is wrong.
    """

    def __init__(
        self,
        document: Document,
        path: Path,
        packet: Packet,
        order: str | None,
        errors: list[DescriptionError],
    ) -> None:
        self.document = document
        self.path = path
        self.packet = packet
        self.order = packet.order or order
        self.errors = errors
        self.names: list[str] = []  # Layout.paths
        self.ordinals: dict[str, int] = {}

    def wrong(self, path: Path, message: str, mend: str = "") -> None:
        """Note an error at a path of the document."""
        self.errors.append(self.document.error(path, message, mend))

    def named(self, path: str) -> int:
        """The index of a new path."""
        self.names.append(path)
        return len(self.names) - 1

    def keys_fit(self, field: Field, here: Path) -> bool:
        """Whether the type is known and every key goes with it."""
        kind = "int" if INTEGER_TYPE.fullmatch(field.type) else field.type
        if kind not in _KEYS:
            hint = closest_hint(field.type, ["u8", "u16", "u32", "i16", *TYPES], "types")
            if field.type[:1] in ("u", "i") and field.type[1:].isdigit():
                hint = (
                    "Integers have whole bytes, 8 to 64 bits; other widths are bits of a wider one."
                )
            self.wrong((*here, "type"), f"unknown type {field.type!r}", hint)
            return False
        written: dict[str, Any] = self.document.at(here)
        good = True
        for key in written:
            if key not in _KEYS[kind] | {"name", "type", "note"}:
                known = ["name", "type", *sorted(_KEYS[kind]), "note"]
                words = f"{key!r} does not go with type {field.type!r}"
                self.wrong((*here, key), words, closest_hint(key, known))
                good = False
        return good

    def field(self, field: Field, here: Path, ordinal: int, inside: str = "") -> Leaf | Varying:
        """One field; its place in a fixed part is filled in later."""
        index = self.named(inside + field.name)
        if INTEGER_TYPE.fullmatch(field.type):
            return self._integer(field, here, ordinal, index, inside)
        if field.type == "repeat":
            return self._repeat(field, here, ordinal, index, inside)
        leaf = Leaf(field.name, index, ordinal, field.type, size=field.length or 0)
        if field.type == "sync":
            constant = self._constant(field, here)
            if not (field.bytes or field.text):
                self.wrong(here, "a sync field needs bytes or text")
            return replace(leaf, constant=constant, size=len(constant))
        if field.type == "check":
            return self._check(field, here, leaf, inside)
        if field.type in ("bytes", "text"):
            leaf = replace(leaf, constant=self._constant(field, here) or None)
            if leaf.constant is not None and field.until is None:
                leaf = replace(leaf, size=len(leaf.constant))
        else:
            leaf = replace(leaf, number=self._number(field, here, whole=False))
        if field.until is not None and (field.length is not None or ord(field.until) > 0x7F):
            self.wrong((*here, "until"), "until is one ASCII character, without length")
        if leaf.size or (field.until is None and inside):
            if not leaf.size:
                self.wrong(here, f"{field.name!r} inside a repeat needs a length")
            return leaf
        if inside:
            self.wrong((*here, "until"), "fields inside a repeat have fixed sizes")
        closing = None if field.until is None else ord(field.until) & 0xFF
        return Varying(field.name, index, ordinal, leaf, None, until=closing)

    def _constant(self, field: Field, here: Path) -> bytes:
        """The constant of a sync, bytes or text field; empty when there is none or it is wrong."""
        hexed = field.bytes if field.type == "sync" else field.constant
        if field.type == "text" or (field.type == "sync" and field.text is not None):
            hexed, text = None, field.text if field.type == "sync" else field.constant
            if text is None:
                return b""
            constant = str(text).encode()
        else:
            if hexed is None:
                return b""
            try:
                constant = bytes.fromhex(hexed if isinstance(hexed, str) else "?")
            except ValueError:
                key = "bytes" if field.type == "sync" else "constant"
                self.wrong((*here, key), f"{hexed!r} is not bytes in hex", 'Write "A5 5A".')
                return b""
        if field.length is not None and field.length != len(constant):
            self.wrong((*here, "length"), f"the constant has {len(constant)} bytes")
        return constant

    def _integer(self, field: Field, here: Path, ordinal: int, index: int, inside: str) -> Leaf:
        size = int(field.type[1:]) // 8
        order = field.order or self.order
        if order is None and size > 1:
            self.wrong(
                here,
                f"{field.name!r} has {size} bytes and no byte order",
                'Add order = "big" or order = "little", here or to the packet.',
            )
        if inside and (field.length_of is not None or field.count_of is not None):
            self.wrong(here, "a field inside a repeat cannot count others")
        bits = self._bits(field, here, 8 * size, inside + field.name)
        number = self._number(field, here, signed=field.type[0] == "i", width=8 * size)
        return Leaf(
            field.name,
            index,
            ordinal,
            "int",
            size=size,
            big=order != "little",
            signed=field.type[0] == "i",
            number=number,
            bits=bits,
        )

    def _bits(self, field: Field, here: Path, size: int, name: str) -> tuple[Bits, ...]:
        found: list[Bits] = []
        taken = 0
        for place, bit in enumerate(field.bits or []):
            at = (*here, "bits", place)
            mask = ((1 << bit.width) - 1) << bit.at
            if bit.at + bit.width > size:
                self.wrong(at, f"{bit.name!r} does not fit in {size} bits")
            elif mask & taken:
                self.wrong(at, f"{bit.name!r} overlaps other bits")
            elif bit.name in [other.name for other in found]:
                self.wrong(at, f"two bits named {bit.name!r}")
            taken |= mask
            number = self._number(bit, at, signed=bit.signed, width=bit.width)
            index = self.named(f"{name}.{bit.name}")
            found.append(Bits(bit.name, index, bit.at, bit.width, bit.signed, number))
        return tuple(found)

    def _number(
        self,
        field: Field | BitField,
        here: Path,
        *,
        signed: bool = False,
        width: int = 64,
        whole: bool = True,
    ) -> Number:
        scale = None if field.scale is None else float(field.scale)
        offset = None if field.offset is None else float(field.offset)
        low, high = field.min, field.max
        if low is not None and high is not None and low > high:
            self.wrong((*here, "max"), f"max {high} is below min {low}")
        for key, limit in (("min", low), ("max", high), ("scale", scale), ("offset", offset)):
            if limit is not None and not math.isfinite(limit):
                self.wrong((*here, key), f"{key} is not a finite number")
        if scale == 0:
            self.wrong((*here, "scale"), "scale is 0")
        if whole and scale is None and offset is None:  # exact, whatever the width
            low = math.ceil(low) if low is not None and math.isfinite(low) else None
            high = math.floor(high) if high is not None and math.isfinite(high) else None
        constant = field.constant if isinstance(field.constant, int) else None
        if whole and field.constant is not None and constant is None:
            self.wrong((*here, "constant"), "the constant of an integer is a whole number")
        names: dict[int, str] = {}
        least = -(1 << width - 1) if signed else 0
        most = least + (1 << width) - 1
        for name, value in (field.values or {}).items():
            if value in names:
                self.wrong((*here, "values", name), f"{names[value]!r} has the same value {value}")
            if not least <= value <= most:
                self.wrong((*here, "values", name), f"{value} does not fit in {width} bits")
            names[value] = name
        if constant is not None and not least <= constant <= most:
            self.wrong((*here, "constant"), f"{constant} does not fit in {width} bits")
        return Number(constant, names or None, scale, offset, field.unit, low, high)

    def _repeat(self, field: Field, here: Path, ordinal: int, index: int, inside: str) -> Varying:
        leaves: list[Leaf] = []
        size = 0
        if inside:
            self.wrong(here, "a repeat cannot stand inside a repeat")
        if not field.field:
            self.wrong(here, f"repeat {field.name!r} has no field")
        names: list[str] = []
        for place, item in enumerate(field.field or []):
            at = (*here, "field", place)
            if item.name in names:
                self.wrong((*at, "name"), f"two fields named {item.name!r}")
            names.append(item.name)
            if not self.keys_fit(item, at):
                continue
            leaf = self.field(item, at, ordinal, f"{inside}{field.name}.")
            if isinstance(leaf, Leaf):
                leaves.append(replace(leaf, at=size))
                size += leaf.size
        items = Fixed(tuple(leaves), size)
        whole = None if field.times is None else field.times * size
        return Varying(field.name, index, ordinal, None, items, size=whole)

    def _check(self, field: Field, here: Path, leaf: Leaf, inside: str) -> Leaf:
        if inside:
            self.wrong(here, "a check code cannot stand inside a repeat")
        code = self._code(field, here)
        first, last, wire = self._span(field, here, leaf.ordinal)
        order = field.order or self.order
        in_hex = field.written == "hex"
        if order is None and code.width_bytes > 1 and not in_hex:
            self.wrong(here, f"{field.name!r} has {code.width_bytes} bytes and no byte order")
        size = code.width_bytes * (2 if in_hex else 1)
        check = Check(code, first, last, wire, in_hex)
        return replace(leaf, size=size, big=order != "little" or in_hex, check=check)

    def _code(self, field: Field, here: Path) -> CheckCode:
        at = (*here, "check")
        try:
            if isinstance(field.check, CrcParameters):
                crc = field.check
                return check_code(
                    width=crc.width,
                    poly=crc.poly,
                    init=crc.init,
                    refin=crc.refin,
                    refout=crc.refout,
                    xorout=crc.xorout,
                )
            if field.check is not None:
                return check_code(field.check)
            self.wrong(here, f"check field {field.name!r} has no 'check'", 'Add check = "sum8".')
        except DescriptionError as error:
            self.wrong(at, error.message, error.mend)
        return check_code("sum8")

    def _span(self, field: Field, here: Path, ordinal: int) -> tuple[int, int, bool]:
        """First and last field covered, and whether the wire before them is."""
        if field.over in (None, *SPAN_WORDS):
            if field.over == "wire" and (self.packet.framing or "transaction") != "transaction":
                self.wrong((*here, "over"), 'over = "wire" needs framing = "transaction"')
            return 0, ordinal - 1, field.over == "wire"
        first, last = self.from_to(field.over, (*here, "over"))
        if first <= ordinal <= last:
            self.wrong((*here, "over"), "a check code cannot cover itself")
        return first, last, False

    def from_to(self, written: str | list[str] | None, here: Path) -> tuple[int, int]:
        """Ordinals of the first and last field named; 0 and -1 when they are wrong."""
        names = [written] if isinstance(written, str) else list(written or [])
        for name in names:
            if name not in self.ordinals:
                hint = closest_hint(name, self.ordinals, "fields")
                self.wrong(here, f"no field named {name!r} in this packet", hint)
                return 0, -1
        if not 1 <= len(names) <= 2:
            self.wrong(here, "name one field, or the first and the last")
            return 0, -1
        first, last = self.ordinals[names[0]], self.ordinals[names[-1]]
        if first > last:
            self.wrong(here, f"{names[0]!r} comes after {names[-1]!r}")
        return first, last
