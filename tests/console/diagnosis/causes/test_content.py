"""Signs in the bytes of replies."""

from __future__ import annotations

import numpy as np
import polars as pl
import pytest

from console.diagnosis.causes.content import counts_anded, frozen_of
from console.diagnosis.causes.rotation import leftovers_of, rotated_of
from tests.console.diagnosis.causes.hands import value_of


def replies(data: list[bytes], asked: str = "10") -> pl.DataFrame:
    return pl.DataFrame(
        {
            "start_ns": np.arange(len(data)) * 1_000_000,
            "data": [each.hex() for each in data],
            "asked": [asked] * len(data),
            "length": [len(each) for each in data],
        }
    )


def test_run_of_one_reply_is_beyond_what_noise_gave_only_after_it_moved() -> None:
    moved = frozen_of(replies([*map(value_of, range(40)), *[value_of(39)] * 40]))
    constant = frozen_of(replies([b"\x17\x01"] * 80))
    assert (moved is not None and moved.beyond, constant is not None and constant.beyond) == (
        True,
        False,
    )


@pytest.mark.parametrize(("other", "row"), [(0x5A, 50), (0xFF, -1)])
def test_counts_anded_with_another_content_are_found(other: int, row: int) -> None:
    counts = np.arange(101, 201, dtype=np.uint8)
    counts[50:] &= other
    found = counts_anded(counts.reshape(-1, 1))
    assert (found >= row, found >= 0) == (True, row >= 0)


def test_count_that_begins_anew_is_not_anded() -> None:
    counts = np.concatenate([np.arange(100, 150), np.arange(50)]).astype(np.uint8)
    assert counts_anded(counts.reshape(-1, 1)) == -1


def test_fields_that_stand_two_bytes_further_for_good_are_rotated() -> None:
    records = [bytes([1, k % 23, 200, 3 + k % 7, 90, k % 11]) for k in range(80)]
    slipped = records[:50] + [each[2:] + each[:2] for each in records[50:]]
    found = rotated_of(replies(slipped))
    assert found is not None
    assert (found.shift, found.from_ns) == (4, 50_000_000)


def test_fields_in_their_places_are_not_rotated() -> None:
    assert rotated_of(replies([bytes([1, k % 23, 200, 3 + k % 7]) for k in range(80)])) is None


def test_byte_left_by_a_shorter_read_moves_the_replies_after_it() -> None:
    stream = [bytes([1, 60 + k % 5, 200, 120 + k % 5]) for k in range(60)]
    loaded = b"".join(stream[30:])
    late = [loaded[:3], *(loaded[at : at + 4] for at in range(3, 60, 4))]
    found = leftovers_of(replies(stream[:30] + late))
    assert found is not None
    assert (found.count, found.fit) == (15, 1.0)


def test_replies_of_one_length_leave_nothing() -> None:
    assert leftovers_of(replies([value_of(k) for k in range(40)])) is None
