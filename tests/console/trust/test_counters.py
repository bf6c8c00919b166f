"""Numbers that count the events of a source, and where they skip."""

from __future__ import annotations

import numpy as np
import pytest

from console.trust.counters import Counter, holes

MS = 1_000_000


def counter(values: list[int]) -> Counter:
    """One number in every row."""
    rows = np.arange(len(values), dtype=np.int64)
    return Counter("i2c", "i2c hopper", rows, np.array(values, np.int64))


def every(ms: int, count: int) -> list[int]:
    return [k * ms for k in range(count)]


@pytest.mark.parametrize("in_time", [True, False])
def test_numbers_left_out_for_as_long_as_they_take_are_missing(in_time: bool) -> None:
    values = [*range(900, 920), *range(925, 945)]
    t_ms = [*every(20, 20), *(ms + 500 for ms in every(20, 20))]
    (found,) = holes([counter(values)], np.array(t_ms, np.int64) * MS, in_time=in_time)
    assert (found.before, found.after, found.missing) == (19, 20, 5)


def test_number_of_another_sentence_is_no_beginning_of_a_count() -> None:
    values = [27, *range(927, 967)]  # an address in a boot line, 9 ms before the first poll
    t_ns = np.array([0, *(9 + ms for ms in every(20, 40))], np.int64) * MS
    assert holes([counter(values)], t_ns, in_time=True) == []
    assert [hole.missing for hole in holes([counter(values)], t_ns)] == [899]
