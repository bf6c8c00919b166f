"""Lines of a capture that are neither an I2C bus nor a UART, as they are being decoded.

Each is a fold over the capture's edges that gives its rows as tables in the end, on the capture's
own clock.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Protocol

import numpy as np
import polars as pl

from console.bench.lines import Ranging, Servo
from console.timeline.tables.pulse_tables import pings_frame, pulses_frame
from console.timeline.tables.serial_tables import words_frame
from decoders.buses import spi_words
from decoders.buses.pulses import PulseDecoder, Pulses
from decoders.buses.pulses import concatenated as joined_pulses
from decoders.buses.pulses_echo import distances_cm, pings_of
from decoders.buses.pulses_servo import Travel
from decoders.buses.spi import SpiDecoder
from decoders.buses.spi_guess import SpiGuess
from decoders.buses.spi_words import SpiWords
from decoders.captures.edges import Edges

Tables = Mapping[str, pl.DataFrame]


class WireLine(Protocol):
    """One line, or several that belong together."""

    def feed(self, block: Edges) -> None:
        """Decode the next edges."""
        ...

    def finish(self) -> None:
        """Decode what was left; feed nothing after this."""
        ...

    def tables(self, source: str, until_ns: int) -> Tables:
        """Its rows, once it is finished; observed until then, on the capture's own clock."""
        ...


class SpiBus:
    """A serial peripheral bus.

    Args:
        name: of the bus.
        devices: their names, by their selects.
        guess: how it is read.
        glitch_ns: the shortest select that is meant.
        pause_ns: what ends a word where there is no select.
    """

    def __init__(
        self, name: str, devices: Sequence[str], guess: SpiGuess, glitch_ns: int, pause_ns: int
    ) -> None:
        self.name, self.devices, self.lines = name, devices, guess.lines
        self._decoder = SpiDecoder(guess.lines, guess.form, glitch_ns=glitch_ns, pause_ns=pause_ns)
        self._parts: list[SpiWords] = []

    def feed(self, block: Edges) -> None:
        """Decode the next edges."""
        self._parts.append(self._decoder.feed(block))

    def finish(self) -> None:
        """Decode what was left; feed nothing after this."""
        self._parts = [spi_words.concatenated([*self._parts, self._decoder.finish()])]

    def tables(self, source: str, until_ns: int) -> Tables:
        """Its words."""
        rows = spi_words.concatenated(self._parts)
        frame = words_frame(
            rows,
            source,
            self.name,
            self.devices,
            has_mosi=self.lines.mosi is not None,
            has_miso=self.lines.miso is not None,
        )
        return {"words": frame.sort("start_ns", maintain_order=True)}


@dataclass(slots=True)
class _Line:
    """The pulses of one line."""

    decoder: PulseDecoder
    parts: list[Pulses]

    @classmethod
    def of(cls, bit: int, *, high: bool) -> _Line:
        return cls(PulseDecoder(bit, high=high), [])

    def feed(self, block: Edges) -> None:
        part = self.decoder.feed(block)
        if len(part):
            self.parts.append(part)

    def columns(self) -> Pulses:
        self.parts = [joined_pulses(self.parts)]
        return self.parts[0]


class PulsesOfLine:
    """A line whose pulses are rows.

    Args:
        name: what the line is called in the table.
        bit: its number.
        high: whether its high pulses are told, else the low ones.
        travel: of a servo that it commands.
    """

    def __init__(self, name: str, bit: int, *, high: bool, travel: Travel | None = None) -> None:
        self.name, self._high, self._travel = name, high, travel
        self._line = _Line.of(bit, high=high)

    @classmethod
    def of_servo(cls, servo: Servo, bit: int) -> PulsesOfLine:
        """The line of a servo that the bench names."""
        return cls(servo.name, bit, high=not servo.inverted, travel=servo.travel)

    def feed(self, block: Edges) -> None:
        """Decode the next edges."""
        self._line.feed(block)

    def finish(self) -> None:
        """A pulse that lasts is none."""

    def tables(self, source: str, until_ns: int) -> Tables:
        """Its pulses, with the angles they command."""
        rows = self._line.columns()
        angles = self._travel.angles(rows.width_ns) if self._travel is not None else None
        frame = pulses_frame(rows, source, self.name, high=self._high, angle_deg=angles)
        return {"pulses": frame}


class RangingLine:
    """The two lines of a ranging sensor.

    Args:
        ranging: what is known of the sensor.
        trigger: bit number of its trigger's line.
        echo: bit number of its echo's line.
    """

    def __init__(self, ranging: Ranging, trigger: int, echo: int) -> None:
        self._ranging = ranging
        self._trigger, self._echo = _Line.of(trigger, high=True), _Line.of(echo, high=True)

    def feed(self, block: Edges) -> None:
        """Decode the next edges."""
        self._trigger.feed(block)
        self._echo.feed(block)

    def finish(self) -> None:
        """A pulse that lasts is none."""

    def tables(self, source: str, until_ns: int) -> Tables:
        """Its pulses, with the distances of its echoes, and its pings."""
        told, trigger, echo = self._ranging, self._trigger.columns(), self._echo.columns()
        width_ns = echo.width_ns
        distance = distances_cm(width_ns, told.temperature_c)
        distance[width_ns >= told.timeout_ns] = np.nan
        pings = pings_of(trigger, echo, told.timeout_ns, until_ns)
        frames = (
            pulses_frame(trigger, source, told.trigger_line, high=True),
            pulses_frame(echo, source, told.echo_line, high=True, distance_cm=distance),
        )
        return {
            "pulses": pl.concat(frames).sort("start_ns", maintain_order=True),
            "exchanges": pings_frame(pings, echo, told.name),
        }
