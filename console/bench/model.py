r"""The bench file: what is being watched. Structs with the keys of the file; every one is optional.

    [bench]
    name = "cap line"
    axis = "wire"                  # the source whose clock is the common axis

    [[source]]
    name = "wire"
    kind = "capture"               # capture, prints, messages or network
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

    [[source]]
    name = "lan"
    kind = "network"               # MQTT on the wire, from a network capture (pcap, pcapng)
    path = "lan.pcapng"

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

    [[spi]]                            # and uart, pulse, servo, ranging: see lines.py
    name = "valves"
    source = "wire"
    sck = "ch3"
    mosi = "ch4"

    [[topic]]                          # see topic_schema.py
    filter = "capline/hopper/+"
    schema = "level.schema.json"       # JSON Schema its payloads must fit; relative, one file

    [[rule]]                           # see rules.py
    kind = "stops-answering"
    device = "camera"

A source to be recorded needs no `path`: a capture then has a folder, a serial source a port, a
message source a broker.

    [[source]]
    name = "wire"
    kind = "capture"
    folder = "exports"                 # watched; what is exported into it while recording joins
    pattern = "*.csv*"                 # of file names; all if left out
    still = "2s"                       # a file is complete when nothing of it changed for so long

    [[source]]
    name = "controller"
    kind = "prints"
    port = "/dev/serial/by-id/usb-cap-line"   # or COM3, socket://HOST:PORT, rfc2217://HOST:PORT
    baud = 115_200                     # left out: bytes have no pace of their own (USB, network)
    data_bits = 8                      # these are what is taken if left out
    parity = "none"                    # even, odd, mark, space
    stop_bits = 1
    dtr = false                        # true raises the line on opening, which resets many boards
    rts = false
    retry = ["500ms", "30s"]           # first and longest wait before it is tried again
    required = true                    # not to be opened at first: the command ends with exit 2

    [[source]]
    name = "broker"
    kind = "messages"
    host = "broker.capline.example"
    port = 8883                        # 1883 if left out, 8883 with tls
    protocol = "5"                     # "3.1.1" if left out
    topics = ["capline/#", { filter = "capline/caps/+", qos = 2 }]   # none: all
    qos = 1                            # of topics that name none; 0 if left out
    sys = true                         # `$SYS/#` too: what the broker says of itself
    username = "bench"
    password_env = "BROKER_PASSWORD"   # no secret stands here: this names the variable that has it
    tls = { ca_file = "ca.pem" }       # or true: the system's authorities. Always verified.
                                       # also cert_file, key_file, key_password_env: our own
    client_id = "capline-bench"        # made up if left out; of two with one id a broker drops one
    clean = false                      # take up the session kept under client_id
    session_expiry = "2h"              # of MQTT 5: how long the broker keeps it
    keepalive_s = 30                   # a broker that is silent for longer is gone
    retry = ["1s", "60s"]              # first and longest wait before it is tried again
    required = true                    # no connection at first: the command ends with exit code 2
"""

from __future__ import annotations

from typing import Annotated, Literal

import msgspec

from console.bench.broker import (
    PLAIN_PORT,
    TLS_PORT,
    Qos,
    Tls,
    Topic,
    retry_ns,
    session_expiry_s,
)
from console.bench.lines import Above0, Name, PulseLine, Ranging, Servo, Spi, Uart
from console.bench.rules import Rule
from console.bench.topic_schema import TopicSchema
from decoders.durations import duration_ns
from decoders.packets.description import Packet


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


def _tell(source: _Clocked, *derived: str) -> None:
    """Refuse what a property cannot be made of, by the key it stands under.

    Raises:
        ValueError: "key: what is wrong".
    """
    for name in derived:
        try:
            getattr(source, name)
        except ValueError as error:
            raise ValueError(f"{name.rpartition('_')[0]}: {error}") from None


class CaptureSource(_Clocked, frozen=True, kw_only=True, tag_field="kind", tag="capture"):
    """A level capture."""

    threshold_volts: float | None = None
    sample_rate_hz: Above0 | None = None
    folder: Name | None = None  # relative to the bench file, as written; absolute once it is read
    pattern: Name = "*"
    still: str = "2s"
    retry: tuple[str, str] = ("1s", "30s")
    required: bool = False

    def __post_init__(self) -> None:
        _Clocked.__post_init__(self)
        if "/" in self.pattern or "\\" in self.pattern:
            raise ValueError(f"pattern: is of names in the folder, no path: {self.pattern!r}")
        _tell(self, "still_ns", "retry_ns")

    @property
    def still_ns(self) -> int:
        """How long nothing of a file must change before it passes for complete."""
        return duration_ns(self.still)

    @property
    def retry_ns(self) -> tuple[int, int]:
        """The shortest and the longest wait before it is tried again."""
        return retry_ns(*self.retry)


class PrintsSource(_Clocked, frozen=True, kw_only=True, tag_field="kind", tag="prints"):
    """A serial log, or the port it comes from."""

    line: str | None = None
    tick_bits: Annotated[int, msgspec.Meta(ge=8, le=64)] | None = None
    port: str | None = None
    baud: Annotated[int, msgspec.Meta(ge=1, le=100_000_000)] | None = None
    data_bits: Literal[5, 6, 7, 8] = 8
    parity: Literal["none", "even", "odd", "mark", "space"] = "none"
    stop_bits: Literal[1, 2] = 1
    dtr: bool = False
    rts: bool = False
    retry: tuple[str, str] = ("500ms", "30s")
    required: bool = False

    def __post_init__(self) -> None:
        _Clocked.__post_init__(self)
        _tell(self, "retry_ns")

    @property
    def retry_ns(self) -> tuple[int, int]:
        """The shortest and the longest wait before it is tried again."""
        return retry_ns(*self.retry)

    @property
    def frame_bits(self) -> int:
        """Bit times a byte takes on the line: start bit, data, parity, stop bits."""
        return 1 + self.data_bits + (self.parity != "none") + self.stop_bits


class MessagesSource(_Clocked, frozen=True, kw_only=True, tag_field="kind", tag="messages"):
    """A recording of MQTT messages, or the broker they come from."""

    host: str | None = None
    port: Annotated[int, msgspec.Meta(ge=1, le=65535)] | None = None
    protocol: Literal["3.1.1", "5"] = "3.1.1"
    topics: list[str | Topic] = []  # none: all
    qos: Qos = 0  # 1 and 2: the broker sends again what was lost on the way
    sys: bool = False
    username: str | None = None
    password_env: str | None = None
    tls: bool | Tls = False
    client_id: Name | None = None
    clean: bool = True
    session_expiry: str | None = None
    keepalive_s: Annotated[int, msgspec.Meta(ge=1, le=65535)] = 30
    retry: tuple[str, str] = ("1s", "60s")
    required: bool = False  # not to be opened at first: the end, and not tried again

    def __post_init__(self) -> None:
        _Clocked.__post_init__(self)
        _tell(self, "retry_ns", "session_expiry_s")
        if self.protocol != "5" and self.session_expiry is not None:
            raise ValueError('session_expiry: belongs to MQTT 5; say protocol = "5"')
        if not self.clean and self.client_id is None:
            raise ValueError("clean: a session is kept under a client_id; add one")
        if self.protocol != "5" and self.password_env is not None and self.username is None:
            # MQTT 3.1.1 [MQTT-3.1.2-22]; MQTT 5.0 section 3.1.2.9 allows it
            raise ValueError("password_env: MQTT 3.1.1 has no password without a username")

    @property
    def broker_port(self) -> int:
        """The port, told or not."""
        return self.port or (TLS_PORT if self.tls else PLAIN_PORT)

    @property
    def subscriptions(self) -> dict[str, int]:
        """Topic filters and the QoS to ask for; of a filter that stands twice, the higher one."""
        wanted: dict[str, int] = {}
        for topic in self.topics or ["#"]:
            text, qos = (topic, self.qos) if isinstance(topic, str) else (topic.filter, topic.qos)
            wanted[text] = max(qos, wanted.get(text, 0))
        return wanted | {"$SYS/#": 0} if self.sys else wanted

    @property
    def session_expiry_s(self) -> int:
        """Of MQTT 5: for how many seconds the broker is to keep the session."""
        return session_expiry_s(self.session_expiry, clean=self.clean)

    @property
    def retry_ns(self) -> tuple[int, int]:
        """The shortest and the longest wait before it is tried again."""
        return retry_ns(*self.retry)


class NetworkSource(_Clocked, frozen=True, kw_only=True, tag_field="kind", tag="network"):
    """A network capture, in which MQTT is looked for."""


Source = CaptureSource | PrintsSource | MessagesSource | NetworkSource


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
    spis: list[Spi] = msgspec.field(name="spi", default_factory=list)
    uarts: list[Uart] = msgspec.field(name="uart", default_factory=list)
    pulses: list[PulseLine] = msgspec.field(name="pulse", default_factory=list)
    servos: list[Servo] = msgspec.field(name="servo", default_factory=list)
    rangings: list[Ranging] = msgspec.field(name="ranging", default_factory=list)
    rules: list[Rule] = msgspec.field(name="rule", default_factory=list)
    topics: list[TopicSchema] = msgspec.field(name="topic", default_factory=list)

    @property
    def name(self) -> str:
        """What the bench is called."""
        return self.about.name
