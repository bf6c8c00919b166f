"""One scalar change a step, as a byte matrix and as the careful way has it."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from decoders.captures.vcd_matrix import Layout, StepMatrix
from tests.decoders.captures.vcd_made import Dump

CODES = [("!", '"', "#", "$"), ("n0", "n1", "n2", "n3")]
FRONT = b"0" * 32


def toggles(codes: tuple[str, ...], count: int, first: int, seed: int) -> list[str]:
    """A time and the toggle of one of two lines in turn; times of equal length."""
    rng = np.random.default_rng(seed)
    levels, lines = [0, 0], list[str]()
    for raw in (first + np.cumsum(rng.integers(1, 9, count))).tolist():
        k = int(rng.integers(2))
        levels[k] ^= 1
        lines += [f"#{raw}", f"{levels[k]}{codes[k]}"]
    return lines


def taken(dump: Dump, lines: list[str]) -> tuple[int, int]:
    text = ("\n".join(lines) + "\n").encode()
    return StepMatrix().take(FRONT + text, 32, 32 + len(text), dump.state, dump.tables())


def test_a_row_is_a_time_and_a_change() -> None:
    assert Layout.of(b"#1234\n1!\n", 0, 9) == Layout(4, 1)
    assert Layout(4, 1).row == 9
    for text in (b"1!\n#5\n", b"#5\n", b"#5\n1!", b"#5\n1abc\n", b"#" + b"1" * 25 + b"\n1!\n"):
        assert Layout.of(text, 0, len(text)) is None


@settings(deadline=None)
@pytest.mark.parametrize("codes", CODES)
@given(
    seed=st.integers(0, 2**32),
    count=st.integers(64, 300),
    first=st.sampled_from([10_000, 99_990_000, 10**12, 10**17]),
)
def test_rows_are_what_the_careful_way_makes_of_them(
    codes: tuple[str, str, str, str], seed: int, count: int, first: int
) -> None:
    lines = toggles(codes, count, first, seed)
    matrix, careful = Dump(codes).begin(), Dump(codes).begin()
    assert taken(matrix, lines) == (count, len("\n".join(lines)) + 1)
    careful.changes.take(("\n".join(lines) + "\n").encode())
    assert matrix.stretches() == careful.stretches()


@pytest.mark.parametrize(
    "odd", [["#20000", "x!"], ["#2000", "1!"], ["#10001", "1!"], ["#2000x", "1!"]]
)
def test_the_stretch_ends_with_the_first_row_that_does_not_fit(odd: list[str]) -> None:
    lines = toggles(CODES[0], 100, 10_000, 7)
    rows, size = taken(Dump().begin(), [*lines, *odd, *odd])
    assert (rows, size) == (100, len("\n".join(lines)) + 1)


def test_a_change_that_is_no_toggle_ends_it_too() -> None:
    lines = toggles(CODES[0], 100, 10_000, 7)
    same = ["#20000", lines[-1]]
    assert taken(Dump().begin(), [*lines, *same])[0] == 100


def test_too_few_rows_and_times_before_the_newest_are_left_to_others() -> None:
    assert taken(Dump().begin(), toggles(CODES[0], 63, 10_000, 7)) == (0, 0)
    late = Dump().begin("#90000")
    assert taken(late, toggles(CODES[0], 100, 10_000, 7)) == (0, 0)
