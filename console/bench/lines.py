"""Lines of a capture that are no I2C bus, as a bench file writes them.

Names, sources and lines are needed; everything else may be left out, and stands here as it is taken
then, but for mode, word_bits, select levels, baud, slew and published.

    [[spi]]
    name = "valves"
    source = "wire"
    sck = "ch0"
    mosi = "ch1"                   # one of mosi and miso is needed
    miso = "ch2"
    mode = 3                       # 0 to 3; left out: as far as the data tell
    word_bits = 8                  # 4 to 32
    lsb_first = false
    select_glitch_ns = 50          # a select that is shorter and has no clock is a glitch
    pause = "20us"                 # without a select: a longer pause of the clock ends a word
    device = [{ name = "driver", select = "ch3", active = "low" }]

    [[uart]]
    source = "wire"
    line = "ch4"
    baud = 9600                    # left out: found
    data_bits = 8                  # 5 to 9
    parity = "none"                # even, odd, mark, space
    stop_bits = 1                  # 1, 1.5, 2
    inverted = false               # true: idles low

    [[pulse]]                      # a line whose every pulse is to be a row
    name = "gate switch"
    source = "wire"
    line = "ch5"
    level = "high"                 # which of its pulses

    [[servo]]                      # moving parts may start at any time: keep clear of them
    name = "gate"
    source = "wire"
    line = "ch6"
    inverted = false
    travel_us = [1000, 2000]       # widths at the ends of the travel; a wider one is a fault
    travel_deg = [0, 180]          # and the angles there
    period_ms = 20
    jitter_us = 5                  # by how much widths may scatter while nothing is commanded
    slew_deg_per_frame = 12        # how far a command may move from one pulse to the next
    party = "gate"

    [[ranging]]
    name = "hopper"
    source = "wire"
    trigger = "ch7"
    echo = "ch8"
    temperature_c = 20             # of the air
    timeout_ms = 30                # an echo as long as this says that nothing came back
    tolerance_cm = 1               # what the firmware may be off
    published = { table = "messages", where = "topic = 'cap/level'", field = "fields.level_cm" }
    party = "hopper"

`published` names the distance that the firmware made of an echo: a number of a message or a print,
or `pattern`, a regular expression whose group is the number in a print's text; `unit` is cm if left
out, `within` is how old an echo may be that it rests on (1 s).
"""

from __future__ import annotations

import re
from typing import Annotated, Literal

import msgspec

from decoders.buses.pulses_servo import Travel
from decoders.durations import duration_ns

Name = Annotated[str, msgspec.Meta(min_length=1)]
Above0 = Annotated[float, msgspec.Meta(gt=0)]
Level = Literal["low", "high"]
DataBits = Literal[5, 6, 7, 8, 9]

_CM_PER_UNIT = {"mm": 0.1, "cm": 1.0, "m": 100.0}


class SpiDevice(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """A device of a serial peripheral bus."""

    name: Name
    select: Name
    active: Level | None = None  # None: as the data tell
    party: str = ""


class Spi(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """The lines of a serial peripheral bus."""

    name: Name
    source: str
    sck: Name
    mosi: Name | None = None
    miso: Name | None = None
    mode: Annotated[int, msgspec.Meta(ge=0, le=3)] | None = None
    word_bits: Annotated[int, msgspec.Meta(ge=4, le=32)] | None = None
    lsb_first: bool | None = None
    select_glitch_ns: Annotated[int, msgspec.Meta(ge=0, le=1_000_000_000)] = 50
    pause: str | None = None
    device: list[SpiDevice] = []

    def __post_init__(self) -> None:
        if self.mosi is None and self.miso is None:
            raise ValueError("sck: has no data beside it; give mosi, miso or both")
        lines = [line for line in self.lines if line]
        twice = next((line for k, line in enumerate(lines) if line in lines[:k]), None)
        if twice is not None:
            raise ValueError(f"sck: {twice!r} has two roles; each line has one")
        try:
            _ = self.pause_ns
        except ValueError as error:
            raise ValueError(f"pause: {error}") from None

    @property
    def pause_ns(self) -> int | None:
        """`pause` in ns."""
        return None if self.pause is None else duration_ns(self.pause)

    @property
    def lines(self) -> list[str]:
        """All of its lines."""
        data = [line for line in (self.mosi, self.miso) if line is not None]
        return [self.sck, *data, *(device.select for device in self.device)]


class Uart(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """A line of an asynchronous serial port, seen by a capture."""

    source: str
    line: Name
    baud: Annotated[float, msgspec.Meta(ge=0.1, le=500e6)] | None = None
    data_bits: DataBits = 8
    parity: Literal["none", "even", "odd", "mark", "space"] = "none"
    stop_bits: float = 1
    inverted: bool = False

    def __post_init__(self) -> None:
        if self.stop_bits not in (1, 1.5, 2):
            raise ValueError(f"stop_bits: is 1, 1.5 or 2, not {self.stop_bits:g}")


class PulseLine(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """A line whose pulses are rows."""

    name: Name
    source: str
    line: Name
    level: Level = "high"
    party: str = ""


class Servo(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """The line of a servo's command."""

    name: Name
    source: str
    line: Name
    inverted: bool = False
    travel_us: tuple[Above0, Above0] = (1000, 2000)
    travel_deg: tuple[float, float] = (0, 180)
    period_ms: Above0 = 20
    jitter_us: Above0 = 5
    slew_deg_per_frame: Above0 | None = None
    party: str = ""

    def __post_init__(self) -> None:
        if not self.travel_us[0] < self.travel_us[1]:
            raise ValueError("travel_us: the shorter width stands first")
        if self.travel_deg[0] == self.travel_deg[1]:
            raise ValueError("travel_deg: is no travel; both ends are one angle")
        if self.travel_us[1] >= self.period_ms * 1e3:
            raise ValueError("travel_us: is not below period_ms")

    @property
    def travel(self) -> Travel:
        """Its travel."""
        return Travel(self.travel_us, self.travel_deg)

    @property
    def period_ns(self) -> int:
        """`period_ms` in ns."""
        return round(self.period_ms * 1e6)


class Published(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """A distance that the firmware published."""

    table: Literal["messages", "prints"]
    where: str = ""
    field: str | None = None
    pattern: str | None = None
    unit: Literal["mm", "cm", "m"] = "cm"
    within: str = "1s"

    def __post_init__(self) -> None:
        if (self.field is None) == (self.pattern is None):
            raise ValueError("table: needs either field or pattern, to find its number")
        if self.pattern is not None:
            if self.table != "prints":
                raise ValueError("pattern: is for prints; messages have a field")
            self._check(self.pattern)
        try:
            _ = self.within_ns
        except ValueError as error:
            raise ValueError(f"within: {error}") from None

    @staticmethod
    def _check(pattern: str) -> None:
        try:
            groups = re.compile(pattern).groups
        except re.error as error:
            raise ValueError(f"pattern: {error}") from None
        if groups != 1:
            raise ValueError(f"pattern: has {groups} groups, not the one that is the number")

    @property
    def within_ns(self) -> int:
        """`within` in ns."""
        return duration_ns(self.within)

    @property
    def cm_per_unit(self) -> float:
        """Centimetres in one of its unit."""
        return _CM_PER_UNIT[self.unit]


class Ranging(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """The two lines of an echo ranging sensor."""

    name: Name
    source: str
    trigger: Name
    echo: Name
    temperature_c: Annotated[float, msgspec.Meta(ge=-80, le=150)] = 20
    timeout_ms: Above0 = 30
    tolerance_cm: Above0 = 1
    published: Published | None = None
    party: str = ""

    def __post_init__(self) -> None:
        if self.trigger == self.echo:
            raise ValueError("echo: is the trigger's line; ranging takes two")

    @property
    def timeout_ns(self) -> int:
        """`timeout_ms` in ns."""
        return round(self.timeout_ms * 1e6)

    @property
    def trigger_line(self) -> str:
        """What the trigger's pulses are called in the table."""
        return f"{self.name} trigger"

    @property
    def echo_line(self) -> str:
        """What the echo's pulses are called in the table."""
        return f"{self.name} echo"


LineEntry = Spi | Uart | PulseLine | Servo | Ranging
