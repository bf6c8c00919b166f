"""What angle a pulse commands."""

from __future__ import annotations

import numpy as np
import pytest

from decoders.buses.pulses_servo import Travel

# The common convention: 1.0 to 2.0 ms for 0 to 180 degrees at 50 Hz, 1.5 ms the middle (TinyGo
# tour, "Servo: intro", and other public examples); duty is the width over 20 ms.
NOMINAL = [(0, 1000, 5.0), (45, 1250, 6.25), (90, 1500, 7.5), (135, 1750, 8.75), (180, 2000, 10.0)]


@pytest.mark.parametrize(("angle", "width_us", "duty"), NOMINAL)
def test_the_nominal_mapping(angle: float, width_us: float, duty: float) -> None:
    travel = Travel()
    assert travel.angles(np.array([width_us * 1_000])).tolist() == [pytest.approx(angle)]
    assert travel.width_of(angle) == pytest.approx(width_us)
    assert width_us / 20_000 * 100 == duty


# 5.556 us a degree for 1-2 ms, 11.111 for 0.5-2.5 ms: 1000 and 2000 us over 180 degrees.
@pytest.mark.parametrize(("ends", "us_per_deg"), [((1000, 2000), 5.556), ((500, 2500), 11.111)])
def test_the_travel_is_the_users(ends: tuple[float, float], us_per_deg: float) -> None:
    assert 1 / Travel(ends).deg_per_us == pytest.approx(us_per_deg, abs=5e-4)


def test_a_servo_may_turn_the_other_way() -> None:
    travel = Travel((1000, 2000), (45, -45))
    assert travel.angles(np.array([1_000_000, 1_500_000, 2_100_000])).tolist() == [45, 0, -54]


def test_ends_that_are_one_are_refused() -> None:
    with pytest.raises(ValueError, match="widths"):
        Travel((2000, 2000))
    with pytest.raises(ValueError, match="angles"):
        Travel(angle_deg=(90, 90))
