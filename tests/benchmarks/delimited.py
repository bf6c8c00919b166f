"""Delimited captures: speed beside C and beside a plain reader, exactness, memory.

`python -m tests.benchmarks.delimited` prints three tables. Speeds are slopes between `--small` and
`--large` edges (1 and 10 million), so start-up drops out; the C pass (delimited_c.py) and the plain
reader do the same work on the same files in the same run.
"""

from __future__ import annotations

import argparse
import csv
import tempfile
from decimal import Decimal
from functools import partial
from pathlib import Path

import numpy as np

from decoders.buses.i2c import I2cDecoder
from decoders.captures.delimited import DelimitedReader
from tests.benchmarks.delimited_c import CPass
from tests.benchmarks.delimited_data import fixed_rows, write_changes, write_samples
from tests.benchmarks.measure import least_seconds, own_peak_bytes, peak_bytes, slope, table

_MODULE = "tests.benchmarks.delimited"
_CHUNK = 1 << 20
_PLAIN_PART = 20  # the plain reader reads files this many times smaller
_TARGETS = {"fixed": 2.5, "short": 7.0, "scientific": 7.0, "samples": 2.0}
_TITLES = {
    "fixed": "per change, regular",
    "short": "per change, trailing zeros left out",
    "scientific": "per change, scientific",
    "samples": "per sample",
}
_BASES_S = (0, 2100, 1_700_000_000)


def read_edges(path: Path) -> int:
    """Read a file to edges; return how many."""
    reader = DelimitedReader(path.name)
    count = 0
    with path.open("rb", buffering=0) as file:
        while chunk := file.read(_CHUNK):
            count += sum(len(block.t_ns) for block in reader.feed(chunk))
    count += sum(len(block.t_ns) for block in reader.finish())
    if reader.stopped is not None:
        raise reader.stopped
    return count


def read_transactions(path: Path) -> int:
    """Read a file to transactions; return how many."""
    reader, decoder = DelimitedReader(path.name), I2cDecoder(0, 1)
    count = 0
    with path.open("rb", buffering=0) as file:
        while chunk := file.read(_CHUNK):
            count += sum(len(decoder.feed(block)[0]) for block in reader.feed(chunk))
    count += sum(len(decoder.feed(block)[0]) for block in reader.finish())
    return count + len(decoder.finish()[0])


def read_plainly(path: Path) -> int:
    """What one would write first: the csv module and Decimal, to lists; return how many edges."""
    times: list[int] = []
    words: list[int] = []
    with path.open(newline="", encoding="utf-8") as file:
        rows = csv.reader(file)
        next(rows)
        for time_s, scl, sda in rows:
            word = int(scl) | int(sda) << 1
            if not words or word != words[-1]:
                times.append(int(Decimal(time_s) * 1_000_000_000))
                words.append(word)
    return len(times)


def _write(folder: Path, form: str, count: int) -> Path:
    path = folder / f"{form}-{count}.csv"
    if form == "samples":
        write_samples(path, count)
    else:
        write_changes(path, count, form)
    return path


def _seconds(folder: Path, c_pass: CPass, form: str, count: int) -> dict[str, float]:
    path, part = _write(folder, form, count), _write(folder, form, count // _PLAIN_PART)
    seconds = least_seconds(
        {
            "C": partial(c_pass.run, path, decode=False),
            "C both": partial(c_pass.run, path, decode=True),
            "ours": partial(read_edges, path),
            "ours both": partial(read_transactions, path),
        },
        repeats=4,
    )
    seconds |= least_seconds({"plain": partial(read_plainly, part)}, repeats=1)
    path.unlink()
    part.unlink()
    return seconds


def speed_row(folder: Path, c_pass: CPass, form: str, small: int, large: int) -> list[str]:
    """One row of the table of speeds: ns an edge, and ratios."""
    few, many = (_seconds(folder, c_pass, form, count) for count in (small, large))
    cost = {name: slope(few[name], many[name], small, large) for name in few}
    cost["plain"] *= _PLAIN_PART
    return [
        _TITLES[form],
        *(f"{1e9 * cost[name]:.1f}" for name in ("C", "ours", "C both", "ours both", "plain")),
        f"x{cost['ours'] / cost['C']:.2f}",
        f"x{cost['plain'] / cost['C']:.0f}",
        f"x{cost['ours both'] / cost['C both']:.2f}",
        f"x{_TARGETS[form]:g}",
    ]


def wrong_ns(base_s: int, count: int) -> tuple[int, int]:
    """Read `count` random times from `base_s` on; return how many were read, and how many wrong."""
    rng = np.random.default_rng(base_s)
    reader = DelimitedReader("exact.csv")
    start, wrong, seen = base_s * 10**9, 0, 0
    expected = np.empty(0, np.int64)
    for at in range(0, count, 1 << 18):
        size = min(1 << 18, count - at)
        t = start + np.cumsum(rng.integers(1, 20_000, size))
        start = int(t[-1])
        expected = np.concatenate((expected, t))
        words = (np.arange(at, at + size) % 2 + 2).astype(np.uint8)
        for block in reader.feed(fixed_rows(t, words)):
            wrong += int(np.count_nonzero(block.t_ns != expected[: len(block.t_ns)]))
            seen += len(block.t_ns)
            expected = expected[len(block.t_ns) :]
    for block in reader.finish():
        wrong += int(np.count_nonzero(block.t_ns != expected[: len(block.t_ns)]))
        seen += len(block.t_ns)
    return seen, wrong


def memory_rows(folder: Path, small: int, large: int) -> list[list[str]]:
    """Peak memory over the imports' of a child that reads a file, beside what is allowed."""
    imports = peak_bytes(_MODULE, "--read", "")
    rows = [["capture", "edges", "MB over imports", "allowed"]]
    for form, title in _TITLES.items():
        for count in (small, large):
            path = _write(folder, form, count)
            over = (peak_bytes(_MODULE, "--read", str(path)) - imports) / 1e6
            rows.append([title, f"{count:,}", f"{over:.1f}", f"{64 + 2 * count / 1e6:.0f}"])
            path.unlink()
    return rows


def main() -> None:
    """Print the tables, or read one file (for the measure of memory)."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--small", type=int, default=1_000_000)
    parser.add_argument("--large", type=int, default=10_000_000)
    parser.add_argument("--read", help=argparse.SUPPRESS)
    options = parser.parse_args()
    if options.read is not None:
        if options.read:
            read_transactions(Path(options.read))
        print(own_peak_bytes())
        return
    head = ["capture", "C", "ours", "C both", "ours both", "plain"]
    head += ["reader/C", "plain/C", "both/C", "target"]
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        c_pass = CPass(folder)
        rows = [speed_row(folder, c_pass, form, options.small, options.large) for form in _TITLES]
        print("ns an edge (both: file to transactions)")
        print(table([head, *rows]), flush=True)
        print(table(memory_rows(folder, options.small, options.large)), flush=True)
    exact = [["times from", "values", "wrong"]]
    for base_s in _BASES_S:
        seen, wrong = wrong_ns(base_s, options.large)
        exact.append([f"{base_s:,} s", f"{seen:,}", str(wrong)])
    print(table(exact))


if __name__ == "__main__":
    main()
