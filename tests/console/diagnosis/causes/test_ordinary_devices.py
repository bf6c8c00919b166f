"""What ordinary devices do at times, absent, busy or at the end of their range, is no cause."""

from __future__ import annotations

import pytest

from console.diagnosis.causes.ranking import ranked
from console.diagnosis.scene import Scene
from tests.console.diagnosis.causes.hands import ADDRESS, MS, Wave, scene_of, value_of

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
