"""Any number of scalar changes a step, by columns and as the careful way has them."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from decoders.captures.vcd_scalars import BACK, FRONT, ScalarSteps
from tests.decoders.captures.vcd_made import Dump, steps

CODES = [("!", '"', "#", "$"), ("n0", "n1", "n2", "n3"), ("line0", "x", "port", "fill_cm")]


def taken(dump: Dump, lines: list[str]) -> tuple[int, int, int]:
    """Lines, changes and bytes that were read by columns."""
    raw = ("\n".join(lines) + "\n").encode()
    text = np.frombuffer(b"0" * FRONT + raw + b"0" * BACK, np.uint8)
    return ScalarSteps().take(text, FRONT, FRONT + len(raw), dump.state, dump.tables())


@settings(deadline=None)
@pytest.mark.parametrize("codes", CODES)
@given(seed=st.integers(0, 2**32), most=st.integers(1, 4), base=st.sampled_from([0, 10**9]))
def test_steps_are_what_the_careful_way_makes_of_them(
    codes: tuple[str, str, str, str], seed: int, most: int, base: int
) -> None:
    lines = steps(np.random.default_rng(seed), 40, list(codes[:2]), most)
    lines = [f"#{base + int(line[1:])}" if line[0] == "#" else line for line in lines]
    columns, careful = Dump(codes).begin(), Dump(codes).begin()
    size = len("\n".join(lines)) + 1
    assert taken(columns, lines) == (len(lines), len(lines) - 40, size)
    careful.changes.take(("\n".join(lines) + "\n").encode())
    assert columns.stretches() == careful.stretches()


@pytest.mark.parametrize("odd", ["x!", "1?", "$comment", "", "1!!", "b01  #", "#5x", "#1"])
def test_the_stretch_ends_with_the_first_line_that_is_odd(odd: str) -> None:
    good = [line for k in range(1, 20) for line in (f"#{k * 10}", f"{k % 2}!")]
    lines, changes, size = taken(Dump().begin(), [*good, odd, "#900", '1"'])
    assert (lines, changes, size) == (38, 19, len("\n".join(good)) + 1)


def test_too_few_lines_are_not_worth_it() -> None:
    assert taken(Dump().begin(), ["#5", "1!", "x!", *["#9", "0!"] * 20]) == (0, 0, 0)


def test_changes_at_the_time_before_the_first_belong_to_it() -> None:
    lines = ["1!", *[line for k in range(6, 25) for line in (f"#{k}", f'{k % 2}"')]]
    dump = Dump().begin("#5")
    assert taken(dump, lines)[0] == len(lines)
    ((rows, _),) = dump.stretches()
    assert rows[:4] == [(0, 0), (5, 1), (7, 3), (8, 1)]
