"""Bus columns as tables with the words of the design."""

from __future__ import annotations

import numpy as np
import polars as pl

from console.bench.tables import TABLES
from console.timeline.tables.bus_tables import line_states_frame, transactions_frame
from decoders.buses.i2c import I2cDecoder
from decoders.buses.transactions import (
    LINE_STATES,
    TURNS,
    concatenated,
    line_states,
    no_transactions,
)
from tests.decoders.buses.wave import Wave


def test_a_read_of_two_bytes_is_one_row_in_words() -> None:
    wave = Wave()
    wave.start()
    wave.byte(0x2E << 1 | 1)
    wave.byte(0xA5)
    wave.byte(0x5A, ack=False)
    wave.stop()
    decoder = I2cDecoder(0, 1)
    parts = [decoder.feed(wave.edges()), decoder.finish()]
    rows = transactions_frame(next(t for t, _ in parts if len(t)), "wire", "i2c-1").to_dicts()
    assert len(rows) == 1
    assert {k: v for k, v in rows[0].items() if not k.endswith("_ns")} == {
        "source": "wire",
        "bus": "i2c-1",
        "address": 0x2E,
        "address_bits": 7,
        "read": True,
        "address_acked": True,
        "data": "a55a",
        "acks": "AN",
        "started_by": "start",
        "ended_by": "stop",
        "problems": [],
    }


def test_address_zero_and_bit_slot_zero_are_values() -> None:
    wave = Wave().start().byte(0x00).byte(0x06).stop()
    decoder = I2cDecoder(0, 1)
    table = concatenated([decoder.feed(wave.edges())[0], decoder.finish()[0]])
    assert transactions_frame(table, "wire", "i2c-1")["address"].to_list() == [0]
    held = line_states([(1, 2, LINE_STATES.index("sda-held"), 0, TURNS.index("target"))])
    idle = line_states([(2, 3, LINE_STATES.index("idle"), -1, TURNS.index("unknown"))])
    frame = line_states_frame(concatenated([held, idle]), "wire", "i2c-1")
    assert frame["bit_slot"].to_list() == [0, None]


def test_what_was_cut_before_its_address_has_nulls() -> None:
    table = no_transactions()
    cut = type(table)(
        **{
            name: np.append(getattr(table, name), np.array([value], getattr(table, name).dtype))
            for name, value in {
                "start_ns": 1, "end_ns": 2, "address": -1, "address_bits": 0, "read": False,
                "address_acked": False, "started_by": 2, "ended_by": 3, "bits_over": 0,
                "scl_low_max_ns": 0, "problems": 0, "first": 0,
            }.items()
        },
        data=table.data,
        acked=table.acked,
    )  # fmt: skip
    row = transactions_frame(cut, "wire", "i2c-1").row(0, named=True)
    assert (row["address"], row["read"], row["address_acked"]) == (None, None, None)
    assert (row["started_by"], row["ended_by"], row["data"]) == ("cut", "cut", "")


def test_empty_tables_have_the_columns_and_types_of_full_ones() -> None:
    transactions = transactions_frame(no_transactions(), "wire", "i2c-1")
    states = line_states_frame(line_states(), "wire", "i2c-1")
    for frame, name in ((transactions, "transactions"), (states, "line_states")):
        assert {**frame.schema, "band_ns": pl.Int64} == dict(TABLES[name])
