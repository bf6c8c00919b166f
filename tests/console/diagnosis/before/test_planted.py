"""A planted precursor is told first, and nothing is told where none was planted.

A reduced form, with fixed seeds, of `python -m tests.benchmarks.precursors`.
"""

from __future__ import annotations

import pytest

from console.diagnosis.before.looking import differences
from tests.console.diagnosis.before.planted import PLANTS, restless, scene_with


@pytest.mark.parametrize("plant", PLANTS)
def test_precursor_of_one_in_a_thousand_is_told_first(plant: str) -> None:
    found = [differences(scene_with(plant, seed)) for seed in (0, 1)]
    assert [one.ranked[0].kind for one in found] == [PLANTS[plant]] * 2


def test_without_a_precursor_nothing_is_unusual() -> None:
    told = [differences(scene_with("", seed)).words for seed in range(10)]
    assert told == ["nothing unusual, in 15 kinds of things looked at"] * 10


def test_run_that_always_brings_something_new_has_nothing_unusual_at_its_end() -> None:
    told = [differences(restless(seed)).words for seed in range(8)]
    assert told == ["nothing unusual, in 15 kinds of things looked at"] * 8
