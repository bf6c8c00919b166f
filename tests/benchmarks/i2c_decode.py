"""I2C decoding beside a C pass and a plain Python state machine.

Run it with: python -m tests.benchmarks.i2c_decode

Times are slopes between 1 and 10 million edges (naive: 0.1 and 1 million), so start-up drops out.
"""

from __future__ import annotations

import ctypes
import random
import tempfile
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from decoders.buses.i2c import I2cDecoder
from decoders.buses.transactions import LineStates, Transactions, concatenated
from decoders.captures.edges import Edges
from tests.benchmarks.i2c_naive import decode as decode_naively
from tests.benchmarks.measure import compiled, least_seconds, slope, table
from tests.decoders.buses.wave import Wave

SPIKE_NS, HELD_NS = 50, 25_000_000
SMALL, LARGE = 1_000_000, 10_000_000
NAIVE_SMALL, NAIVE_LARGE = 100_000, 1_000_000

Columns = tuple[npt.NDArray[np.int64], npt.NDArray[np.uint8]]


class Table(ctypes.Structure):
    """As the C pass has it."""

    _fields_ = [
        *((name, ctypes.c_void_p) for name in (
            "start_ns", "end_ns", "address", "address_bits", "read", "address_acked", "first",
            "data", "acked", "started_by", "ended_by", "bits_over", "scl_low_max_ns", "problems",
            "idle_start_ns", "idle_end_ns",
        )),
        *((name, ctypes.c_int64) for name in ("rows", "bytes", "idles", "spikes", "holds")),
    ]  # fmt: skip


DTYPES = {
    "address": np.int16,
    "problems": np.uint32,
    **dict.fromkeys(("start_ns", "end_ns", "first", "scl_low_max_ns"), np.int64),
    **dict.fromkeys(("idle_start_ns", "idle_end_ns"), np.int64),
}


def traffic(edges: int) -> Columns:
    """Register reads and writes of 2 to 40 bytes at 400 kHz, with stretches and NACKs."""
    randomly = random.Random(2)
    wave = Wave(2_500)
    while len(wave.rows) < 200_000:
        address, size = randomly.choice((0x2E, 0x3C, 0x54)), randomly.choice((2, 4, 6, 40))
        wave.wait(randomly.randrange(20_000, 900_000))
        if randomly.random() < 0.02:
            wave.start().byte(address << 1, ack=False).stop()
            continue
        wave.transaction(address, bytes([randomly.randrange(32)]))
        wave.stretch(randomly.choice((0, 0, 0, 60_000)))
        wave.transaction(address, randomly.randbytes(size), read=randomly.random() < 0.7).stop()
    rows = np.array(wave.rows[1:], np.int64)
    copies = -(-edges // len(rows))
    shift = np.arange(copies) * (wave.now_ns + 10_000)
    t_ns = (rows[:, 0][None, :] + shift[:, None]).reshape(-1)[:edges]
    levels = np.tile(rows[:, 1].astype(np.uint8), copies)[:edges]
    return np.concatenate([[0], t_ns]), np.concatenate([np.array([3], np.uint8), levels])


def decode(columns: Columns, block: int = 1 << 20) -> tuple[Transactions, LineStates]:
    """As a reader would feed it, in blocks."""
    t_ns, levels = columns
    decoder = I2cDecoder(0, 1, spike_ns=SPIKE_NS, held_ns=HELD_NS, wait_ns=None)
    given = []
    for at in range(0, len(t_ns), block):
        part = t_ns[at : at + block]
        given.append(decoder.feed(Edges(part, levels[at : at + block], at == 0, int(part[-1]))))
    given.append(decoder.finish())
    return concatenated([rows for rows, _ in given]), concatenated([states for _, states in given])


class CPass:
    """The C pass with room for its columns."""

    def __init__(self, library: ctypes.CDLL, edges: int) -> None:
        self._decode = library.decode
        self._decode.restype = None
        self.columns: dict[str, npt.NDArray[Any]] = {}
        self.table = Table()
        for name, kind, *_ in Table._fields_:
            if kind is ctypes.c_void_p:
                room = edges // 4 if name in ("data", "acked") else edges // 20
                self.columns[name] = np.zeros(room + 16, DTYPES.get(name, np.uint8))
                setattr(self.table, name, self.columns[name].ctypes.data)

    def __call__(self, columns: Columns) -> None:
        t_ns, levels = columns
        for name in ("rows", "bytes", "idles", "spikes", "holds"):
            setattr(self.table, name, 0)
        self._decode(
            ctypes.c_void_p(t_ns.ctypes.data),
            ctypes.c_void_p(levels.ctypes.data),
            ctypes.c_int64(len(t_ns)),
            ctypes.c_int64(SPIKE_NS),
            ctypes.c_int64(HELD_NS),
            ctypes.byref(self.table),
        )


def check(columns: Columns, c_pass: CPass) -> None:
    """The three find the same."""
    rows, states = decode(columns)
    c_pass(columns)
    n = c_pass.table.rows
    whole = slice(0, n)
    assert n in (len(rows), len(rows) - 1), (n, len(rows))  # the last may be cut
    names = [name for name, *_ in Table._fields_ if name in c_pass.columns and hasattr(rows, name)]
    for name in set(names) - {"data", "acked"}:
        assert (getattr(rows, name)[whole] == c_pass.columns[name][whole]).all(), name
    m = c_pass.table.bytes if n == len(rows) else int(rows.first[n])
    assert (rows.data[:m] == c_pass.columns["data"][:m]).all()
    assert (rows.acked[:m] == c_pass.columns["acked"][:m].astype(bool)).all()
    idles = c_pass.table.idles
    assert (states.start_ns[:idles] == c_pass.columns["idle_start_ns"][:idles]).all()
    plain, spans, odd = decode_naively(columns[0].tolist(), columns[1].tolist(), SPIKE_NS, HELD_NS)
    assert [row.address for row in plain] == rows.address[whole].tolist()
    assert b"".join(row.data for row in plain) == rows.data[: int(rows.first[n])].tobytes()
    assert [row.scl_low_max_ns for row in plain] == rows.scl_low_max_ns[whole].tolist()
    assert [row.problems for row in plain] == rows.problems[whole].tolist()
    assert len(spans) == idles
    assert odd == 0


def main() -> None:
    source = Path(__file__).with_name("i2c_pass.c").read_text(encoding="utf-8")
    with tempfile.TemporaryDirectory() as folder:
        library = compiled(source, Path(folder), "i2c_pass")
        large = traffic(LARGE)
        small = large[0][:SMALL], large[1][:SMALL]
        naive_small = large[0][:NAIVE_SMALL].tolist(), large[1][:NAIVE_SMALL].tolist()
        naive_large = large[0][:NAIVE_LARGE].tolist(), large[1][:NAIVE_LARGE].tolist()
        c_pass = CPass(library, LARGE)
        check(small, c_pass)
        quick = least_seconds(
            {
                "C small": lambda: c_pass(small),
                "C large": lambda: c_pass(large),
                "decoder small": lambda: decode(small),
                "decoder large": lambda: decode(large),
            },
            repeats=7,
        )
        slow = least_seconds(
            {
                "small": lambda: decode_naively(*naive_small, SPIKE_NS, HELD_NS),
                "large": lambda: decode_naively(*naive_large, SPIKE_NS, HELD_NS),
            },
            repeats=2,
        )
    per_edge = {
        "one C pass": slope(quick["C small"], quick["C large"], SMALL, LARGE),
        "I2cDecoder": slope(quick["decoder small"], quick["decoder large"], SMALL, LARGE),
        "naive Python": slope(slow["small"], slow["large"], NAIVE_SMALL, NAIVE_LARGE),
    }
    unit = per_edge["one C pass"]
    rows = [
        (name, f"{s * 1e9:.2f}", f"{1e-6 / s:.1f}", f"x{s / unit:.2f}")
        for name, s in per_edge.items()
    ]
    print(table([("I2C decode", "ns/edge", "M edges/s", "beside C"), *rows]))
    print(f"decoder is {per_edge['naive Python'] / per_edge['I2cDecoder']:.0f} times the naive one")


if __name__ == "__main__":
    main()
