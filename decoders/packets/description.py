"""The packet description: what a device's packets look like, written in TOML.

A description stands in a file of its own (`[[packet]]` tables) or in the bench file, below its
device (`[[device.packet]]` tables, the same keys). A whole example, an invented camera that is
asked with one write and answers in one or several reads:

    order = "big"                   # of integers wider than a byte that say nothing themselves

    [[packet]]
    name = "ask"
    direction = "write"
    field = [
      { name = "sync", type = "sync", bytes = "A5 5A" },
      { name = "kind", type = "u8", constant = 0x30 },
      { name = "length", type = "u8", length_of = ["colours", "most"] },
      { name = "colours", type = "u8" },
      { name = "most", type = "u8", min = 1, max = 16 },
      { name = "sum", type = "check", check = "sum16", over = ["colours", "most"] },
    ]

    [[packet]]
    name = "blocks"
    direction = "read"
    framing = "stream"              # a driver may split one reply over several reads
    answers = "ask"
    within = "20ms"

    [[packet.field]]
    name = "sync"
    type = "sync"
    bytes = "A5 5A"

    [[packet.field]]
    name = "kind"
    type = "u8"
    constant = 0x31

    [[packet.field]]
    name = "length"
    type = "u8"
    length_of = ["sequence", "blocks"]

    [[packet.field]]
    name = "sequence"
    type = "u16"

    [[packet.field]]
    name = "blocks"
    type = "repeat"
    field = [
      { name = "colour", type = "u8", values = { red = 1, green = 2, blue = 3 } },
      { name = "x", type = "u16", max = 319, unit = "px" },
      { name = "y", type = "u16", max = 199, unit = "px" },
      { name = "w", type = "u8", min = 1 },
      { name = "h", type = "u8", min = 1 },
    ]

    [[packet.field]]
    name = "sum"
    type = "check"
    check = "sum16"
    over = ["sequence", "blocks"]

Keys of a file: `packet`, and the defaults `order` and `framing`.

Keys of a packet:

- `name`; `note` (free text).
- `direction`: `write` or `read` as the controller of the bus sees it, or `any` (the default).
- `framing`: `transaction` (the default): one transaction is one packet. `stream`: the bytes of
  many transactions, or of a serial line, cut by `sync` and the lengths inside; a transaction the
  other way ends what is incomplete. `lines`: text lines ended by CR, LF or both. All packets of
  one direction have the same framing.
- `order`: `big` or `little`, for its fields.
- `register`: the packet is what is written after this register number, or read when it was the
  last one written; `register_bits`: 8 (the default) or 16, sent high byte first. A write of
  nothing but the number is a packet of its own, named with a question mark (`level?`), which the
  read answers.
- `answers`: the request this packet answers; `within`: the time allowed from the start of the
  request to the start of the reply (`"20ms"`; units ns, us, ms, s, min, h); `same`: names of
  fields whose values must be equal in both.
- `pad`: value of filling bytes that may follow the packet in its transaction.
- `field`: the fields, in the order of the bytes.

Keys of a field: `name`, `type`, `note`, and what its type takes.

- `u8 u16 u24 u32 u40 u48 u56 u64`, `i8` ... `i64`: an integer; `order`; `constant`: the only right
  value; `values`: names of values, any other is a problem; `scale`, `offset`, `unit`: shown value
  = number * scale + offset; `min`, `max`: allowed range of the shown value; `length_of`: it counts
  the bytes of a field, or from one field to another (both included), plus `plus`; `count_of`: it
  counts the items of a repeat, plus `plus`; `bits`: fields inside the integer, each `name`, `at`
  (lowest bit; bit 0 is the integer's lowest), `width` (1 if left out), `signed`, and `constant`,
  `values`, `scale`, `offset`, `unit`, `min`, `max` as above. Integers of any other width are bits
  of the next wider one.
- `sync`: bytes that never change and begin a packet: `bytes = "A5 5A"` (hex) or `text = "$CAP"`.
- `bytes`, `text`: `length` in bytes, or `until` (one character, not part of the field), or
  neither: then a `length_of` counts it, or it takes what there is. `constant` (hex, or text) for a
  right value.
- `decimal`, `hex`: a number written in ASCII digits, at most 15 (`decimal`, with sign and point)
  or 16; `length`, `until`, `scale`, `offset`, `unit`, `min`, `max`.
- `repeat`: items of the same `field`s (fixed sizes, no repeat inside); `times`, or counted by a
  `count_of` or `length_of` field, or as many as there are.
- `check`: a check code; `check`: its name, or `{ width, poly, init, refin, refout, xorout }`;
  `over`: what it covers: a field, `[first, last]` (both included), `"before"` (all before it, the
  default) or `"wire"` (all before it on the bus with the address bytes, as an SMBus PEC); `order`;
  `written`: `binary` (the default) or `hex` (ASCII digits, high digit first).
"""

from __future__ import annotations

import re
from typing import Annotated, Literal

import msgspec

from decoders.durations import duration_ns

Order = Literal["big", "little"]
Framing = Literal["transaction", "stream", "lines"]
Direction = Literal["any", "write", "read"]
Positive = Annotated[int, msgspec.Meta(ge=1)]
Name = Annotated[str, msgspec.Meta(pattern=r"^[^\s.]+$")]  # a dot separates names in a path

INTEGER_TYPE = re.compile(r"([ui])(8|16|24|32|40|48|56|64)")
TYPES = ("sync", "bytes", "text", "decimal", "hex", "repeat", "check")


class CrcParameters(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """A CRC by the catalogue's parameters."""

    width: Annotated[int, msgspec.Meta(ge=8, le=32)]
    poly: Annotated[int, msgspec.Meta(ge=0)]
    init: Annotated[int, msgspec.Meta(ge=0)] = 0
    refin: bool = False
    refout: bool = False
    xorout: Annotated[int, msgspec.Meta(ge=0)] = 0


class BitField(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """Some bits of an integer field."""

    name: Name
    at: Annotated[int, msgspec.Meta(ge=0, le=63)]
    width: Annotated[int, msgspec.Meta(ge=1, le=64)] = 1
    signed: bool = False
    constant: int | None = None
    values: dict[str, int] | None = None
    scale: int | float | None = None
    offset: int | float | None = None
    unit: str = ""
    min: int | float | None = None
    max: int | float | None = None
    note: str = ""


class Field(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """One field of a packet, as it is written; which keys go with which type is checked later."""

    name: Name
    type: str
    order: Order | None = None
    constant: int | str | None = None
    length_of: str | list[str] | None = None
    count_of: str | None = None
    plus: int | None = None
    bits: list[BitField] | None = None
    values: dict[str, int] | None = None
    scale: int | float | None = None
    offset: int | float | None = None
    unit: str = ""
    min: int | float | None = None
    max: int | float | None = None
    bytes: str | None = None
    text: str | None = None
    length: Positive | None = None
    until: Annotated[str, msgspec.Meta(min_length=1, max_length=1)] | None = None
    times: Positive | None = None
    field: list[Field] | None = None
    check: str | CrcParameters | None = None
    over: str | list[str] | None = None
    written: Literal["binary", "hex"] | None = None
    note: str = ""


class Packet(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """One kind of packet, as it is written."""

    name: Name
    field: list[Field] = []
    direction: Direction = "any"
    framing: Framing | None = None
    order: Order | None = None
    register: Annotated[int, msgspec.Meta(ge=0, le=0xFFFF)] | None = None
    register_bits: Literal[8, 16] = 8
    answers: str | None = None
    within: str | None = None
    same: list[str] = []
    pad: Annotated[int, msgspec.Meta(ge=0, le=0xFF)] | None = None
    note: str = ""

    def __post_init__(self) -> None:
        if self.within is not None:
            try:
                duration_ns(self.within)
            except ValueError as error:
                raise ValueError(f"within: {error}") from None
        if self.register is not None and self.register >> self.register_bits:
            raise ValueError("register: does not fit in register_bits")


class PacketFile(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """A file of packet descriptions."""

    packet: list[Packet] = []
    order: Order | None = None
    framing: Framing | None = None
