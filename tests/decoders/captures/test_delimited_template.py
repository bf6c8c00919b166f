from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from decoders.captures.delimited_shape import shape_of
from decoders.captures.delimited_template import MATRIX_BYTES, ShapedLines, Variant
from tests.decoders.captures.delimited_made import layout

LAYOUT = layout("Time [s],scl\n0.5,1\n0.75,0\n")


def lines_like(line: bytes) -> ShapedLines:
    shape = shape_of(line, LAYOUT)
    assert shape is not None
    return ShapedLines(shape)


def time_of(variant: Variant, line: bytes) -> int:
    """The time of a line by its words, as the matrix reads them."""
    total = variant.base
    for word in variant.words:
        begin = max(word.begin, 0)
        raw = bytes(begin - word.begin) + line[begin : word.begin + 8]
        keep = int(word.keep).to_bytes(8, "little")
        digits = [
            byte - 48 for byte, kept in zip(raw, keep, strict=True) if kept and 48 <= byte <= 57
        ][-word.digits :]
        total += int("".join(map(str, digits))) * word.worth
    return total


@settings(deadline=None)
@given(ns=st.integers(0, 9_999_999_999_999))
def test_words_hold_all_digits_that_vary(ns: int) -> None:
    line = f"{ns // 10**9:04d}.{ns % 10**9:09d},1\n".encode()
    variant = lines_like(line).variant(line, line, 10)
    assert time_of(variant, line) == ns


def test_digits_that_first_and_last_line_share_are_taken_into_the_template() -> None:
    first, last = b"1234.500000000,1\n", b"1234.599999999,0\n"
    lines = lines_like(first)
    shared, other = lines.variant(first, last, 3), lines.variant(first, b"9999.500000000,1\n", 3)
    assert shared.fixed > other.fixed == 0
    assert (shared.base, other.base) == (1_234_500_000_000, 0)
    assert len(shared.words) < len(other.words)
    row = shared.template[: lines.length].tobytes()
    assert row.startswith(b"1234.5")
    assert not shared.limit[: len("1234.5")].any()


def test_a_line_of_another_shape_does_not_get_into_the_template() -> None:
    lines = lines_like(b"9.999999995,1\n")
    odd = b"10.00100382,1\n"
    assert lines.variant(odd, odd, 3).fixed == 0


def test_the_template_follows_the_digits_that_are_shared() -> None:
    one, two = b"1234.500000000,1\n", b"1235.500000000,1\n"
    lines = lines_like(one)
    lines.variant(one, one, 3)
    variant = lines.variant(two, two, 3)
    assert variant.base == 1_235_500_000_000
    for k in range(3):
        assert variant.template[k * lines.length :][:6].tobytes() == b"1235.5"


@pytest.mark.parametrize("rows", [1, 7, 1000])
def test_a_template_has_room_for_the_rows_asked_for(rows: int) -> None:
    line = b"1234.500000000,1\n"
    lines = lines_like(line)
    variant = lines.variant(line, line, rows)
    assert len(variant.template) == len(variant.limit) >= rows * lines.length
    assert variant.template.dtype == np.uint8
    assert lines.rows_at_once * lines.length <= MATRIX_BYTES
