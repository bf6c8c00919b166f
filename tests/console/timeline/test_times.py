"""Times in words, to the digits that are known."""

from __future__ import annotations

import pytest

from console.timeline.times import since_start

SECOND = 1_000_000_000


@pytest.mark.parametrize(
    ("t_ns", "band_ns", "expected"),
    [
        (2_050_852_932_500, None, "34:10.853"),
        (2_050_852_932_500, 1, "34:10.852932500"),
        (2_050_852_932_500, 234_000, "34:10.8529"),
        (2_050_852_932_500, 4_000_000, "34:10.853"),
        (2_050_852_932_500, 2 * SECOND, "34:11"),
        (59_999_600_000, None, "01:00.000"),
        (3_661 * SECOND, None, "1:01:01.000"),
        (-1_500_000_000, None, "-00:01.500"),
        (0, None, "00:00.000"),
        (412_500, None, "00:00.000413"),
        (-930_120_000, None, "-00:00.930120"),
    ],
)
def test_a_time_is_said_to_the_digits_its_band_allows(
    t_ns: int, band_ns: int | None, expected: str
) -> None:
    assert since_start(t_ns, band_ns) == expected
