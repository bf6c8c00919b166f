"""SPI decoding beside a C pass and a plain Python reader.

Run it with: python -m tests.benchmarks.spi

Times are slopes between 1 and 10 million rows (naive: 0.1 and 0.5 million), so start-up drops out.
"""

from __future__ import annotations

import ctypes
import random
import tempfile
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from decoders.buses.spi import SpiDecoder
from decoders.buses.spi_format import Select, SpiFormat, SpiLines
from decoders.buses.spi_words import SpiWords, concatenated
from decoders.captures.edges import Edges
from tests.benchmarks.measure import compiled, least_seconds, slope, table

SCK, MOSI, MISO, CS = range(4)
LINES = SpiLines(SCK, MOSI, MISO, (Select(CS),))
GLITCH_NS = 50
SMALL, LARGE = 1_000_000, 10_000_000
NAIVE_SMALL, NAIVE_LARGE = 100_000, 500_000

Columns = tuple[npt.NDArray[np.int64], npt.NDArray[np.uint8]]
DTYPES: dict[str, Any] = {
    "start_ns": np.int64,
    "end_ns": np.int64,
    "device": np.uint8,
    "mosi": np.uint32,
    "miso": np.uint32,
    "bits": np.int64,
    "problems": np.uint16,
}


class Table(ctypes.Structure):
    """As the C pass has it."""

    _fields_ = [*((name, ctypes.c_void_p) for name in DTYPES), ("rows", ctypes.c_int64)]


def traffic(rows: int, form: SpiFormat) -> Columns:
    """Transfers of 1 to 16 words at 4 MHz, both data lines at random, one in a hundred cut."""
    randomly = random.Random(11)
    found: list[tuple[int, int]] = []
    idle, t_ns = form.mode >> 1, 1_000
    level = idle << SCK | 1 << CS

    def put(line: int, value: int) -> None:
        nonlocal level
        new = level & ~(1 << line) | value << line
        if new != level:
            level = new
            if found and found[-1][0] == t_ns:
                found[-1] = (t_ns, level)
            else:
                found.append((t_ns, level))

    while len(found) < 200_000:
        put(CS, 0)
        t_ns += 125
        count = form.word_bits * randomly.randrange(1, 17) - (randomly.randrange(100) == 0)
        for _ in range(count):
            if form.mode % 2:
                put(SCK, 1 - idle)
                t_ns += 10
            put(MOSI, randomly.randrange(2))
            put(MISO, randomly.randrange(2))
            t_ns += 115 if form.mode % 2 else 125
            put(SCK, idle if form.mode % 2 else 1 - idle)
            t_ns += 125
            if not form.mode % 2:
                put(SCK, idle)
        t_ns += 125
        put(CS, 1)
        t_ns += randomly.randrange(500, 50_000)
    columns = np.array(found, np.int64)
    copies = -(-rows // len(columns))
    times = (columns[:, 0][None, :] + (np.arange(copies) * t_ns)[:, None]).reshape(-1)[:rows]
    levels = np.tile(columns[:, 1].astype(np.uint8), copies)[:rows]
    first = np.array([idle << SCK | 1 << CS], np.uint8)
    return np.concatenate([[0], times]), np.concatenate([first, levels])


def decode(columns: Columns, form: SpiFormat, block: int = 1 << 20) -> SpiWords:
    """As a reader would feed it, in blocks; without what the end cuts."""
    t_ns, levels = columns
    decoder = SpiDecoder(LINES, form, glitch_ns=GLITCH_NS)
    given = []
    for at in range(0, len(t_ns), block):
        part = t_ns[at : at + block]
        given.append(decoder.feed(Edges(part, levels[at : at + block], at == 0, int(part[-1]))))
    return concatenated(given)


class CPass:
    """The C pass with room for its columns."""

    def __init__(self, library: ctypes.CDLL, rows: int) -> None:
        self._decode = library.decode
        self._decode.restype = None
        self.columns = {name: np.zeros(rows // 4 + 16, kind) for name, kind in DTYPES.items()}
        self.table = Table()
        for name, column in self.columns.items():
            setattr(self.table, name, column.ctypes.data)

    def __call__(self, columns: Columns, form: SpiFormat) -> None:
        t_ns, levels = columns
        self.table.rows = 0
        self._decode(
            ctypes.c_void_p(t_ns.ctypes.data),
            ctypes.c_void_p(levels.ctypes.data),
            ctypes.c_int64(len(t_ns)),
            ctypes.c_int(form.mode),
            ctypes.c_int(form.word_bits),
            ctypes.c_int64(GLITCH_NS),
            ctypes.byref(self.table),
        )


def decode_naively(t_ns: list[int], levels: list[int], form: SpiFormat) -> list[tuple[int, int]]:
    """The reader one would write first: row by row, whole words of MOSI."""
    words: list[tuple[int, int]] = []
    word = taken = 0
    was = levels[0]
    for t, now in zip(t_ns, levels, strict=True):
        changed = was ^ now
        if changed & 1 and (now & 1) == form.samples_rising and not was >> CS & 1:
            word, taken = word << 1 | (was >> MOSI & 1), taken + 1
            if taken == form.word_bits:
                words.append((t, word))
                word = taken = 0
        if changed >> CS & 1:
            word = taken = 0
        was = now
    return words


def check(columns: Columns, form: SpiFormat, c_pass: CPass) -> None:
    """The three find the same."""
    rows = decode(columns, form)
    c_pass(columns, form)
    assert c_pass.table.rows == len(rows) > len(columns[0]) // 80
    for name, column in c_pass.columns.items():
        assert (getattr(rows, name) == column[: len(rows)]).all(), name
    whole = rows.bits == form.word_bits
    plain = decode_naively(columns[0].tolist(), columns[1].tolist(), form)
    assert plain == list(zip(rows.end_ns[whole].tolist(), rows.mosi[whole].tolist(), strict=True))


def main() -> None:
    source = Path(__file__).with_name("spi_pass.c").read_text(encoding="utf-8")
    lines = [("SPI decode", "ns/row", "M rows/s", "beside C")]
    with tempfile.TemporaryDirectory() as folder:
        library = compiled(source, Path(folder), "spi_pass")
        c_pass = CPass(library, LARGE)
        for form in (SpiFormat(0, 8), SpiFormat(3, 12)):
            large = traffic(LARGE, form)
            small = large[0][:SMALL], large[1][:SMALL]
            check(small, form, c_pass)
            naive = [
                (large[0][:n].tolist(), large[1][:n].tolist()) for n in (NAIVE_SMALL, NAIVE_LARGE)
            ]
            quick = least_seconds(
                {
                    "C small": partial(c_pass, small, form),
                    "C large": partial(c_pass, large, form),
                    "decoder small": partial(decode, small, form),
                    "decoder large": partial(decode, large, form),
                },
                repeats=5,
            )
            slow = least_seconds(
                {
                    "small": partial(decode_naively, *naive[0], form),
                    "large": partial(decode_naively, *naive[1], form),
                },
                repeats=2,
            )
            unit = slope(quick["C small"], quick["C large"], SMALL, LARGE)
            spent = {
                "one C pass": unit,
                "SpiDecoder": slope(quick["decoder small"], quick["decoder large"], SMALL, LARGE),
                "naive Python": slope(slow["small"], slow["large"], NAIVE_SMALL, NAIVE_LARGE),
            }
            for name, s in spent.items():
                what = f"{name}, mode {form.mode}, {form.word_bits} bits"
                lines.append((what, f"{s * 1e9:.2f}", f"{1e-6 / s:.1f}", f"x{s / unit:.2f}"))
    print(table(lines))


if __name__ == "__main__":
    main()
