"""Lines of a capture as they were found, in the words of a bench file."""

from __future__ import annotations

from collections.abc import Sequence
from typing import cast, get_args

from console.bench.lines import DataBits, Spi, SpiDevice, Uart
from decoders.buses.spi_guess import SpiGuess
from decoders.buses.uart_lines import UartLine


def spi_entry(name: str, channels: Sequence[str], guess: SpiGuess) -> Spi:
    """A serial peripheral bus as it is read; which bit comes first is left open, as data do."""
    lines = guess.lines
    return Spi(
        name=name,
        source="",
        sck=channels[lines.sck],
        mosi=None if lines.mosi is None else channels[lines.mosi],
        miso=None if lines.miso is None else channels[lines.miso],
        mode=guess.form.mode,
        word_bits=guess.form.word_bits,
        device=[
            SpiDevice(
                name=channels[select.line],
                select=channels[select.line],
                active="high" if select.active_high else "low",
            )
            for select in lines.selects
        ],
    )


def uart_entry(told: UartLine) -> Uart:
    """A UART line as it is read."""
    frame = told.guess.frame
    assert frame.data_bits in get_args(DataBits)
    return Uart(
        source="",
        line=told.name,
        baud=told.guess.baud,
        data_bits=cast(DataBits, frame.data_bits),
        parity=frame.parity,
        stop_bits=frame.stop_bits,
        inverted=told.guess.inverted,
    )
