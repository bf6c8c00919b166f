"""Which lines of a capture are what, besides its I2C buses: as the bench says, else as found.

What the bench names is taken at its word, and only what it leaves open is looked for. Among the
lines that are left, SPI is looked for first (by names, then by behaviour), then UARTs, then servo
signals and echo ranging. Whatever was found or assumed is said.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

from console.bench.lines import LineEntry, PulseLine, Ranging, Servo, Spi, Uart
from console.bench.model import Bench
from console.pipeline.found_lines import spi_entry, uart_entry
from console.pipeline.serial_lines import SerialLine
from console.pipeline.wire_lines import PulsesOfLine, RangingLine, SpiBus, WireLine
from decoders.buses.pulses_roles import pulse_lines
from decoders.buses.pulses_servo import Travel
from decoders.buses.spi_guess import Asked, SpiGuess, guessed_format
from decoders.buses.spi_roles import spi_by_behaviour, spi_by_name
from decoders.buses.uart_format import UartFormat
from decoders.buses.uart_guess import BaudGuess, guessed_baud
from decoders.buses.uart_lines import UartLine, uart_lines
from decoders.captures.edges import Edges

LineOf = Callable[[str, str], int]  # name of a line, and what it is of -> bit number


@dataclass(frozen=True, slots=True)
class WantedLines:
    """What the bench says of a capture's lines, I2C buses left out."""

    spis: Sequence[Spi] = ()
    uarts: Sequence[Uart] = ()
    pulses: Sequence[PulseLine] = ()
    servos: Sequence[Servo] = ()
    rangings: Sequence[Ranging] = ()

    @classmethod
    def of(cls, bench: Bench, source: str) -> WantedLines:
        """Of one capture of a bench."""
        return cls(
            [each for each in bench.spis if each.source == source],
            [each for each in bench.uarts if each.source == source],
            [each for each in bench.pulses if each.source == source],
            [each for each in bench.servos if each.source == source],
            [each for each in bench.rangings if each.source == source],
        )

    @property
    def names(self) -> list[tuple[str, str]]:
        """Each line by name, and what it is of."""
        found = [(line, f"spi '{spi.name}'") for spi in self.spis for line in spi.lines]
        found += [(uart.line, "uart") for uart in self.uarts]
        found += [(each.line, f"pulse '{each.name}'") for each in self.pulses]
        found += [(each.line, f"servo '{each.name}'") for each in self.servos]
        for each in self.rangings:
            found += [(line, f"ranging '{each.name}'") for line in (each.trigger, each.echo)]
        return found


NONE_WANTED = WantedLines()


@dataclass(slots=True)
class SettledLines:
    """What the lines were found to be."""

    others: list[WireLine] = field(default_factory=list)
    serial: list[SerialLine] = field(default_factory=list)
    assumed: list[str] = field(default_factory=list)
    taken: set[int] = field(default_factory=set)
    entries: list[LineEntry] = field(default_factory=list)  # as a bench file says it


def settled_lines(
    edges: Edges,
    channels: Sequence[str],
    buses: Sequence[int],
    wanted: WantedLines,
    line_of: LineOf,
) -> SettledLines:
    """What the lines of a capture are.

    Args:
        edges: its beginning.
        channels: names of its lines.
        buses: bit numbers of the lines of I2C buses.
        wanted: what the bench says.
        line_of: the bit number of a line by name.

    Raises:
        CaptureError: if a line the bench names is not there.
    """
    found = SettledLines(taken=set(buses))
    found.taken |= {line_of(name, of) for name, of in wanted.names}
    for spi in wanted.spis:
        _add_spi(found, edges, channels, spi, line_of)
    for uart in wanted.uarts:
        _add_uart(found, edges, channels, uart, line_of)
    for pulse in wanted.pulses:
        bit = line_of(pulse.line, "")
        found.others.append(PulsesOfLine(pulse.name, bit, high=pulse.level == "high"))
    for servo in wanted.servos:
        found.others.append(PulsesOfLine.of_servo(servo, line_of(servo.line, "")))
    for ranging in wanted.rangings:
        lines = line_of(ranging.trigger, ""), line_of(ranging.echo, "")
        found.others.append(RangingLine(ranging, *lines))
    if len(edges.t_ns) and len(channels) > len(found.taken):
        _find_spi(found, edges, channels)
        _find_uarts(found, edges, channels)
        _find_pulses(found, edges, channels)
    return found


def _add_spi(
    found: SettledLines, edges: Edges, channels: Sequence[str], spi: Spi, line_of: LineOf
) -> None:
    """A bus the bench names."""
    known = {None: None, "low": False, "high": True}
    asked = Asked(
        line_of(spi.sck, ""),
        None if spi.mosi is None else line_of(spi.mosi, ""),
        None if spi.miso is None else line_of(spi.miso, ""),
        tuple((line_of(each.select, ""), known[each.active]) for each in spi.device),
        spi.mode,
        spi.word_bits,
        spi.lsb_first,
    )
    if not len(edges.t_ns):
        return
    guess = guessed_format(edges, asked)
    pause_ns = spi.pause_ns or guess.pause_ns
    names = [each.name for each in spi.device]
    found.assumed.append(_spi_words(spi.name, channels, guess, "as told"))
    found.others.append(SpiBus(spi.name, names, guess, spi.select_glitch_ns, pause_ns))
    found.entries.append(spi_entry(spi.name, channels, guess))


def _find_spi(found: SettledLines, edges: Edges, channels: Sequence[str]) -> None:
    roles = spi_by_name(channels, found.taken) or spi_by_behaviour(edges, channels, found.taken)
    for each in roles:
        guess = guessed_format(edges, each.asked)
        names = [channels[select.line] for select in guess.lines.selects]
        found.assumed.append(_spi_words(each.name, channels, guess, each.why))
        found.others.append(SpiBus(each.name, names, guess, 50, guess.pause_ns))
        found.entries.append(spi_entry(each.name, channels, guess))
        found.taken |= set(guess.lines.every)


def _spi_words(name: str, channels: Sequence[str], guess: SpiGuess, why: str) -> str:
    """What a bus is read as, and what of that is only assumed."""
    lines = guess.lines
    data = {"MOSI": lines.mosi, "MISO": lines.miso}
    words = f"{name}: SCK is {channels[lines.sck]}"
    words += "".join(f", {role} is {channels[k]}" for role, k in data.items() if k is not None)
    for select in lines.selects:
        level = "high" if select.active_high else "low"
        words += f", {channels[select.line]} selects when {level}"
    words += f" ({why}); {guess.form}"
    if guess.told:
        words += f": {', '.join(guess.told)}"
    return words + (f"; assumed: {', '.join(guess.assumed)}" if guess.assumed else "")


def _add_uart(
    found: SettledLines, edges: Edges, channels: Sequence[str], uart: Uart, line_of: LineOf
) -> None:
    """A line the bench names; its baud is found where that is left out."""
    bit = line_of(uart.line, "")
    frame = UartFormat(uart.data_bits, uart.parity, uart.stop_bits)
    guess: BaudGuess | None = None
    if uart.baud is not None:
        guess = BaudGuess(uart.baud, uart.baud, frame, uart.inverted, 0, 0, 0.0)
    elif len(edges.t_ns):
        guess = guessed_baud(edges, bit, frames=[frame], inverted=uart.inverted)
    if guess is None:
        found.assumed.append(f"{channels[bit]}: no baud was found on this UART line; give baud")
        return
    speed = f"{guess.baud:.6g} baud {frame}{', inverted' if uart.inverted else ''}"
    found.assumed.append(f"{channels[bit]}: {speed}, {'found' if guess.bytes else 'as told'}")
    found.serial.append(SerialLine(UartLine(bit, channels[bit], guess, "")))


def _find_uarts(found: SettledLines, edges: Edges, channels: Sequence[str]) -> None:
    for told in uart_lines(edges, channels, found.taken):
        found.assumed.append(f"{told.name}: {told.why}")
        found.serial.append(SerialLine(told))
        found.entries.append(uart_entry(told))
        found.taken.add(told.line)


def _find_pulses(found: SettledLines, edges: Edges, channels: Sequence[str]) -> None:
    servos, rangings = pulse_lines(edges, channels, found.taken)
    for servo in servos:
        name = channels[servo.line]
        words = f"{name}: looks like a servo's ({servo.why}); assumed: 1000 to 2000 us for 0 to 180"
        found.assumed.append(f"{words} degrees, which [[servo]] can tell better")
        line = PulsesOfLine(name, servo.line, high=True, travel=Travel())
        found.others.append(line)
        found.entries.append(Servo(name=name, source="", line=name))
        found.taken.add(servo.line)
    for pair in rangings:
        trigger, echo = channels[pair.trigger], channels[pair.echo]
        words = f"{trigger}, {echo}: look like trigger and echo of a ranging sensor ({pair.why})"
        found.assumed.append(f"{words}; assumed: air of 20 degrees, which [[ranging]] can tell")
        told = Ranging(name=f"{trigger}/{echo}", source="", trigger=trigger, echo=echo)
        found.others.append(RangingLine(told, pair.trigger, pair.echo))
        found.entries.append(told)
        found.taken |= {pair.trigger, pair.echo}
