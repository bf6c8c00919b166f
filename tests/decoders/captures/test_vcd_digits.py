from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from decoders.captures.vcd_digits import (
    LAST,
    ZEROS,
    Words,
    all_digits,
    first_without_digits,
    number,
    numbers_in_place,
)


def words_of(texts: list[str]) -> Words:
    """Eight characters each, less 0x30, the first in the lowest byte."""
    return np.frombuffer("".join(texts).encode("latin-1"), "<u8").copy() ^ ZEROS


@settings(deadline=None)
@given(numbers=st.lists(st.integers(0, 99_999_999), min_size=1))
def test_eight_digits_are_read_at_once(numbers: list[int]) -> None:
    words = words_of([f"{each:08d}" for each in numbers])
    assert all_digits(words)
    assert [number(int(word)) for word in words] == numbers
    numbers_in_place(words)
    assert words.tolist() == numbers


@settings(deadline=None)
@given(text=st.text(st.characters(max_codepoint=255), min_size=8, max_size=8))
def test_digits_are_0_to_9_and_nothing_else(text: str) -> None:
    is_digits = all(letter in "0123456789" for letter in text)
    assert bool(all_digits(words_of([text]))) == is_digits


@pytest.mark.parametrize("odd", ["1234:678", "/2345678", "1234567\n", "\xb1" + "2345678"])
def test_the_first_word_without_digits_is_found(odd: str) -> None:
    assert first_without_digits(words_of(["12345678", odd, "x" * 8])) == 1


@pytest.mark.parametrize("kept", range(9))
def test_the_last_characters_of_a_word_are_kept(kept: int) -> None:
    (word,) = words_of(["98765432"]) & LAST[kept]
    assert number(int(word)) == int("0" + "98765432"[8 - kept :])


def test_no_words_are_all_digits() -> None:
    assert all_digits(np.empty(0, np.uint64))
