"""Pulses of a line beside a C pass.

Run it with: python -m tests.benchmarks.pulses

Times are slopes between 1 and 10 million rows, so start-up drops out.
"""

from __future__ import annotations

import ctypes
import tempfile
from functools import partial
from pathlib import Path

import numpy as np
import numpy.typing as npt

from decoders.buses.pulses import PulseDecoder, Pulses, concatenated
from decoders.captures.edges import Edges
from tests.benchmarks.measure import compiled, least_seconds, slope, table

SMALL, LARGE = 1_000_000, 10_000_000

Columns = tuple[npt.NDArray[np.int64], npt.NDArray[np.uint8]]


def alone(rows: int) -> Columns:
    """A line that changes in every row: pulses of 1 to 2 ms, one every 20 ms."""
    widths = np.random.default_rng(7).integers(1_000_000, 2_000_000, rows // 2)
    starts = 20_000_000 * np.arange(1, rows // 2 + 1)
    t_ns = np.stack([starts, starts + widths], axis=1).reshape(-1)
    levels = np.tile(np.array([1, 0], np.uint8), rows // 2)
    return np.concatenate([[0], t_ns]), np.concatenate([np.zeros(1, np.uint8), levels])


def among_others(columns: Columns) -> Columns:
    """The same line as bit 2 of a capture of which nine rows in ten are of other lines."""
    t_ns, levels = columns
    words = np.repeat(levels << 2, 10)
    words |= np.tile(np.array([0, 1, 3, 2, 0, 1, 3, 2, 0, 1], np.uint8), len(levels))
    return np.repeat(t_ns, 10), words


def decode(columns: Columns, line: int, block: int = 1 << 20) -> Pulses:
    """As a reader would feed it, in blocks."""
    t_ns, levels = columns
    decoder = PulseDecoder(line)
    given = []
    for at in range(0, len(t_ns), block):
        part = t_ns[at : at + block]
        given.append(decoder.feed(Edges(part, levels[at : at + block], at == 0, int(part[-1]))))
    return concatenated(given)


class CPass:
    """The C pass with room for its columns."""

    def __init__(self, library: ctypes.CDLL, rows: int) -> None:
        self._decode = library.decode
        self._decode.restype = ctypes.c_int64
        self.columns = [np.zeros(rows // 2 + 16, np.int64) for _ in range(3)]

    def __call__(self, columns: Columns, line: int) -> int:
        t_ns, levels = columns
        rows: int = self._decode(
            ctypes.c_void_p(t_ns.ctypes.data),
            ctypes.c_void_p(levels.ctypes.data),
            ctypes.c_int64(len(t_ns)),
            ctypes.c_int(line),
            *(ctypes.c_void_p(column.ctypes.data) for column in self.columns),
        )
        return rows


def check(columns: Columns, line: int, c_pass: CPass) -> None:
    """Both find the same."""
    rows = decode(columns, line)
    n = c_pass(columns, line)
    assert n == len(rows) > 1_000
    for own, column in zip(
        (rows.start_ns, rows.end_ns, rows.period_ns), c_pass.columns, strict=True
    ):
        assert (own == column[:n]).all()


def main() -> None:
    source = Path(__file__).with_name("pulses_pass.c").read_text(encoding="utf-8")
    lines = [("pulses", "ns/row", "M rows/s", "beside C")]
    with tempfile.TemporaryDirectory() as folder:
        c_pass = CPass(compiled(source, Path(folder), "pulses_pass"), LARGE)
        cases = {
            "": (alone(LARGE), 0),
            ", one row in ten its own": (among_others(alone(LARGE // 10)), 2),
        }
        for what, (large, line) in cases.items():
            small = large[0][:SMALL], large[1][:SMALL]
            check(small, line, c_pass)
            spent = least_seconds(
                {
                    "C small": partial(c_pass, small, line),
                    "C large": partial(c_pass, large, line),
                    "decoder small": partial(decode, small, line),
                    "decoder large": partial(decode, large, line),
                },
                repeats=5,
            )
            unit = slope(spent["C small"], spent["C large"], SMALL, LARGE)
            for name, key in {"one C pass": "C", "PulseDecoder": "decoder"}.items():
                s = slope(spent[f"{key} small"], spent[f"{key} large"], SMALL, LARGE)
                lines.append((name + what, f"{s * 1e9:.2f}", f"{1e-6 / s:.1f}", f"x{s / unit:.2f}"))
    print(table(lines))


if __name__ == "__main__":
    main()
