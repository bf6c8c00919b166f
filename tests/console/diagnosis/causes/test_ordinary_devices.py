"""What ordinary devices do at times, absent, busy or at the end of their range, is no cause."""

from __future__ import annotations

import pytest

from console.diagnosis.causes.ranking import ranked
from console.diagnosis.scene import Scene
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
