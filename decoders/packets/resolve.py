"""From written packet descriptions to packet sets; everything wrong is told with its line."""

from __future__ import annotations

import math
from collections.abc import Sequence
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
    PacketFile,
    duration_ns,
)
from decoders.packets.layout import (
    Bits,
    Check,
    Driver,
    Fixed,
    Layout,
    Leaf,
    Measure,
    Number,
    PacketKind,
    PacketSet,
    Varying,
)
from decoders.toml_lines import Document, as_one, closest_hint, parse
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
_SPAN_WORDS = ("before", "wire")


def read_packets(text: str | bytes, name: str) -> PacketSet:
    """The packet set of a description file.

    Raises:
        DescriptionError: everything wrong, with file, line and mend.
    """
    document = parse(text, name)
    written = document.convert((), PacketFile)
    return packets_in(document, ("packet",), written.packet, written.order, written.framing)


def packets_in(
    document: Document,
    path: Path,
    packets: Sequence[Packet],
    order: str | None = None,
    framing: str | None = None,
) -> PacketSet:
    """The packet set of packet tables that stand at `path` of a document.

    Args:
        document: where they were read, for the lines of errors.
        path: of the array of tables, e.g. `("device", 0, "packet")`.
        packets: the tables as structs.
        order: byte order of packets that state none.
        framing: framing of packets that state none.

    Raises:
        DescriptionError: everything wrong, with file, line and mend.
    """
    errors: list[DescriptionError] = []
    kinds: list[PacketKind] = []
    for number, packet in enumerate(packets):
        resolver = _Resolver(document, (*path, number), packet, order, errors)
        kinds += resolver.kinds(framing or "transaction")
    if not packets:
        errors.append(document.error(path, "no packet is described", "Add a [[packet]] table."))
    if not errors:
        _check_set(document, path, packets, kinds, errors)
    if errors:
        raise as_one(errors)
    return PacketSet(tuple(kinds))


def _check_set(
    document: Document,
    path: Path,
    packets: Sequence[Packet],
    kinds: Sequence[PacketKind],
    errors: list[DescriptionError],
) -> None:
    """What only the whole set shows: names, answers, one framing for each direction."""
    by_name = {kind.name: kind for kind in kinds}
    for number, packet in enumerate(packets):
        here = (*path, number)
        if packet.name in [earlier.name for earlier in packets[:number]]:
            errors.append(document.error((*here, "name"), f"two packets named {packet.name!r}"))
        if packet.answers is not None and packet.answers not in by_name:
            errors.append(
                document.error(
                    (*here, "answers"),
                    f"no packet named {packet.answers!r}",
                    closest_hint(packet.answers, by_name, "packets"),
                )
            )
            continue
        kind = by_name[packet.name]
        for name in packet.same:
            fields = [k.layout.fields for k in (kind, by_name.get(kind.answers)) if k is not None]
            if len(fields) < 2 or not all(_has_integer(each, name) for each in fields):
                words = f"{name!r} is not an integer field of this packet and of what it answers"
                errors.append(document.error((*here, "same"), words))
    for way in ("write", "read"):
        framings = {k.framing for k in kinds if k.direction in ("any", way)}
        if len(framings) > 1:
            words = f"packets of direction {way} have different framings: "
            errors.append(document.error(path, words + ", ".join(sorted(framings))))


def _has_integer(fields: Sequence[Leaf | Varying], name: str) -> bool:
    return any(isinstance(f, Leaf) and f.type == "int" and f.name == name for f in fields)


class _Resolver:
    """Resolves one packet table; what is wrong goes to `errors`, and it goes on."""

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
        self.errors.append(self.document.error(path, message, mend))

    def kinds(self, framing: str) -> list[PacketKind]:
        """The kind, after the kind of its register number's own write when it has one."""
        packet = self.packet
        layout = self.layout()
        framing = packet.framing or framing
        register = b""
        if packet.register is not None:
            register = packet.register.to_bytes(packet.register_bits // 8, "big")
            if framing != "transaction":
                self.wrong((*self.path, "register"), "register needs framing = transaction")
            if packet.direction == "any":
                self.wrong((*self.path, "register"), "register needs direction = read or write")
        if framing == "stream":
            self._check_stream(layout)
        asks = bool(register) and packet.direction == "read"
        answers = packet.answers or (f"{packet.name}?" if asks else "")
        kind = PacketKind(
            packet.name,
            packet.direction,
            framing,
            layout,
            register,
            answers,
            None if packet.within is None else duration_ns(packet.within, "within"),
            tuple(packet.same),
            packet.pad,
            packet.note,
        )
        return [_register_write(f"{packet.name}?", register), kind] if asks else [kind]

    def _check_stream(self, layout: Layout) -> None:
        first = layout.fields[0] if layout.fields else None
        if not (isinstance(first, Leaf) and first.type == "sync"):
            self.wrong(self.path, "a packet in a stream must begin with a sync field")
        if not layout.knows_its_end:
            self.wrong(
                self.path,
                "a packet in a stream must tell its own end",
                "Give its varying field a length_of or count_of field, a length or times.",
            )

    # --- fields ---

    def layout(self) -> Layout:
        fields = self.packet.field
        base = (*self.path, "field")
        if not fields:
            self.wrong(self.path, f"packet {self.packet.name!r} has no field")
        for ordinal, field in enumerate(fields):
            if field.name in self.ordinals or field.name in _SPAN_WORDS:
                self.wrong((*base, ordinal, "name"), f"field name {field.name!r} is taken")
            self.ordinals.setdefault(field.name, ordinal)
        resolved: list[Leaf | Varying] = []
        for ordinal, field in enumerate(fields):
            here = (*base, ordinal)
            if self._keys_fit(field, here):
                resolved.append(self._field(field, here, ordinal))
            else:  # a stand-in, so that all other fields are looked at too
                resolved.append(Leaf(field.name, self._named(field.name), ordinal, "bytes"))
        lengths = self._measures("length_of", resolved)
        counts = self._measures("count_of", resolved)
        resolved = self._driven(resolved, lengths, counts)
        resolved = self._tailed(resolved)
        parts = _parts(resolved)
        placed = {leaf.ordinal: leaf for p in parts if isinstance(p, Fixed) for leaf in p.leaves}
        fields_placed = tuple(placed.get(f.ordinal, f) for f in resolved)
        return Layout(parts, tuple(self.names), fields_placed, tuple(lengths), tuple(counts))

    def _named(self, path: str) -> int:
        self.names.append(path)
        return len(self.names) - 1

    def _keys_fit(self, field: Field, here: Path) -> bool:
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

    def _field(self, field: Field, here: Path, ordinal: int, inside: str = "") -> Leaf | Varying:
        """One field; its place in a fixed part is filled in later."""
        index = self._named(inside + field.name)
        if INTEGER_TYPE.fullmatch(field.type):
            return self._integer(field, here, ordinal, index, inside)
        if field.type == "repeat":
            return self._repeat(field, here, ordinal, index, inside)
        leaf = Leaf(field.name, index, ordinal, field.type, size=field.length or 0)
        if field.type == "sync":
            constant = self._constant(field, here)
            if not constant:
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
            index = self._named(f"{name}.{bit.name}")
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
            if not self._keys_fit(item, at):
                continue
            leaf = self._field(item, at, ordinal, f"{inside}{field.name}.")
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
        if field.over in (None, *_SPAN_WORDS):
            if field.over == "wire" and (self.packet.framing or "transaction") != "transaction":
                self.wrong((*here, "over"), 'over = "wire" needs framing = "transaction"')
            return 0, ordinal - 1, field.over == "wire"
        first, last = self._from_to(field.over, (*here, "over"))
        if first <= ordinal <= last:
            self.wrong((*here, "over"), "a check code cannot cover itself")
        return first, last, False

    def _from_to(self, written: str | list[str] | None, here: Path) -> tuple[int, int]:
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

    # --- sizes ---

    def _measures(self, key: str, resolved: list[Leaf | Varying]) -> list[Measure]:
        found = []
        for ordinal, field in enumerate(self.packet.field):
            written = field.length_of if key == "length_of" else field.count_of
            here = (*self.path, "field", ordinal, key)
            if written is None:
                continue
            if not field.type.startswith("u"):
                self.wrong(here, f"{key} needs an unsigned integer")
                continue
            first, last = self._from_to(written, here)
            if first > last:
                continue
            if key == "count_of":
                counted = resolved[first]
                if not (isinstance(counted, Varying) and counted.items):
                    self.wrong(here, "count_of names one repeat")
                    continue
            found.append(Measure(ordinal, first, last, field.plus or 0))
        return found

    def _driven(
        self,
        resolved: list[Leaf | Varying],
        lengths: list[Measure],
        counts: list[Measure],
    ) -> list[Leaf | Varying]:
        """Tell each open varying field which length or count field gives its size."""
        for measure in lengths:
            span = resolved[measure.first : measure.last + 1]
            open_fields = [f for f in span if isinstance(f, Varying) and _is_open(f)]
            others = sum((f.size or 0) for f in span)
            sized_by_text = any(isinstance(f, Varying) and f.until is not None for f in span)
            if len(open_fields) != 1 or sized_by_text:
                continue  # it drives nothing; it is still compared with what is found
            target = open_fields[0]
            if measure.ordinal < target.ordinal:
                driver = Driver(measure.ordinal, others + measure.plus)
                resolved[target.ordinal] = replace(target, length_by=driver)
        for measure in counts:
            counted = resolved[measure.first]
            if isinstance(counted, Varying) and _is_open(counted):
                if measure.ordinal > counted.ordinal:
                    here = (*self.path, "field", measure.ordinal, "count_of")
                    self.wrong(here, "a count must come before what it counts")
                driver = Driver(measure.ordinal, measure.plus)
                resolved[counted.ordinal] = replace(counted, count_by=driver)
        return resolved

    def _tailed(self, resolved: list[Leaf | Varying]) -> list[Leaf | Varying]:
        """The one field that takes what there is leaves over the fixed fields after it."""
        open_ones = [f for f in resolved if isinstance(f, Varying) and _is_open(f)]
        for field in open_ones:
            after = resolved[field.ordinal + 1 :]
            if any(f.size is None for f in after if isinstance(f, Varying)):
                self.wrong(
                    (*self.path, "field", field.ordinal),
                    f"nothing tells where {field.name!r} ends",
                    "Give it a length, times, until, or a length_of or count_of field before it.",
                )
            tail = sum((f.size or 0) for f in after)
            resolved[field.ordinal] = replace(field, tail=tail)
        return resolved


def _is_open(field: Varying) -> bool:
    return (
        field.size is None
        and field.until is None
        and field.length_by is None
        and field.count_by is None
    )


def _parts(resolved: Sequence[Leaf | Varying]) -> tuple[Fixed | Varying, ...]:
    """Neighbouring fixed fields as one part, each at its place."""
    parts: list[Fixed | Varying] = []
    for field in resolved:
        if isinstance(field, Varying):
            parts.append(field)
            continue
        if not parts or isinstance(parts[-1], Varying):
            parts.append(Fixed((), 0))
        last = parts[-1]
        if isinstance(last, Fixed):
            placed = replace(field, at=last.size)
            parts[-1] = Fixed((*last.leaves, placed), last.size + field.size)
    return tuple(parts)


def _register_write(name: str, register: bytes) -> PacketKind:
    """The write of nothing but a register number."""
    number = Number(constant=int.from_bytes(register, "big"))
    leaf = Leaf("register", 0, 0, "int", size=len(register), number=number)
    layout = Layout((Fixed((leaf,), len(register)),), ("register",), (leaf,), (), ())
    return PacketKind(name, "write", "transaction", layout, alone=True)
