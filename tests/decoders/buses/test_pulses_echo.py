"""Echo times to distances, and which ping each echo answers."""

from __future__ import annotations

import numpy as np
import pytest

from decoders.buses.pulses import PulseDecoder
from decoders.buses.pulses_echo import OUTCOMES, Pings, distances_cm, pings_of, sound_m_s
from tests.decoders.buses.pulse_lines import MS, US, edges_of, ranging

# c = 331.3 sqrt(1 + T / 273.15) in dry air, as several public physics references state it.
SPEEDS = [
    (-20, 318.94), (-10, 325.18), (0, 331.30), (10, 337.31), (15, 340.28), (20, 343.21),
    (25, 346.13), (30, 349.02), (40, 354.73), (50, 360.35),
]  # fmt: skip
# Worked from that formula: echo in us, degrees, cm.
DISTANCES = [(5831, 20, 100.06), (5831, 0, 96.59), (5831, 40, 103.42), (12000, 25, 207.68)]


@pytest.mark.parametrize(("temperature", "speed"), SPEEDS)
def test_the_speed_of_sound_is_the_published_one(temperature: float, speed: float) -> None:
    assert sound_m_s(temperature) == pytest.approx(speed, abs=5e-3)


# J. O. Smith, "Physical Audio Signal Processing", "Speed of Sound in Air": from kinetic theory
# 1124.1 ft/s (342.6 m/s) at 20 degrees; the formula for dry air is within 0.2 % of that.
def test_the_speed_agrees_with_kinetic_theory() -> None:
    assert sound_m_s(20) == pytest.approx(1124.1 * 0.3048, rel=2e-3)


@pytest.mark.parametrize(("echo_us", "temperature", "cm"), DISTANCES)
def test_distances_are_the_worked_ones(echo_us: int, temperature: float, cm: float) -> None:
    (found,) = distances_cm(np.array([echo_us * US]), temperature)
    assert found == pytest.approx(cm, abs=5e-3)


def test_absolute_zero_is_refused() -> None:
    with pytest.raises(ValueError, match="degrees Celsius"):
        sound_m_s(-273.15)


def pings(echoes_us: list[float], until_ms: float) -> tuple[list[int], list[str]]:
    edges = edges_of(ranging(echoes_us), round(until_ms * MS))
    found: Pings = pings_of(
        PulseDecoder(0).feed(edges), PulseDecoder(1).feed(edges), 30 * MS, edges.until_ns
    )
    return found.echo.tolist(), [OUTCOMES[k] for k in found.outcome.tolist()]


def test_lost_and_timed_out_echoes_are_no_distances() -> None:
    assert pings([5831, 0, 38_000, 2_000], 300) == (
        [0, -1, 1, 2],
        ["answered", "lost", "timed-out", "answered"],
    )


@pytest.mark.parametrize(("until_ms", "outcome"), [(60, "not-observable"), (70, "lost")])
def test_a_ping_that_may_still_be_answered_is_not_judged(until_ms: float, outcome: str) -> None:
    assert pings([0], until_ms)[1] == [outcome]


def test_no_trigger_is_no_ping() -> None:
    assert pings([], 100) == ([], [])
