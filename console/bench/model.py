r"""The bench file: what is being watched. Structs with the keys of the file; every one is optional.

    [bench]
    name = "cap line"
    axis = "wire"                  # the source whose clock is the common axis

    [[source]]
    name = "wire"
    kind = "capture"               # capture, prints or messages
    path = "wire.csv.gz"           # relative to the bench file
    threshold_volts = 1.4          # of a capture in volts
    sample_rate_hz = 8_000_000     # of a capture that only numbers its samples

    [[source]]
    name = "controller"
    kind = "prints"
    path = "controller.log"
    line = '^\[(?P<ms>\d+)\] (?P<text>.*)$'   # groups: s ms us time level text; others: fields
    tick_bits = 32                 # the firmware's stamp rolls over after so many bits
    offset = "+12.5s"              # common axis = its own time + offset + drift
    drift_ppm = 20.0

    [[source]]
    name = "broker"
    kind = "messages"
    path = "broker.jsonl"

    [[bus]]
    name = "i2c-1"
    source = "wire"
    scl = "ch1"
    sda = "ch2"

    [[device]]
    name = "camera"
    bus = "i2c-1"
    address = 0x2E
    packets = "camera.packets.toml"    # relative; or [[device.packet]] tables
    pec = false                        # SMBus packet error code on its transactions
    party = "camera"                   # the column it stands in; its name if left out

    [[mark]]                           # two marks of one name are the same moments
    name = "beacon"
    source = "wire"
    line = "ch4"                       # or, of prints and messages: where = "text LIKE 'beacon%'"
    edge = "rise"

    [[rule]]                           # see rules.py
    kind = "stops-answering"
    device = "camera"

For recording, a serial source has `port` and `baud` and a message source `host`, `port`, `topics`,
`username` and `password_env` (no secret stands here: it names the environment variable that holds
one); such a source needs no `path`.
"""

from __future__ import annotations

from typing import Annotated, Literal

import msgspec

from console.bench.rules import Rule
from decoders.durations import duration_ns
from decoders.packets.description import Packet

Name = Annotated[str, msgspec.Meta(min_length=1)]
Above0 = Annotated[float, msgspec.Meta(gt=0)]


class About(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """The `[bench]` table."""

    name: str = "bench"
    axis: str | None = None  # a source; None: the program chooses
    note: str = ""


class _Clocked(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """What every source has: a name, and a clock that may be told."""

    name: Name
    path: str | None = None  # relative to the bench file, as written; absolute once it is read
    offset: str | None = None
    drift_ppm: float = 0.0
    party: str = ""  # its column of the timeline; its name if empty

    def __post_init__(self) -> None:
        try:
            _ = self.offset_ns
        except ValueError as error:
            raise ValueError(f"offset: {error}") from None
        if abs(self.drift_ppm) > 100_000:
            raise ValueError("drift_ppm: is more than a tenth; no clock drifts so much")

    @property
    def offset_ns(self) -> int | None:
        """What to add to its times; None when it is not told."""
        return None if self.offset is None else duration_ns(self.offset, signed=True)


class CaptureSource(_Clocked, frozen=True, kw_only=True, tag_field="kind", tag="capture"):
    """A level capture."""

    threshold_volts: float | None = None
    sample_rate_hz: Above0 | None = None


class PrintsSource(_Clocked, frozen=True, kw_only=True, tag_field="kind", tag="prints"):
    """A serial log, or the port it comes from."""

    line: str | None = None
    tick_bits: Annotated[int, msgspec.Meta(ge=8, le=64)] | None = None
    port: str | None = None
    baud: Annotated[int, msgspec.Meta(ge=1)] | None = None


class MessagesSource(_Clocked, frozen=True, kw_only=True, tag_field="kind", tag="messages"):
    """A recording of MQTT messages, or the broker they come from."""

    host: str | None = None
    port: Annotated[int, msgspec.Meta(ge=1, le=65535)] = 1883
    topics: list[str] = []  # none: all
    username: str | None = None
    password_env: str | None = None


Source = CaptureSource | PrintsSource | MessagesSource


class Bus(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """Two lines of a capture."""

    name: Name
    source: str
    scl: Name
    sda: Name
    kind: Literal["i2c"] = "i2c"
    spike_ns: Annotated[int, msgspec.Meta(ge=0, le=1_000_000)] = 50
    held_ms: Above0 = 25.0  # a line held low for longer is told

    @property
    def held_ns(self) -> int:
        """`held_ms` in ns."""
        return round(self.held_ms * 1e6)


class Device(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """A target on a bus."""

    name: Name
    bus: str
    address: Annotated[int, msgspec.Meta(ge=0, le=0x3FF)]
    address_bits: Literal[7, 10] = 7
    pec: bool = False
    packets: str | None = None
    packet: list[Packet] = []
    party: str = ""
    note: str = ""

    def __post_init__(self) -> None:
        if self.address_bits == 7 and self.address > 0x7F:
            shifted = ""
            if self.address <= 0xFF:
                shifted = f"; {self.address:#04x} as a byte with the R/W bit is address "
                shifted += f"{self.address >> 1:#04x}"
            raise ValueError(f"address: {self.address:#04x} does not fit in 7 bits{shifted}")


class Mark(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """Events of a source that are, one by one, the moments of other marks of the same name.

    A pulse that the board gives and prints, say: one mark on the capture's line, one on the log.
    """

    name: Name
    source: str
    line: str | None = None  # of a capture
    edge: Literal["rise", "fall"] = "rise"
    where: str = ""  # of prints or messages: an SQL condition on the table's columns

    def __post_init__(self) -> None:
        if (self.line is None) == (not self.where):
            raise ValueError("needs either line (of a capture) or where (of prints or messages)")


class Bench(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """A whole bench file; without anything, what loose files are watched with."""

    about: About = msgspec.field(name="bench", default_factory=About)
    sources: list[Source] = msgspec.field(name="source", default_factory=list)
    buses: list[Bus] = msgspec.field(name="bus", default_factory=list)
    devices: list[Device] = msgspec.field(name="device", default_factory=list)
    marks: list[Mark] = msgspec.field(name="mark", default_factory=list)
    rules: list[Rule] = msgspec.field(name="rule", default_factory=list)

    @property
    def name(self) -> str:
        """What the bench is called."""
        return self.about.name
