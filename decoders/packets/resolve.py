"""From written packet descriptions to packet sets; everything wrong is told with its line."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from decoders.durations import duration_ns
from decoders.errors import DescriptionError
from decoders.packets.description import (
    Packet,
    PacketFile,
)
from decoders.packets.layout import (
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
from decoders.packets.resolve_fields import SPAN_WORDS, FieldResolver
from decoders.toml_lines import Document, as_one, closest_hint, parse
from decoders.toml_scan import Path


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


class _Resolver(FieldResolver):
    """Resolves one packet table; what is wrong goes to `errors`, and it goes on."""

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
            None if packet.within is None else duration_ns(packet.within),
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
            if field.name in self.ordinals or field.name in SPAN_WORDS:
                self.wrong((*base, ordinal, "name"), f"field name {field.name!r} is taken")
            self.ordinals.setdefault(field.name, ordinal)
        resolved: list[Leaf | Varying] = []
        for ordinal, field in enumerate(fields):
            here = (*base, ordinal)
            if self.keys_fit(field, here):
                resolved.append(self.field(field, here, ordinal))
            else:  # a stand-in, so that all other fields are looked at too
                resolved.append(Leaf(field.name, self.named(field.name), ordinal, "bytes"))
        lengths = self._measures("length_of", resolved)
        counts = self._measures("count_of", resolved)
        resolved = self._driven(resolved, lengths, counts)
        resolved = self._tailed(resolved)
        parts = _parts(resolved)
        placed = {leaf.ordinal: leaf for p in parts if isinstance(p, Fixed) for leaf in p.leaves}
        fields_placed = tuple(placed.get(f.ordinal, f) for f in resolved)
        return Layout(parts, tuple(self.names), fields_placed, tuple(lengths), tuple(counts))

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
            first, last = self.from_to(written, here)
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
