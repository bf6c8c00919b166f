from __future__ import annotations

import random
from fractions import Fraction

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from decoders.captures.delimited_levels import (
    LevelColumn,
    halfway_volts,
    has_no_value,
    hex_of,
    level_of,
    logic_of,
    port_width,
)

LEAST = Fraction(1, 2)


@pytest.mark.parametrize(
    ("cell", "level"),
    [("1", 1), ("High", 1), ("off", 0), ("0.0", 0), ("1,000", 1), ("2", None), ("", None)],
)
def test_logic_is_words_and_numbers_of_0_and_1(cell: str, level: int | None) -> None:
    assert logic_of(cell) == level


def test_overflow_words_and_empty_cells_have_no_value() -> None:
    assert [has_no_value(cell) for cell in ("", "OVF", "nan", "---", "0", "low")] == [
        *[True] * 4,
        *[False] * 2,
    ]


@pytest.mark.parametrize(
    ("cell", "value"), [("0x1F", 31), ("1fh", 31), ("FF", 255), ("g", None), ("0x", None)]
)
def test_ports_are_hexadecimal_with_or_without_a_mark(cell: str, value: int | None) -> None:
    assert hex_of(cell) == value


@pytest.mark.parametrize(
    ("column", "cell", "level"),
    [
        (LevelColumn(1, "volts", 0, threshold=Fraction(3, 2)), "1.5", 1),
        (LevelColumn(1, "volts", 0, threshold=Fraction(3, 2)), "1.499", 0),
        (LevelColumn(1, "volts", 0, threshold=Fraction(3, 2)), "high", None),
        (LevelColumn(1, "hex", 0, width=4), "F", 15),
        (LevelColumn(1, "hex", 0, width=4), "10", None),
        (LevelColumn(1, "number", 0, width=4), "15", 15),
        (LevelColumn(1, "number", 0, width=4), "16", None),
        (LevelColumn(1, "number", 0, width=4), "-1", None),
        (LevelColumn(1, "logic", 0), "on", 1),
    ],
)
def test_a_cell_gives_bits_as_its_column_is_written(
    column: LevelColumn, cell: str, level: int | None
) -> None:
    assert level_of(column, cell) == level


@pytest.mark.parametrize(
    ("cells", "port"),
    [
        (["0x00", "0x1F"], ("hex", 8)),
        (["0A", "13"], ("hex", 8)),
        (["00", "10"], ("hex", 8)),
        (["3", "0", "12"], ("number", 4)),
        (["200", "7"], ("number", 8)),
        (["0", "1"], None),
        (["1.5", "2.5"], None),
        ([], None),
    ],
)
def test_a_packed_port_is_told_by_how_it_is_written(
    cells: list[str], port: tuple[str, int] | None
) -> None:
    assert port_width(cells) == port


@settings(deadline=None)
@given(
    low=st.integers(0, 300),
    high=st.integers(1500, 5000),
    counts=st.tuples(st.integers(3, 20), st.integers(3, 20)),
)
def test_the_threshold_lies_half_way_between_the_levels_and_a_spike_moves_nothing(
    low: int, high: int, counts: tuple[int, int]
) -> None:
    cells = [f"{low / 1000:.3f}"] * counts[0] + [f"{high / 1000:.3f}"] * counts[1]
    random.Random(7).shuffle(cells)
    expected = Fraction(round(Fraction(low + high, 2)), 1000), True
    assert halfway_volts(cells, LEAST) == expected
    assert halfway_volts([*cells, f"{high / 1000 + 0.4:.3f}"], LEAST) == expected


def test_of_one_level_alone_the_threshold_is_half_but_never_below_the_least() -> None:
    assert halfway_volts(["3.3"] * 5, LEAST) == (Fraction(33, 20), False)
    assert halfway_volts(["0.1"] * 5, LEAST) == (LEAST, False)
    assert halfway_volts(["n/a"], LEAST) is None
