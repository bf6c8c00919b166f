"""Files of the simulator, read back with plain means."""

from __future__ import annotations

import gzip
import io
import json
from fractions import Fraction
from pathlib import Path

import pytest
from vcd.reader import TokenKind, tokenize

from captures_demo.simulator import Run, random_traffic
from captures_demo.simulator.cap_line import cap_line
from captures_demo.simulator.cap_line_plan import SHORT
from captures_demo.simulator.firmware import SerialAdapter
from captures_demo.simulator.writers.delimited import LAYOUTS, LEVELS, delimited
from captures_demo.simulator.writers.files import write
from captures_demo.simulator.writers.recordings import serial_jsonl
from captures_demo.simulator.writers.vcd import vcd

UNITS_NS = {"s": 10**9, "ms": 10**6, "us": 10**3, "ns": 1, "sample": 250}


@pytest.fixture(scope="module")
def run() -> Run:
    return random_traffic(5, acts=2, sample_rate_hz=4_000_000)


def last_row_of_each(rows: list[tuple[int, int]]) -> list[tuple[int, int]]:
    """Rows that change something, and the first."""
    return [row for k, row in enumerate(rows) if k == 0 or row[1] != rows[k - 1][1]]


@pytest.mark.parametrize("name", LAYOUTS)
def test_delimited_text_holds_every_change_to_the_ns(run: Run, name: str) -> None:
    layout, recorded = LAYOUTS[name], run.recorded()
    text = b"".join(delimited(recorded, layout)).decode(layout.encoding)
    lines = text.split(layout.line_end)
    head = next(k for k, line in enumerate(lines) if "scl" in line)
    low_high = [word.replace(".", layout.decimal) for word in LEVELS[layout.levels]]
    rows = []
    for line in lines[head + 1 : -1]:
        cells = line.split(layout.delimiter)
        time, levels = (cells[-1], cells[:-1]) if layout.time_last else (cells[0], cells[1:])
        t_ns = Fraction(time.replace(",", ".")) * UNITS_NS[layout.unit] - layout.shift_ns
        assert t_ns.denominator == 1
        rows.append((int(t_ns), sum(low_high.index(c) << k for k, c in enumerate(levels))))
    assert lines[-1] == ""
    assert last_row_of_each(rows) == list(
        zip(recorded.t_ns.tolist(), recorded.levels.tolist(), strict=True)
    )
    assert rows[-1][0] == recorded.until_ns


def test_every_sample_has_a_row(run: Run) -> None:
    text = b"".join(delimited(run.recorded(), LAYOUTS["every sample"]))
    assert text.count(b"\n") == run.recorded().last_sample + 2  # a header, and sample 0


def test_value_change_dump_is_read_by_an_independent_reader(run: Run) -> None:
    recorded = run.recorded()
    codes: dict[str, int] = {}
    time, word, rows = 0, 0, []
    for token in tokenize(io.BytesIO(b"".join(vcd(recorded)))):
        if token.kind is TokenKind.VAR:
            codes[token.var.id_code] = recorded.channels.index(token.var.reference)
        elif token.kind is TokenKind.CHANGE_TIME:
            rows.append((time, word))
            time = token.time_change
        elif token.kind is TokenKind.CHANGE_SCALAR:
            bit = codes[token.scalar_change.id_code]
            word = word & ~(1 << bit) | int(token.scalar_change.value) << bit
    assert time == recorded.until_ns
    assert last_row_of_each(rows[1:]) == list(
        zip(recorded.t_ns.tolist(), recorded.levels.tolist(), strict=True)
    )


def test_released_line_may_be_written_as_floating(run: Run) -> None:
    plain, floating = (b"".join(vcd(run.recorded(), high=letter)) for letter in ("1", "z"))
    lines = plain.splitlines()
    assert floating.splitlines() == [
        b"z" + line[1:] if line[:1] == b"1" and len(line) == 2 else line for line in lines
    ]
    assert b"\nz!" in floating


def test_compressed_file_is_the_same_every_time(tmp_path: Path) -> None:
    for name in ("a.csv.gz", "b.csv.gz"):
        write(tmp_path / name, [b"Sample,scl\n", b"0,1\n"])
    first, second = ((tmp_path / name).read_bytes() for name in ("a.csv.gz", "b.csv.gz"))
    assert first == second
    assert gzip.decompress(first) == b"Sample,scl\n0,1\n"


def test_serial_recording_holds_all_bytes_with_rising_stamps() -> None:
    run = cap_line(SHORT)
    rows = [json.loads(line) for line in serial_jsonl(run, SerialAdapter()).splitlines()]
    assert b"".join(bytes.fromhex(row["hex"]) for row in rows) == run.serial_bytes()
    assert [row["t"] for row in rows] == sorted(row["t"] for row in rows)
    assert rows[0]["t"] > 1_795_597_920
