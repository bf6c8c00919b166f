"""The layout of one kind of packet: what its description says, resolved, as both compilers take it.

A packet is a row of parts: fixed parts (fields whose place in the part never changes) and varying
parts (one field each, of a size that another field, a closing character or the end of the row
tells). Both compilers read a row of bytes by the same rules:

- A cursor starts at the first byte. Fixed fields move it by their size; the first field that does
  not fit in the row is `short`, and it and all after it are missing.
- A varying field has the size that its length field says (less the other bytes which that length
  counts), else its count times the item, else all up to its closing character, else all that the
  fixed fields after it leave. A size below zero is taken as zero; of a field that does not fit,
  what there is belongs to it, it is `short`, and all after it are missing.
- A repeat holds whole items; bytes over are a `length` problem.
- When nothing is missing, bytes after the last field are `trailing`, unless all are the `pad`
  byte. A field that tells the size of a field that is short, or of any field when bytes are
  trailing, may be what is wrong: it is named as well.
- Then every length and count field is compared with what was found, and constants, names, ranges
  and check codes are judged where their fields are there.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

from decoders.checkcodes import CheckCode

# Bit of a packet's `problems` -> word. Append only: stored runs hold the bits.
PROBLEMS = (
    "sync",  # it does not begin with its sync
    "constant",  # a constant has another value
    "length",  # a length field does not fit what it counts, or items are not whole
    "count",  # a count field does not fit what it counts
    "enum",  # a value without a name, where all have one
    "range",  # a value outside its limits
    "text",  # not a number in ASCII digits
    "check-code",  # received and computed check code differ
    "short",  # it ends before its last field
    "trailing",  # bytes follow its last field
    "filler",  # nothing but FF or 00: nobody drove the bus, or nobody filled the buffer
    "junk",  # bytes of a stream that belong to no packet
    "unknown",  # it fits none of the kinds described
    "nack",  # a byte of it was not acknowledged by its receiver
    "cut",  # what was observed begins or ends inside it
    "pec",  # the SMBus packet error code of its transaction is wrong
)
BIT = {word: 1 << bit for bit, word in enumerate(PROBLEMS)}


@dataclass(frozen=True, slots=True)
class Number:
    """How a number is shown and judged."""

    constant: int | None = None
    names: Mapping[int, str] | None = None  # value -> name
    scale: float | None = None
    offset: float | None = None
    unit: str = ""
    low: int | float | None = None  # of the shown value; both ends are allowed
    high: int | float | None = None

    @property
    def is_scaled(self) -> bool:
        """Whether the shown value is a float made from the number."""
        return self.scale is not None or self.offset is not None

    def shown(self, value: float) -> float:
        """The number in its unit."""
        if not self.is_scaled:
            return value
        return value * (1.0 if self.scale is None else self.scale) + (self.offset or 0.0)


@dataclass(frozen=True, slots=True)
class Bits:
    """Some bits of an integer field."""

    name: str
    index: int  # into Layout.paths
    at: int
    width: int
    signed: bool
    number: Number


@dataclass(frozen=True, slots=True)
class Check:
    """What a check field carries."""

    code: CheckCode
    first: int  # ordinals of the first and last field covered; 0 and -1: nothing but the wire
    last: int
    wire: bool  # the address bytes before it are covered too
    in_hex: bool  # two ASCII digits a byte


@dataclass(frozen=True, slots=True)
class Leaf:
    """A field that holds a value."""

    name: str
    index: int  # into Layout.paths
    ordinal: int  # place among the fields of the packet; inside a repeat, the repeat's
    type: str  # int, sync, bytes, text, decimal, hex, check
    at: int = 0  # offset in its fixed part or item
    size: int = 0  # bytes; 0 in a varying part
    big: bool = True
    signed: bool = False
    number: Number = Number()
    bits: tuple[Bits, ...] = ()
    constant: bytes | None = None  # of sync, bytes and text
    check: Check | None = None


@dataclass(frozen=True, slots=True)
class Fixed:
    """Fields that lie one after another at fixed places."""

    leaves: tuple[Leaf, ...]
    size: int


@dataclass(frozen=True, slots=True)
class Driver:
    """The integer field that tells a size: value - minus bytes (or items)."""

    ordinal: int
    minus: int


@dataclass(frozen=True, slots=True)
class Varying:
    """One field whose size is told by something else."""

    name: str
    index: int
    ordinal: int
    leaf: Leaf | None  # bytes, text, decimal or hex ...
    items: Fixed | None  # ... or the items of a repeat
    size: int | None = None  # a repeat of fixed times
    length_by: Driver | None = None
    count_by: Driver | None = None
    until: int | None = None  # closing byte, which belongs to no field
    tail: int = 0  # otherwise: bytes of the fixed fields after it, which it leaves over


@dataclass(frozen=True, slots=True)
class Measure:
    """A length or count field, and what it must agree with."""

    ordinal: int  # of the integer field
    first: int  # ordinals of the fields whose bytes (or items, first == last) it counts
    last: int
    plus: int


@dataclass(frozen=True, slots=True)
class Layout:
    """One kind of packet, resolved."""

    parts: tuple[Fixed | Varying, ...]
    paths: tuple[str, ...]  # dotted names of all fields, in order, for problems
    fields: tuple[Leaf | Varying, ...]  # by ordinal
    lengths: tuple[Measure, ...]
    counts: tuple[Measure, ...]

    @property
    def fixed_size(self) -> int | None:
        """Bytes of every whole packet, or None when they vary."""
        size = 0
        for part in self.parts:
            if part.size is None:
                return None
            size += part.size
        return size

    @property
    def knows_its_end(self) -> bool:
        """Whether the end of a packet follows from its own bytes."""
        return all(
            isinstance(part, Fixed)
            or part.size is not None
            or part.length_by is not None
            or part.count_by is not None
            or part.until is not None
            for part in self.parts
        )

    def marks(self) -> Iterator[tuple[int, Leaf, bytes]]:
        """Offset, field and bytes of every constant whose place is fixed: they tell the kind."""
        offset = 0
        for part in self.parts:
            if isinstance(part, Varying):
                if part.size is None:
                    return
            else:
                for leaf in part.leaves:
                    wanted = constant_bytes(leaf)
                    if wanted is not None:
                        yield offset + leaf.at, leaf, wanted
            offset += part.size or 0


def leaf_of(part: Leaf | Varying) -> Leaf:
    """The one value of a field that is no repeat.

    Raises:
        ValueError: if it is one.
    """
    leaf = part if isinstance(part, Leaf) else part.leaf
    if leaf is None:
        raise ValueError(f"{part.name!r} is a repeat")
    return leaf


def told_by(part: Leaf | Varying) -> tuple[str, int] | None:
    """The problem word and the ordinal of the field that tells a varying field's size."""
    if isinstance(part, Varying) and part.length_by is not None:
        return "length", part.length_by.ordinal
    if isinstance(part, Varying) and part.count_by is not None:
        return "count", part.count_by.ordinal
    return None


def constant_bytes(leaf: Leaf) -> bytes | None:
    """The bytes a constant field must have, or None if it is no constant."""
    if leaf.constant is not None:
        return leaf.constant
    if leaf.type == "int" and leaf.number.constant is not None:
        value = leaf.number.constant % (1 << 8 * leaf.size)
        return value.to_bytes(leaf.size, "big" if leaf.big else "little")
    return None


@dataclass(frozen=True, slots=True)
class PacketKind:
    """One kind of packet of a device."""

    name: str
    direction: str  # any, write, read
    framing: str
    layout: Layout
    register: bytes = b""  # the number written before it
    answers: str = ""
    within_ns: int | None = None
    same: tuple[str, ...] = ()
    pad: int | None = None
    note: str = ""
    alone: bool = False  # nothing but a register number: no longer write is of this kind


@dataclass(frozen=True, slots=True)
class PacketSet:
    """All kinds of packets of one device."""

    kinds: tuple[PacketKind, ...]

    def kind(self, name: str) -> PacketKind:
        """The kind of a name.

        Raises:
            KeyError: if there is none.
        """
        for kind in self.kinds:
            if kind.name == name:
                return kind
        raise KeyError(name)

    def of_direction(self, *, read: bool) -> tuple[int, ...]:
        """Indices of the kinds that go this way."""
        way = "read" if read else "write"
        return tuple(k for k, kind in enumerate(self.kinds) if kind.direction in ("any", way))

    def framing(self, *, read: bool) -> str:
        """How the bytes of one direction are cut into packets."""
        ways = self.of_direction(read=read)
        return self.kinds[ways[0]].framing if ways else "transaction"
