"""What unit the bare numbers before a log's lines are in, when a capture has the line, too."""

from __future__ import annotations

import numpy as np
import pytest

from console.pipeline.stamp_unit import UNITS, is_in_ms, with_unit
from decoders.prints.columns import Prints
from decoders.prints.prints import PrintDecoder


def prints_of(text: str) -> Prints:
    decoder = PrintDecoder("log")
    return Prints.concat([decoder.feed(text.encode()), decoder.finish()])


NUMBERS = [1_000 + 437 * k for k in range(40)]
BARE = prints_of("".join(f"[{n}] poll {k}\n" for k, n in enumerate(NUMBERS)))


def test_bare_numbers_may_be_in_another_unit_and_dates_may_not() -> None:
    dates = prints_of("".join(f"2024-05-01 10:00:{k:02d} poll {k}\n" for k in range(40)))
    assert (is_in_ms(BARE), is_in_ms(dates)) == (True, False)


@pytest.mark.parametrize("unit", UNITS, ids=lambda unit: unit.name)
def test_stamps_are_the_numbers_in_the_unit(unit: object) -> None:
    ns = {"microseconds": 1_000, "seconds": 10**9, "nanoseconds": 1}
    which = next(each for each in UNITS if each is unit)
    expected = np.array(NUMBERS) * ns[which.name]
    assert with_unit(BARE, which).native_ns.tolist() == expected.tolist()
