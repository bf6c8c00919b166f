"""Waves of an independent bus model, cocotbext-i2c on Icarus Verilog, against what it observed.

How they were made stands in tests/data/i2c_independent/README.md.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from decoders.buses.i2c import I2cDecoder
from decoders.buses.transactions import ENDED_BY, LINE_STATES, STARTED_BY, Transactions
from decoders.captures.vcd import VcdReader

DATA = Path(__file__).parents[2] / "data" / "i2c_independent"
WAVES = (
    "writes_100k",
    "memory_reads_400k",
    "nacks_100k",
    "stretched_1m",
    "mixed_50k",
    "switched_off_400k",
)
# The same wave three times: pulled up, with z where nobody drives, and as bits of a port.
LINES = (("scl", "sda"), ("scl_open", "sda_open"), ("port[4]", "port[5]"))


def rows_of(table: Transactions) -> list[dict[str, Any]]:
    rows = []
    for k in range(len(table)):
        part = slice(int(table.first[k]), int(table.first[k + 1]))
        rows.append(
            {
                "start_ns": int(table.start_ns[k]),
                "started_by": STARTED_BY[table.started_by[k]],
                "address": int(table.address[k]),
                "read": bool(table.read[k]),
                "address_acked": bool(table.address_acked[k]),
                "data": table.data[part].tobytes().hex(),
                "acks": "".join("A" if acked else "N" for acked in table.acked[part]),
                "end_ns": int(table.end_ns[k]),
                "ended_by": ENDED_BY[table.ended_by[k]],
            }
        )
    return rows


def decoded(name: str, lines: tuple[str, str], chunk: int) -> tuple[list[dict[str, Any]], set[str]]:
    """Transactions and the words of the line states."""
    reader = VcdReader(name, wanted=lines)
    text = (DATA / f"{name}.vcd").read_bytes()
    blocks = [
        block for at in range(0, len(text), chunk) for block in reader.feed(text[at : at + chunk])
    ]
    blocks += reader.finish()
    assert reader.stopped is None
    ends = tuple(channel.removeprefix("bench.") for channel in reader.channels)
    decoder = I2cDecoder(ends.index(lines[0]), ends.index(lines[1]))
    tables = [*(decoder.feed(block) for block in blocks), decoder.finish()]
    states = np.concatenate([state.state for _, state in tables]).tolist()
    return [row for table, _ in tables for row in rows_of(table)], {LINE_STATES[k] for k in states}


@pytest.mark.parametrize("lines", LINES)
@pytest.mark.parametrize("name", WAVES)
def test_transactions_are_those_the_bus_model_saw(name: str, lines: tuple[str, str]) -> None:
    truth = json.loads((DATA / f"{name}.json").read_text("utf-8"))
    rows, _ = decoded(name, lines, 1 << 20)
    assert rows == truth


@pytest.mark.parametrize("chunk", [1, 100, 4096])
def test_waves_read_in_pieces_give_the_same(chunk: int) -> None:
    assert decoded("nacks_100k", LINES[0], chunk) == decoded("nacks_100k", LINES[0], 1 << 20)


def test_time_that_was_not_recorded_is_shown_as_such() -> None:
    assert "not-observed" in decoded("switched_off_400k", LINES[0], 1 << 20)[1]
    assert "not-observed" not in decoded("writes_100k", LINES[0], 1 << 20)[1]
