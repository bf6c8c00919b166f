"""What ordinary devices do at times, absent, busy or at the end of their range, is no cause."""

from __future__ import annotations

from collections.abc import Sequence

import pytest

from console.diagnosis.causes.ranking import ranked
from console.diagnosis.scene import Scene
from decoders.checkcodes import check_code
from tests.console.diagnosis.causes.hands import ADDRESS, MS, US, Wave, scene_of, value_of, wrote

NEIGHBOUR = 0x4D


def claimed(scene: Scene) -> list[str]:
    return [row.cause.slug for row in ranked(scene).claimed]


@pytest.mark.parametrize("since", [0, 60])
def test_device_that_is_not_fitted_and_looked_for_is_no_second_controller(since: int) -> None:
    wave = Wave()
    for k in range(200):
        wave.poll(value_of(k))
        if k >= since and k % 10 == 0:
            wave.refused(ADDRESS & NEIGHBOUR)
        wave.wait(5 * MS)
        wave.poll(value_of(k), address=NEIGHBOUR)
        wave.wait(10 * MS)
    assert claimed(scene_of(wave)) == []


def test_memory_that_is_asked_until_it_has_written_is_not_to_blame_for_being_busy() -> None:
    wave = Wave()
    for k in range(120):
        if k % 20 == 19:
            wrote(wave, 0x40, *value_of(k))
            for _ in range(6):
                wave.wait(500 * US)
                wave.refused()
            wave.wait(500 * US)
        wave.poll(value_of(k))
        wave.wait(15 * MS)
    assert claimed(scene_of(wave)) == []


@pytest.mark.parametrize("bright", [range(60, 200), [*range(60, 90), *range(140, 170)]])
def test_value_of_two_bytes_at_the_end_of_its_range_is_no_released_line(
    bright: Sequence[int],
) -> None:
    wave = Wave()
    for k in range(200):
        wave.poll(b"\xff\xff" if k in bright else bytes([1, k * 37 % 251]))
        wave.wait(15 * MS)
    assert "released-line" not in claimed(scene_of(wave))


def test_erased_end_of_a_memory_that_is_read_once_is_no_released_line() -> None:
    wave = Wave()
    for page in range(16):
        written = bytes((page * 16 + k) * 29 % 251 for k in range(16))
        wave.poll(written if page < 7 else b"\xff" * 16, register=page * 16)
        wave.wait(15 * MS)
    assert claimed(scene_of(wave)) == []


def test_check_byte_of_all_ones_is_told_where_replies_carried_one() -> None:
    code = check_code("crc-8/smbus")
    wave = Wave()
    for k in range(80):
        value = bytes([1, k * 37 % 251])
        wave.poll(b"\xff\xff\xff" if k >= 60 else value + code.of(value).to_bytes())
        wave.wait(15 * MS)
    row = ranked(scene_of(wave)).of("released-line")
    assert row.claimed
    assert "20 replies end in all ones, the check byte too" in row.answer.saying("for")


def test_no_check_byte_is_told_of_where_none_is_known() -> None:
    wave = Wave()
    for k in range(80):
        wave.poll(b"\xff\xff\xff\xff" if k >= 60 else value_of(k))
        wave.wait(15 * MS)
    said = ranked(scene_of(wave)).of("released-line").answer.saying("for")
    assert "20 replies end in all ones; no check code tells whether that is a value" in said
