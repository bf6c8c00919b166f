"""UART decoding beside a C pass and a plain Python receiver.

Run it with: python -m tests.benchmarks.uart

Times are slopes between 1 and 10 million edges (naive: 0.1 and 1 million), so start-up drops out.
"""

from __future__ import annotations

import ctypes
import random
import tempfile
import time
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from decoders.buses.serial_bytes import SerialBytes, concatenated
from decoders.buses.uart import UartDecoder
from decoders.buses.uart_lines import uart_lines
from decoders.captures.edges import Edges
from tests.benchmarks.measure import compiled, least_seconds, slope, table

BAUD, BIT_PS = 115_200, 8_680_556
SMALL, LARGE = 1_000_000, 10_000_000
NAIVE_SMALL, NAIVE_LARGE = 100_000, 1_000_000

Columns = tuple[npt.NDArray[np.int64], npt.NDArray[np.uint8]]


class Format(ctypes.Structure):
    """As the C pass has it."""

    _fields_ = [
        *((name, ctypes.c_int64) for name in ("bit_ps", "half_ns", "stop_ns", "frame_ns")),
        *((name, ctypes.c_int32) for name in ("data_bits", "samples", "parity")),
    ]


class Table(ctypes.Structure):
    """As the C pass has it."""

    _fields_ = [
        *((name, ctypes.c_void_p) for name in (
            "start_ns", "end_ns", "value", "parity_ok", "framing_ok", "problems",
        )),
        *((name, ctypes.c_int64) for name in ("rows", "rejected", "bits_by_ns", "bits_squared")),
    ]  # fmt: skip


DTYPES: dict[str, Any] = {
    "start_ns": np.int64,
    "end_ns": np.int64,
    "value": np.int16,
    "problems": np.uint16,
    "parity_ok": np.uint8,
    "framing_ok": np.uint8,
}


def log_text(randomly: random.Random) -> bytes:
    """Lines of firmware, 40 to 60 characters."""
    stamp, poll = randomly.randrange(10**6), randomly.randrange(10**5)
    level, tenths = randomly.randrange(100), randomly.randrange(400)
    return b"[%06d] INFO poll %d level=%d temp=%d.%d\r\n" % (
        stamp,
        poll,
        level,
        tenths // 10,
        tenths,
    )


def traffic(edges: int) -> Columns:
    """Log lines end to end with pauses of up to 5 ms, 8N1 on bit 0, edges 200 ns early or late."""
    randomly = random.Random(7)
    rows: list[tuple[int, int]] = []
    t_ps, level = 1_000_000_000, 1
    while len(rows) < 200_000:
        for value in log_text(randomly):
            word = value << 1 | 1 << 9
            for k in range(10):
                if (word >> k & 1) != level:
                    level = word >> k & 1
                    rows.append((t_ps // 1_000 + randomly.randrange(-200, 200), level))
                t_ps += BIT_PS
        t_ps += randomly.randrange(5_000_000_000)
    columns = np.array(rows, np.int64)
    copies = -(-edges // len(columns))
    shift = np.arange(copies) * (t_ps // 1_000)
    t_ns = (columns[:, 0][None, :] + shift[:, None]).reshape(-1)[:edges]
    levels = np.tile(columns[:, 1].astype(np.uint8), copies)[:edges]
    return np.concatenate([[0], t_ns]), np.concatenate([np.array([1], np.uint8), levels])


def among_others(columns: Columns) -> Columns:
    """The same line as bit 2 of a capture of which three rows in four are of other lines."""
    t_ns, levels = columns
    rows = np.repeat(t_ns, 4)
    words = np.repeat(levels << 2, 4)
    words |= np.tile(np.array([0, 1, 3, 2], np.uint8), len(levels))
    return rows, words


def decode(columns: Columns, line: int = 0, block: int = 1 << 20) -> SerialBytes:
    """As a reader would feed it, in blocks."""
    t_ns, levels = columns
    decoder = UartDecoder(line, baud=BAUD, wait_ns=None)
    given = []
    for at in range(0, len(t_ns), block):
        part = t_ns[at : at + block]
        known_ns = int(part[-1])
        given.append(decoder.feed(Edges(part, levels[at : at + block], at == 0, known_ns)))
    given.append(decoder.finish())
    return concatenated(given)


class CPass:
    """The C pass with room for its columns."""

    def __init__(self, library: ctypes.CDLL, edges: int) -> None:
        self._decode = library.decode
        self._decode.restype = None
        self.columns = {name: np.zeros(edges // 2 + 16, kind) for name, kind in DTYPES.items()}
        self.table = Table()
        for name, column in self.columns.items():
            setattr(self.table, name, column.ctypes.data)
        bit_ns = BIT_PS / 1_000
        self._format = Format(
            BIT_PS, int(bit_ns / 2) + 1, int(9.5 * bit_ns) + 1, round(10e9 / BAUD), 8, 9, 0
        )

    def __call__(self, columns: Columns, line: int = 0) -> None:
        t_ns, levels = columns
        for name in ("rows", "rejected", "bits_by_ns", "bits_squared"):
            setattr(self.table, name, 0)
        self._decode(
            ctypes.c_void_p(t_ns.ctypes.data),
            ctypes.c_void_p(levels.ctypes.data),
            ctypes.c_int64(len(t_ns)),
            ctypes.c_int(line),
            ctypes.byref(self._format),
            ctypes.byref(self.table),
        )


def decode_naively(t_ns: list[int], levels: list[int]) -> list[tuple[int, int, int, bool]]:
    """The receiver one would write first: edge by edge, in plain Python."""
    bit_ns = 1e9 / BAUD
    rows: list[tuple[int, int, int, bool]] = []
    start = -1
    word = sample = 0
    was = levels[0]
    for t, now in zip(t_ns, levels, strict=True):
        if now == was:
            continue
        if start >= 0:
            while sample < 9 and start + (sample + 1.5) * bit_ns <= t:
                word |= was << sample
                sample += 1
            if sample == 9:
                end = min(start + round(10 * bit_ns), t)
                rows.append((start, end, word & 0xFF, bool(word >> 8)))
                start = -1
        if start < 0 and not now:
            start, word, sample = t, 0, 0
        was = now
    return rows


def check(columns: Columns, c_pass: CPass) -> None:
    """The three find the same."""
    rows = decode(columns)
    c_pass(columns)
    n = min(c_pass.table.rows, len(rows)) - 1  # the last may be cut
    assert n > len(columns[0]) // 10, n
    assert abs(c_pass.table.rows - len(rows)) <= 1
    for name, column in c_pass.columns.items():
        if name != "problems":
            assert (getattr(rows, name)[:n] == column[:n].astype(getattr(rows, name).dtype)).all()
    assert not rows.problems[:n].any()
    assert not c_pass.columns["problems"][:n].any()
    plain = decode_naively(columns[0].tolist(), columns[1].tolist())
    assert [row[2] for row in plain[:n]] == rows.value[:n].tolist()
    assert [row[0] for row in plain[:n]] == rows.start_ns[:n].tolist()
    text = rows.value[:n].astype(np.uint8).tobytes()
    assert text.startswith(b"[")
    assert set(text.split(b"\r\n")[0]) <= set(range(32, 127))


def main() -> None:
    source = Path(__file__).with_name("uart_pass.c").read_text(encoding="utf-8")
    with tempfile.TemporaryDirectory() as folder:
        library = compiled(source, Path(folder), "uart_pass")
        large = traffic(LARGE)
        small = large[0][:SMALL], large[1][:SMALL]
        mixed_large = among_others((large[0][: LARGE // 4], large[1][: LARGE // 4]))
        mixed_small = mixed_large[0][:SMALL], mixed_large[1][:SMALL]
        naive_small = large[0][:NAIVE_SMALL].tolist(), large[1][:NAIVE_SMALL].tolist()
        naive_large = large[0][:NAIVE_LARGE].tolist(), large[1][:NAIVE_LARGE].tolist()
        c_pass = CPass(library, LARGE)
        check(small, c_pass)
        per_byte = len(large[0]) / len(decode(large))
        quick = least_seconds(
            {
                "C small": lambda: c_pass(small),
                "C large": lambda: c_pass(large),
                "decoder small": lambda: decode(small),
                "decoder large": lambda: decode(large),
                "C mixed small": lambda: c_pass(mixed_small, 2),
                "C mixed large": lambda: c_pass(mixed_large, 2),
                "decoder mixed small": lambda: decode(mixed_small, 2),
                "decoder mixed large": lambda: decode(mixed_large, 2),
            },
            repeats=7,
        )
        slow = least_seconds(
            {
                "small": lambda: decode_naively(*naive_small),
                "large": lambda: decode_naively(*naive_large),
            },
            repeats=2,
        )
    names = {"one C pass": "C", "UartDecoder": "decoder"}
    rows = [("UART decode", "ns/row", "M rows/s", "beside C")]
    for what, kind in (("", ""), (", one row in four its own", "mixed ")):
        unit = slope(quick[f"C {kind}small"], quick[f"C {kind}large"], SMALL, LARGE)
        for name, key in names.items():
            s = slope(quick[f"{key} {kind}small"], quick[f"{key} {kind}large"], SMALL, LARGE)
            rows.append((name + what, f"{s * 1e9:.2f}", f"{1e-6 / s:.1f}", f"x{s / unit:.2f}"))
        if not kind:
            s = slope(slow["small"], slow["large"], NAIVE_SMALL, NAIVE_LARGE)
            rows.append(("naive Python", f"{s * 1e9:.2f}", f"{1e-6 / s:.1f}", f"x{s / unit:.2f}"))
    print(table(rows))
    print(f"{per_byte:.2f} edges a byte")
    begin = time.perf_counter()
    found = uart_lines(Edges(*mixed_large, True, int(mixed_large[0][-1])), list("abcdefgh"))
    print(
        f"uart_lines on 8 channels: {time.perf_counter() - begin:.3f} s; {[f.why for f in found]}"
    )


if __name__ == "__main__":
    main()
