"""The UART lines of a capture, and which serial log is the text of which.

A log's line that is found on the wire has the wire's time: its start edge, known to a bit. That
also ties the log's clock to the capture's better than anything else can.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import polars as pl

from console.pipeline.stamp_unit import UNITS, StampUnit, is_in_ms, with_unit
from console.timeline.alignment.same_lines import LEAST_LINES, same_lines
from decoders.buses.serial_bytes import (
    TEXT_SHARE,
    UNKNOWN,
    SerialBytes,
    concatenated,
    problem_bit,
    text_share,
)
from decoders.buses.uart import UartDecoder
from decoders.buses.uart_format import bearable_percent
from decoders.buses.uart_lines import UartLine
from decoders.captures.edges import Edges
from decoders.prints.columns import Prints
from decoders.prints.lines import Arrivals
from decoders.prints.prints import PrintDecoder

Int64s = npt.NDArray[np.int64]

OTHER_SHARE = 0.1  # of its lines that a text may share with others and still be one of its own
SAME_SHARE = 0.5  # of the shorter of two texts that must be found in the other to be the same


class SerialLine:
    """One UART line of a capture, as it is being decoded."""

    def __init__(self, told: UartLine) -> None:
        frame = told.guess.frame
        self.name = told.name
        self.bit_ns = round(1e9 / told.guess.baud)
        self._decoder = UartDecoder(
            told.line,
            baud=told.guess.baud,
            data_bits=frame.data_bits,
            parity=frame.parity,
            stop_bits=frame.stop_bits,
            inverted=told.guess.inverted,
            wait_ns=None,
        )
        self._parts: list[SerialBytes] = []

    def feed(self, block: Edges) -> None:
        """Decode the next edges."""
        self._keep(self._decoder.feed(block))

    def finish(self) -> None:
        """Decode what was left; feed nothing after this."""
        self._keep(self._decoder.finish())

    @property
    def is_text(self) -> bool:
        """Whether what it carries is text."""
        return text_share(self.columns(), self._decoder.format.data_bits) >= TEXT_SHARE

    @property
    def remark(self) -> str:
        """How far the sender's bits are off, in words; "" where that was not measured."""
        error = self._decoder.baud_error()
        if error is None:
            return ""
        percent = error.ppm / 1e4
        slow, fast = bearable_percent(self._decoder.format)
        words = (
            f"{self.name}: its bits are those of {error.measured_baud:.6g} baud, {percent:+.2f} %"
        )
        if not slow < percent < fast:
            words += f", and a receiver bears {slow:.1f} to +{fast:.1f} %"
        return words

    def _keep(self, part: SerialBytes) -> None:
        if len(part):
            self._parts.append(part)

    def columns(self) -> SerialBytes:
        """Every byte so far."""
        return concatenated(self._parts)

    def prints(self, line: str | None = None, tick_bits: int | None = None) -> Prints:
        """Its bytes as lines, each arriving with its first start edge; bad bytes are left in."""
        rows = self.columns()
        is_break = (rows.problems & problem_bit("break")) != 0
        seen = (rows.value != UNKNOWN) & (rows.value < 256) & ~is_break
        data = rows.value[seen].astype(np.uint8).tobytes()
        decoder = PrintDecoder(self.name, line=line, tick_bits=tick_bits, live=True)
        arrivals = Arrivals(np.arange(len(data)), rows.start_ns[seen])
        parts = [decoder.feed_parts(data, arrivals)] if data else []
        return Prints.concat([*parts, decoder.finish()])


@dataclass(frozen=True, slots=True, eq=False)
class OnTheWire:
    """The lines of a log that were found on a UART line of a capture."""

    capture: str  # name of that source
    line: str  # of its channel
    rows: Int64s  # [k] rows of the log
    start_ns: Int64s  # [k] their first start edges, on the capture's clock
    bit_ns: int
    unit: StampUnit | None = None  # of the log's stamps, where they were read in another one


def on_the_wire(
    log: Prints, line: str | None, tick_bits: int | None, capture: str, serial: Sequence[SerialLine]
) -> OnTheWire | None:
    """The UART line whose text a log is, or None.

    Args:
        log: the lines of the log.
        line: its line pattern.
        tick_bits: the width of its stamps.
        capture: name of the capture.
        serial: the capture's UART lines.
    """
    units = [None, *UNITS] if line is None and is_in_ms(log) else [None]
    readings = [(unit, _keys(log if unit is None else with_unit(log, unit))) for unit in units]
    for each in serial:
        wire = each.prints(line, tick_bits)
        wire_keys, shorter = _keys(wire), min(len(log), len(wire))
        for unit, keys in readings:
            rows, wire_rows = same_lines(keys, wire_keys)
            if len(rows) >= max(LEAST_LINES, SAME_SHARE * shorter):
                start_ns = wire.arrival_ns[wire_rows]
                return OnTheWire(capture, each.name, rows, start_ns, each.bit_ns, unit)
    return None


def heard_alone(
    capture: str, serial: Sequence[SerialLine], logs: Sequence[Prints], known: Collection[str] = ()
) -> list[tuple[str, Prints]]:
    """The text of UART lines that stands in no log, each under a name of its own.

    Args:
        capture: name of the capture.
        serial: its UART lines.
        logs: every serial log there is.
        known: the lines on which the text of a log was found.
    """
    written: set[str] = {text for log in logs for text in log.texts()}
    found = []
    for each in serial:
        if each.name in known or not each.is_text:
            continue
        prints = each.prints()
        texts = prints.texts()
        if sum(text in written for text in texts) < OTHER_SHARE * len(texts):
            found.append((f"{capture} {each.name}", prints))
    return found


def _keys(prints: Prints) -> Int64s:
    """A key for each line, by its stamp and text."""
    frame = pl.DataFrame({"text": prints.texts(), "native_ns": prints.native_ns})
    keys: Int64s = frame.hash_rows(seed=0).to_numpy().view(np.int64)
    return keys
