"""Level captures as delimited text, in the layouts instruments export."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from captures_demo.simulator.capture import Recorded

ROWS_AT_ONCE = 65_536
DECIMALS = {"s": 9, "ms": 6, "us": 3, "ns": 0}
LEVELS = {
    "01": ("0", "1"),
    "real": ("0.0", "1.0"),
    "HL": ("L", "H"),
    "truth": ("false", "true"),
    "volts": ("0.08", "3.27"),
}


@dataclass(frozen=True, slots=True)
class Layout:
    """How a file looks.

    Args:
        unit: of the time column: `s ms us ns`, or `sample` for sample numbers (the rate then
            stands in the preamble).
        delimiter: between cells.
        decimal: the decimal mark.
        levels: a key of `LEVELS`.
        per_sample: one row per sample, not per change.
        time_last: the time is the last column.
        preamble: lines above the header.
        line_end: after every line.
        encoding: of the file; `utf-8-sig` and `utf-16` begin with a byte-order mark.
        shift_ns: added to the times: a trigger in the middle makes them begin below 0.
    """

    unit: str = "s"
    delimiter: str = ","
    decimal: str = "."
    levels: str = "01"
    per_sample: bool = False
    time_last: bool = False
    preamble: tuple[str, ...] = ()
    line_end: str = "\n"
    encoding: str = "utf-8"
    shift_ns: int = 0


LAYOUTS = {
    "plain": Layout(),
    "decimal comma": Layout(delimiter=";", decimal=",", line_end="\r\n", encoding="utf-8-sig"),
    "tabs": Layout(unit="us", delimiter="\t", levels="HL"),
    "milliseconds": Layout(unit="ms", levels="truth", time_last=True),
    "nanoseconds": Layout(unit="ns", levels="real", shift_ns=-1_234_567),
    "volts": Layout(levels="volts", preamble=("Level export", "Channels: 2", "")),
    "wide letters": Layout(unit="us", delimiter=";", encoding="utf-16"),
    "sample numbers": Layout(unit="sample"),
    "every sample": Layout(per_sample=True),
    "every sample by number": Layout(unit="sample", per_sample=True),
}


def delimited(recorded: Recorded, layout: Layout) -> Iterator[bytes]:
    """The file in pieces; its last row is the capture's end, with the levels unchanged.

    Raises:
        ValueError: if the layout needs samples and the capture has none.
    """
    numbers, levels = _rows(recorded, layout)
    cells = _level_cells(len(recorded.channels), layout)
    yield _head(recorded, layout).encode(layout.encoding)
    encoding = layout.encoding
    if encoding == "utf-16":  # the head's mark told the machine's byte order
        encoding = f"utf-16-{sys.byteorder[0]}e"
    for first in range(0, len(numbers), ROWS_AT_ONCE):
        part = slice(first, first + ROWS_AT_ONCE)
        rows = zip(_times(numbers[part], layout), levels[part].tolist(), strict=True)
        between, end = layout.delimiter, layout.line_end
        if layout.time_last:
            text = "".join([f"{cells[word]}{between}{time}{end}" for time, word in rows])
        else:
            text = "".join([f"{time}{between}{cells[word]}{end}" for time, word in rows])
        yield text.encode("utf-8" if encoding == "utf-8-sig" else encoding)


def _rows(
    recorded: Recorded, layout: Layout
) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.uint8]]:
    """Times in ns, or sample numbers, and level words of the rows."""
    if layout.unit != "sample" and not layout.per_sample:
        numbers, last = recorded.t_ns + layout.shift_ns, recorded.until_ns + layout.shift_ns
    else:
        numbers, last = recorded.samples, recorded.last_sample
    if layout.per_sample:
        levels = np.repeat(recorded.levels, np.diff(numbers, append=last + 1))
        numbers = np.arange(numbers[0], last + 1)
        if layout.unit != "sample":
            numbers = recorded.time_of(numbers) + layout.shift_ns
        return numbers, levels
    if len(numbers) and numbers[-1] == last:
        return numbers, recorded.levels
    return np.append(numbers, last), np.append(recorded.levels, recorded.levels[-1:])


def _level_cells(channels: int, layout: Layout) -> list[str]:
    """The level cells of each level word."""
    low_high = LEVELS[layout.levels]
    return [
        layout.delimiter.join(
            low_high[word >> bit & 1].replace(".", layout.decimal) for bit in range(channels)
        )
        for word in range(1 << channels)
    ]


def _head(recorded: Recorded, layout: Layout) -> str:
    lines = list(layout.preamble)
    time = f"Time [{layout.unit}]"
    if layout.unit == "sample":
        lines.append(f"# sample rate: {recorded.sample_rate_hz} Hz")
        time = "Sample"
    columns = [*recorded.channels, time] if layout.time_last else [time, *recorded.channels]
    lines.append(layout.delimiter.join(columns))
    return "".join(line + layout.line_end for line in lines)


def _times(numbers: npt.NDArray[np.int64], layout: Layout) -> list[str]:
    """The time cells; whole-number arithmetic, so no ns is lost."""
    places = DECIMALS.get(layout.unit, 0)
    if not places:
        return [str(number) for number in numbers.tolist()]
    whole, rest = np.divmod(np.abs(numbers), 10**places)
    signs = np.where(numbers < 0, "-", "").tolist()
    return [
        f"{sign}{w}{layout.decimal}{r:0{places}d}"
        for sign, w, r in zip(signs, whole.tolist(), rest.tolist(), strict=True)
    ]
