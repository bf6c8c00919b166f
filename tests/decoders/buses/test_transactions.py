"""Tables of several parts."""

from __future__ import annotations

import pytest

from decoders.buses.i2c import I2cDecoder
from decoders.buses.transactions import (
    PROBLEMS,
    concatenated,
    line_states,
    no_transactions,
    problem_bit,
)
from tests.decoders.buses.rows import state_rows, transaction_rows
from tests.decoders.buses.wave import Wave


def test_no_parts_make_an_empty_table() -> None:
    assert len(concatenated([])) == 0
    table = concatenated([no_transactions(), no_transactions()])
    sizes = {name: len(getattr(table, name)) for name in table.__slots__}
    assert sizes == dict.fromkeys(table.__slots__, 0) | {"first": 1}


def test_data_of_joined_tables_stay_with_their_rows() -> None:
    decoder = I2cDecoder(0, 1)
    wave = Wave().transaction(0x2E, b"\x01\x02").stop().wait(10_000).transaction(0x2F, b"").stop()
    table, _ = decoder.feed(wave.edges())
    table = concatenated([table, decoder.finish()[0]])
    twice = transaction_rows(concatenated([table, no_transactions(), table]))
    assert twice == 2 * transaction_rows(table)


def test_joined_line_states_are_in_start_order() -> None:
    late, early = line_states([(50, 60, 5, -1, 0)]), line_states([(10, 90, 2, 3, 2)])
    joined = concatenated([late, early])
    assert state_rows(joined) == [
        (10, 90, "sda-held", 3, "target"),
        (50, 60, "spike", -1, "unknown"),
    ]


def test_problem_bits_are_places_in_the_list() -> None:
    assert [problem_bit(word) for word in PROBLEMS] == [1 << k for k in range(len(PROBLEMS))]


def test_unknown_problem_is_refused() -> None:
    with pytest.raises(ValueError, match="not in"):
        problem_bit("sleepy")
