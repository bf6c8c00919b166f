"""The table of what a change of the lines means, and the masks that say the same."""

from __future__ import annotations

from itertools import product

import numpy as np
import pytest

from decoders.buses.i2c_conditions import (
    DATA,
    FALL,
    NOTHING,
    RISE,
    START,
    STOP,
    meanings,
    wire_events,
)


# UM10204 sections 3.1.3 and 3.1.4; levels are SCL then SDA.
@pytest.mark.parametrize(
    ("before", "after", "meaning"),
    [
        *(("11", "10", START), ("10", "11", STOP), ("01", "00", DATA), ("00", "01", DATA)),
        *(("11", "01", FALL), ("10", "00", FALL), ("01", "11", RISE), ("00", "10", RISE)),
        # both lines at once: SDA changed while the clock was low
        *(("11", "00", FALL), ("10", "01", FALL), ("01", "10", RISE), ("00", "11", RISE)),
        *((both, both, NOTHING) for both in ("00", "01", "10", "11")),
    ],
)
def test_each_change_of_the_lines_has_its_meaning(before: str, after: str, meaning: int) -> None:
    scl, sda = (np.array([int(before[k]), int(after[k])], np.uint8) for k in (0, 1))
    assert meanings(scl, sda).tolist() == [meaning]


def test_masks_find_what_the_table_says() -> None:
    changes = [(a, b) for a, b in product(range(4), repeat=2) if a != b]
    for before, after in changes:
        scl = np.array([before >> 1, after >> 1], np.uint8)
        sda = np.array([before & 1, after & 1], np.uint8)
        events = wire_events(np.array([5], np.int64), scl, sda, 0)
        meaning = int(meanings(scl, sda)[0])
        assert len(events.rises) == (meaning == RISE)
        assert len(events.conditions) == (meaning in (START, STOP))
        assert events.is_start.tolist() == [True] * (meaning == START) + [False] * (meaning == STOP)
