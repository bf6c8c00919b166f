"""Bounded memory: transactions without end, and how they are split."""

from __future__ import annotations

import tracemalloc

import numpy as np
import pytest

from decoders.buses import i2c, i2c_fold
from decoders.buses.i2c import I2cDecoder
from decoders.captures.edges import Edges
from tests.decoders.buses.rows import decoded
from tests.decoders.buses.wave import Wave


@pytest.fixture
def short_rows(monkeypatch: pytest.MonkeyPatch) -> None:
    """Rows of at most three bytes on the wire, in blocks that hold fewer."""
    monkeypatch.setattr(i2c_fold, "MAX_BYTES", 3)
    monkeypatch.setattr(i2c, "_BLOCK", 32)


@pytest.mark.usefixtures("short_rows")
def test_long_transaction_is_split_and_keeps_its_address_and_bytes() -> None:
    wave = Wave().transaction(0x2E, bytes(range(10, 16))).stop()
    transactions, _ = decoded(I2cDecoder(0, 1), [wave.edges()])
    assert [[value for value, _ in row[6]] for row in transactions] == [  # type: ignore[attr-defined]
        [10, 11],
        [12, 13, 14],
        [15],
    ]
    assert [row[2:6] for row in transactions] == [(0x2E, 7, False, True)] * 3
    assert [row[7:9] for row in transactions] == [
        ("start", "cut"),
        ("cut", "cut"),
        ("cut", "stop"),
    ]
    assert [row[-1] for row in transactions] == [("split",)] * 3


@pytest.mark.usefixtures("short_rows")
def test_rows_of_a_split_transaction_follow_each_other_without_a_gap() -> None:
    wave = Wave().transaction(0x2E, bytes(7)).stop()
    transactions, _ = decoded(I2cDecoder(0, 1), [wave.edges()])
    ends, starts = [row[1] for row in transactions[:-1]], [row[0] for row in transactions[1:]]
    assert ends == starts


def clocks_for_ever(at_ns: int, clocks: int) -> Edges:
    """Zeros, one bit after the other, SCL starting and ending low."""
    t_ns = at_ns + 5_000 * np.arange(2 * clocks)
    levels = np.tile(np.array([1, 0], np.uint8), clocks)
    return Edges(t_ns, levels, False, int(t_ns[-1]) + 4_999)


def test_memory_stays_bounded_when_clocks_run_without_a_stop() -> None:
    decoder = I2cDecoder(0, 1)
    decoder.feed(Wave().start().edges())
    rows, peaks = 0, []
    tracemalloc.start()
    for k in range(40):
        tracemalloc.reset_peak()
        table, _ = decoder.feed(clocks_for_ever(1_000_000 + k * 1_000_000_000, 100_000))
        rows += len(table)
        peaks.append(tracemalloc.get_traced_memory()[1])
    tracemalloc.stop()
    assert rows == 40 * 100_000 // (9 * i2c_fold.MAX_BYTES)
    assert max(peaks[30:]) <= 1.2 * max(peaks[:12])
