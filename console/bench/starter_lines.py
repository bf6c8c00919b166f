"""The lines of a capture that are no I2C bus, as tables of a starter bench file."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from console.bench.lines import LineEntry, PulseLine, Ranging, Servo, Spi, Uart
from console.bench.quoting import quoted

_KINDS: Mapping[type[LineEntry], str] = {
    Spi: "spi", Uart: "uart", PulseLine: "pulse", Servo: "servo", Ranging: "ranging",
}  # fmt: skip


def line_table(entry: LineEntry, source: str) -> Iterator[str]:
    """The rows of one table.

    Args:
        entry: as it was found.
        source: the capture's name.
    """
    yield f"[[{_KINDS[type(entry)]}]]"
    if not isinstance(entry, Uart):
        yield f"name = {quoted(entry.name)}  # give it its name"
    yield f"source = {quoted(source)}"
    if isinstance(entry, Spi):
        yield from _spi(entry)
    elif isinstance(entry, Uart):
        yield from _uart(entry)
    elif isinstance(entry, Ranging):
        yield f"trigger = {quoted(entry.trigger)}"
        yield f"echo = {quoted(entry.echo)}"
        yield "temperature_c = 20  # of the air"
    else:
        yield f"line = {quoted(entry.line)}"
    if isinstance(entry, PulseLine):
        yield f"level = {quoted(entry.level)}"
    if isinstance(entry, Servo):
        yield "# Moving parts may start at any time: keep clear of them."
        yield "travel_us = [1000, 2000]  # widths at the ends of its travel; see its data sheet"
        yield "travel_deg = [0, 180]     # and the angles there"


def _spi(spi: Spi) -> Iterator[str]:
    for key, line in (("sck", spi.sck), ("mosi", spi.mosi), ("miso", spi.miso)):
        if line is not None:
            yield f"{key} = {quoted(line)}"
    yield f"mode = {spi.mode}"
    yield f"word_bits = {spi.word_bits}"
    yield "# lsb_first = true  # nothing on the wire tells which bit comes first"
    if spi.device:
        devices = ", ".join(
            f"{{ name = {quoted(device.name)}, select = {quoted(device.select)}, "
            f"active = {quoted(device.active or 'low')} }}"
            for device in spi.device
        )
        yield f"device = [{devices}]"


def _uart(uart: Uart) -> Iterator[str]:
    yield f"line = {quoted(uart.line)}"
    yield f"baud = {uart.baud:.9g}"
    yield f"data_bits = {uart.data_bits}"
    yield f"parity = {quoted(uart.parity)}"
    yield f"stop_bits = {uart.stop_bits:g}"
    if uart.inverted:
        yield "inverted = true  # idles low"
