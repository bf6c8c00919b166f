from __future__ import annotations

import pytest

from console.timeline.numbers.units import unit_behind, unit_of_name


@pytest.mark.parametrize(
    ("text", "number_follows", "expected"),
    [
        (" cm", False, "cm"),
        ("cm, low", False, "cm"),
        ("% full", False, "%"),
        (" °C", False, "°C"),
        (" rpm of ", True, "rpm"),
        (" us ", True, ""),  # the name of the next number
        ("us ", True, "us"),
        (" in a row", False, ""),
        (" mstart", False, ""),
        ("e", False, ""),
        ("", False, ""),
    ],
)
def test_a_unit_is_told_from_what_stands_behind(
    text: str, number_follows: bool, expected: str
) -> None:
    assert unit_behind(text, number_follows=number_follows) == expected


@pytest.mark.parametrize(
    ("name", "expected"),
    [("level_cm", "cm"), ("us", "us"), ("heap", ""), ("min", ""), ("h", ""), ("x 0", "")],
)
def test_a_unit_is_told_from_the_end_of_a_name(name: str, expected: str) -> None:
    assert unit_of_name(name) == expected
