"""A made bench of the cap line on which everything is used: one capture, one log, one network.

Every quarter of a second the office commands the gate over the network. The controller prints that,
tells the gate's encoder over I2C and reads back, moves the servo, reads a pressure over SPI, ranges
the caps in the hopper by echo, prints what it found on its debug UART, and publishes it. The log is
of that UART, by another clock; the network capture has a third one. What goes wrong is named below.

    python -m tests.console.pipeline.cap_line_bench FOLDER    # writes it
"""

from __future__ import annotations

import sys
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import polars as pl

from decoders.buses.spi_format import SpiFormat
from tests.decoders.buses.pulse_lines import MS, US, edges_of
from tests.decoders.buses.serial_wave import SerialWave
from tests.decoders.buses.spi_wave import CS, MISO, MOSI, SCK, SpiWave
from tests.decoders.buses.wave import SCL, SDA, Wave
from tests.decoders.captures.network_files import START_NS, Stamped, Talk, in_time, pcapng
from tests.decoders.messages.mqtt_made import connack, connect, made, publish, subscribe

CYCLES = 96
CYCLE_NS = 250 * MS
END_NS = (CYCLES + 1) * CYCLE_NS
LOG_AHEAD_NS = 7_300 * MS  # the board has run for so long when the capture begins
LOG_PPM, LAN_PPM = 38.0, -12.0
CM_PER_US = 343.2 / 2e4  # of the air at 20 degrees, there and back

UNHEARD = 30  # the broker passes on a command that the controller does not act on
REFUSED = 41  # the encoder does not acknowledge
LOST_ECHOES = (22, 57)
TOO_WIDE = 50  # the servo's pulses during this cycle lie beyond its travel
CUT_WORD = 64  # the select ends within a word
AS_TEXT = 80  # the level is published as a string

BENCH = """\
[bench]
name = "cap line, all of it"
axis = "wire"

[[source]]
name = "wire"
kind = "capture"
path = "wire.csv"

[[source]]
name = "controller"
kind = "prints"
path = "controller.log"
line = '^\\[ *(?P<us>\\d+)\\] (?P<level>[IWE]) (?P<text>.*)$'
tick_bits = 32

[[source]]
name = "lan"
kind = "network"
path = "lan.pcapng"

[[bus]]
name = "i2c-1"
source = "wire"
scl = "scl"
sda = "sda"

[[device]]
name = "encoder"
bus = "i2c-1"
address = 0x36

  [[device.packet]]
  name = "target"
  direction = "write"
  register = 0x0E
  field = [{ name = "n", type = "u8" }, { name = "target_angle", type = "u8", unit = "deg" }]

  [[device.packet]]
  name = "angle"
  direction = "read"
  register = 0x10
  field = [{ name = "n", type = "u8" }, { name = "angle", type = "u8", unit = "deg" }]

[[uart]]
source = "wire"
line = "debug"
baud = 115200

[[spi]]
name = "pressure bus"
source = "wire"
sck = "sck"
mosi = "mosi"
miso = "miso"
mode = 0
word_bits = 8
device = [{ name = "pressure", select = "cs", active = "low" }]

[[servo]]
name = "gate"
source = "wire"
line = "gate"

[[ranging]]
name = "hopper"
source = "wire"
trigger = "trig"
echo = "echo"
published = { table = "messages", where = "topic LIKE '%/state'", field = "fields.level_cm" }

[[topic]]
filter = "capline/gate/state"
schema = "state.schema.json"

[[rule]]
kind = "reply-within"
name = "every command has a state"
request_table = "messages"
request_where = "topic = 'capline/gate/command' AND direction = 'to-broker'"
reply_table = "messages"
reply_where = "topic = 'capline/gate/state' AND direction = 'to-broker'"
request_key = "fields.n"
reply_key = "fields.n"
within = "200 ms"

[[rule]]
kind = "pattern"
name = "pressure is asked for"
table = "words"
where = "device = 'pressure' AND mosi NOT IN ('a1', '00')"

[[rule]]
kind = "limits"
name = "the gate stays in its travel"
table = "pulses"
where = "line = 'gate'"
field = "width_ns"
min = 950000
max = 2050000
"""
SCHEMA = """\
{"type": "object", "required": ["n", "angle_deg"],
 "properties": {"n": {"type": "integer"}, "level_cm": {"type": "number"}}}
"""


@dataclass(frozen=True, slots=True)
class Cycle:
    """What one cycle is about. Times in ns from the start of the capture."""

    n: int
    t_ns: int
    angle: int  # degrees
    level_cm: float
    pressure: int
    waits_ns: tuple[int, int, int]  # of the network and the processor, with long tails

    @property
    def heard_ns(self) -> int:
        """When the controller has the command."""
        return self.t_ns + MS + self.waits_ns[0]

    @property
    def done_ns(self) -> int:
        """When the encoder has told the angle it is at, and the controller prints the state."""
        return self.heard_ns + 66 * MS + self.waits_ns[1]

    @property
    def is_heard(self) -> bool:
        return self.n != UNHEARD

    @property
    def state(self) -> str:
        """What the controller publishes."""
        level = f"{self.level_cm:.1f}"
        level = f'"{level}"' if self.n == AS_TEXT else level
        echo = "" if self.n in LOST_ECHOES else f', "level_cm": {level}'
        return f'{{"n": {self.n}, "angle_deg": {self.angle}, "pressure": {self.pressure}{echo}}}'

    @property
    def prints(self) -> Iterator[tuple[int, str]]:
        """When it prints what."""
        if not self.is_heard:
            return
        yield self.heard_ns + 3 * MS, f"I gate {self.n} to {self.angle} deg"
        if self.n == REFUSED:
            yield self.heard_ns + 30 * MS, f"E encoder: no answer, gate {self.n}"
        level = "none" if self.n in LOST_ECHOES else f"{self.level_cm:.1f}"
        yield self.done_ns, f"I state {self.n} level {level} pressure {self.pressure}"


def cycles() -> list[Cycle]:
    """All of them; nothing comes at even times."""
    dice = np.random.default_rng(29)
    angles = 20 + 10 * dice.integers(0, 14, CYCLES)
    late = dice.integers(0, 20 * MS, CYCLES)
    pressures = 900 + dice.integers(0, 200, CYCLES)
    waits = np.minimum(dice.exponential(0.8 * MS, (CYCLES, 3)), 9 * MS).astype(int).tolist()
    return [
        Cycle(
            n=k,
            t_ns=(k + 1) * CYCLE_NS - 100 * MS + int(late[k]),
            angle=int(angles[k]),
            level_cm=round(60.0 - 0.2 * k, 1),
            pressure=int(pressures[k]),
            waits_ns=(waits[k][0], waits[k][1], waits[k][2]),
        )
        for k in range(CYCLES)
    ]


Line = tuple[Sequence[int], Sequence[int]]  # times of rows, and the level from each on


def _i2c(every: Sequence[Cycle]) -> dict[str, Line]:
    wave = Wave()
    for cycle in every:
        if not cycle.is_heard:
            continue
        wave.wait(cycle.heard_ns + 7 * MS - wave.now_ns)
        if cycle.n == REFUSED:
            wave.start().byte(0x36 << 1, ack=False).stop()
            continue
        wave.transaction(0x36, bytes([0x0E, cycle.n, cycle.angle])).stop()
        wave.wait(2 * MS)
        wave.transaction(0x36, b"\x10")
        wave.transaction(0x36, bytes([cycle.n, cycle.angle]), read=True).stop()
    return _split(wave.rows, {"scl": SCL, "sda": SDA})


def _debug(every: Sequence[Cycle]) -> dict[str, Line]:
    wave = SerialWave(115_200)
    for t_ns, text in _lines(every):
        wave.wait((t_ns - float(wave.now)) / float(wave.bit_ns))
        wave.text(_stamped(t_ns, text))
    return _split(wave.rows, {"debug": 0})


def _spi(every: Sequence[Cycle]) -> dict[str, Line]:
    wave = SpiWave(SpiFormat(0), period_ns=2_000)
    for cycle in every:
        wave.wait(cycle.heard_ns + 14 * MS - wave.now_ns).select()
        for mosi, miso in ((0xA1, 0x00), (0x00, cycle.pressure >> 8), (0x00, cycle.pressure & 255)):
            wave.bits(mosi, miso, 3 if cycle.n == CUT_WORD else 8)
        wave.select(on=False)
    return _split(wave.rows, {"sck": SCK, "mosi": MOSI, "miso": MISO, "cs": CS})


def _pulses(every: Sequence[Cycle]) -> dict[str, Line]:
    """The servo's line, and trigger and echo."""
    moved = np.array([cycle.heard_ns + 11 * MS for cycle in every if cycle.is_heard])
    heard = [cycle for cycle in every if cycle.is_heard]
    gate = []
    for t_ns in range(3 * MS, END_NS - 20 * MS, 20 * MS):
        cycle = heard[max(int(np.searchsorted(moved, t_ns)) - 1, 0)]
        width = 2_240 * US if cycle.n == TOO_WIDE else 1_000 * US + cycle.angle * 100_000 // 18
        gate.append((t_ns, t_ns + width))
    trigger, echo = [], []
    for cycle in every:
        t_ns = cycle.heard_ns + 19 * MS
        trigger.append((t_ns, t_ns + 10 * US))
        if cycle.n not in LOST_ECHOES:
            width = round(cycle.level_cm / CM_PER_US * US)
            echo.append((t_ns + 460 * US, t_ns + 460 * US + width))
    edges = edges_of([gate, trigger, echo], END_NS)
    rows = list(zip(edges.t_ns.tolist(), edges.levels.tolist(), strict=True))
    return _split(rows, {"gate": 0, "trig": 1, "echo": 2})


def _split(rows: Sequence[tuple[int, int]], bits: dict[str, int]) -> dict[str, Line]:
    times = [t for t, _ in rows]
    return {name: (times, [level >> bit & 1 for _, level in rows]) for name, bit in bits.items()}


def wire_table(every: Sequence[Cycle]) -> pl.DataFrame:
    """The capture: a row wherever a line changes."""
    lines = _i2c(every) | _debug(every) | _spi(every) | _pulses(every)
    times = np.unique(np.concatenate([np.array([0, END_NS]), *(t for t, _ in lines.values())]))
    columns = {"time_ns": times}
    for name, (t, level) in lines.items():
        at = np.maximum(np.searchsorted(np.array(t), times, "right") - 1, 0)
        columns[name] = np.array(level)[at]
    return pl.DataFrame(columns)


def _lines(every: Sequence[Cycle]) -> list[tuple[int, str]]:
    return [line for cycle in every for line in cycle.prints]


def _stamped(t_ns: int, text: str) -> bytes:
    """A line as the board prints it, by its own ticks."""
    ticks = LOG_AHEAD_NS + t_ns * (1 + LOG_PPM / 1e6)
    return f"[{round(ticks / US):10d}] {text}\r\n".encode()


def log(every: Sequence[Cycle]) -> bytes:
    """The serial log."""
    return b"".join(_stamped(t_ns, text) for t_ns, text in _lines(every))


def frames(every: Sequence[Cycle]) -> list[Stamped]:
    """What passed the network: the office, the controller and the broker between them."""
    office, controller = Talk(client="10.0.0.8", port=50_999), Talk(client="10.0.0.7")
    for talk, name in ((office, "office"), (controller, "controller")):
        talk.t_ns = START_NS + MS
        talk.step_ns = 200 * US
        talk.open().says(connect(name, keep_alive=20)).hears(connack())
    controller.says(subscribe(1, "capline/gate/command")).hears(made(0x90, b"\0\1\1"))
    office.says(subscribe(1, "capline/gate/state")).hears(made(0x90, b"\0\1\1"))
    for cycle in every:
        command = f'{{"n": {cycle.n}, "angle_deg": {cycle.angle}}}'.encode()
        asked = publish("capline/gate/command", command)
        told = publish("capline/gate/state", cycle.state.encode())
        _at(office, cycle.t_ns).says(asked)
        _at(controller, cycle.heard_ns).hears(asked).send(0)
        if cycle.is_heard:
            sent_ns = cycle.done_ns + 5 * MS + cycle.waits_ns[2]
            _at(controller, sent_ns).says(told)
            _at(office, sent_ns + MS).hears(told).send(0)
    return in_time(office, controller)


def _at(talk: Talk, t_ns: int) -> Talk:
    """By the clock of the machine that captures."""
    talk.t_ns = START_NS + round(t_ns * (1 + LAN_PPM / 1e6))
    return talk


def write_bench(folder: Path) -> Path:
    """Write all of it into a folder; the bench file."""
    every = cycles()
    wire_table(every).write_csv(folder / "wire.csv")
    (folder / "controller.log").write_bytes(log(every))
    (folder / "lan.pcapng").write_bytes(pcapng(frames(every)))
    (folder / "state.schema.json").write_text(SCHEMA)
    (folder / "bench.toml").write_text(BENCH)
    return folder / "bench.toml"


if __name__ == "__main__":
    print(write_bench(Path(sys.argv[1])))
