"""Bytes that are measured, told from bits and counts."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pytest

from console.diagnosis.causes.noise import noisy_bytes

Ints = npt.NDArray[np.int64]
DICE = np.random.default_rng(11)
FLIPS = (DICE.random((200, 8)) < 0.2).astype(np.uint8)
BYTES: dict[str, tuple[Ints, bool]] = {
    "value-over-a-boundary": (DICE.normal(128, 5, 200).astype(np.int64), True),
    "value-that-goes-round": (DICE.normal(0, 20, 200).astype(np.int64), True),
    "value-that-wanders": (np.cumsum(DICE.integers(-40, 41, 200)), True),
    "count": (np.arange(200), False),
    "count-of-uneven-steps": (np.cumsum(DICE.integers(0, 4, 200)), False),
    "bits-that-change-seldom": (
        np.bitwise_xor.accumulate(np.packbits(FLIPS, axis=1)[:, 0]).astype(np.int64),
        False,
    ),
    "bits-at-random": (DICE.integers(0, 256, 200), False),
    "nibble-at-random": (DICE.integers(0, 16, 200), False),
    "constant": (np.zeros(200, np.int64), False),
}


@pytest.mark.parametrize("name", BYTES)
def test_byte_is_noisy_only_where_small_steps_go_both_ways_over_boundaries(name: str) -> None:
    values, expected = BYTES[name]
    assert noisy_bytes((values % 256).astype(np.uint8).reshape(-1, 1)).tolist() == [expected]
