from __future__ import annotations

import pytest

from console.timeline.numbers.target_pairs import pairs_of_target
from tests.console.timeline.number_series_made import field_of


@pytest.mark.parametrize(
    ("target", "measured"),
    [
        ("speed_target", "speed"),
        ("targetSpeed", "speed"),
        ("target", "speed"),
        ("set_point", "rpm"),
        ("setpoint", "actual"),
        ("goal", "position"),
        ("target_rpm", "speed_rpm"),
        ("level_goal_cm", "level_cm"),
        ("speed_sp", "speed_actual"),
    ],
)
def test_names_people_use_are_paired(target: str, measured: str) -> None:
    fields = [field_of("n"), field_of(target), field_of("heap"), field_of(measured)]
    [pair] = pairs_of_target(fields)
    assert (pair.target.name, pair.measured.name) == (target, measured)


def test_a_number_of_the_same_rows_is_preferred() -> None:
    far, near = field_of("speed", subject="winder/other"), field_of("speed", subject="winder/a")
    [pair] = pairs_of_target([far, field_of("target", subject="winder/a"), near])
    assert pair.measured == near


def test_units_that_differ_are_no_pair() -> None:
    assert pairs_of_target([field_of("target", unit="rpm"), field_of("level", unit="cm")]) == []


def test_numbers_without_such_names_are_no_pair() -> None:
    assert pairs_of_target([field_of("speed"), field_of("level"), field_of("offset")]) == []
