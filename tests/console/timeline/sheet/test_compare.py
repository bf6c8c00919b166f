"""What counts as the same, as a counter that went on, and as different."""

from __future__ import annotations

from typing import Any

import pytest

from console.timeline.sheet.compare import MISSING, change_of
from console.timeline.sheet.lines import Change


@pytest.mark.parametrize(
    ("value", "before", "steps", "expected"),
    [
        (5, [], [], Change.NONE),
        (5, [5], [1], Change.SAME),
        (5, [MISSING, 5], [1, 1], Change.NEW),
        (5, [4], [1], Change.STEPS),
        (5, [4, 3, 2], [1, 1, 1], Change.STEPS),
        (5, [4, 4, 4], [1, 1, 1], Change.DIFFERS),  # it did not count before
        (5, [4, 9, 2], [1, 1, 1], Change.DIFFERS),
        (5, [3, 2, 1], [2, 1, 1], Change.STEPS),  # a bad one of the kind lies between
        (5, [3, 2, 1], [1, 1, 1], Change.DIFFERS),  # one was left out
        (5, [4, MISSING], [1, 1], Change.STEPS),
        (4, [5], [1], Change.DIFFERS),
        (5.0, [4.0], [1], Change.DIFFERS),  # a measurement is no counter
        ("b", ["a"], [1], Change.DIFFERS),
        (1, [True], [1], Change.DIFFERS),
        ({"a": 1}, [{"a": 1}], [1], Change.SAME),
        (None, [None], [1], Change.SAME),
    ],
)
def test_a_value_beside_those_before_it(
    value: Any, before: list[Any], steps: list[int], expected: Change
) -> None:
    assert change_of(value, before, steps) is expected


def test_a_counter_of_a_byte_starts_over() -> None:
    assert change_of(0, [255, 254], [1, 1], wraps_at=256) is Change.STEPS
    assert change_of(0, [255, 254], [1, 1]) is Change.DIFFERS
