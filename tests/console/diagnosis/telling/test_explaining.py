"""Which causes of a ranking a story tells."""

from __future__ import annotations

from dataclasses import replace

import pytest

from console.diagnosis.causes.ranking import Ranking
from console.diagnosis.telling.explaining import explained
from tests.console.diagnosis.causes.test_ranking import CONTROLLER, READ, TARGET, ranking
from tests.console.diagnosis.stories import some_episode

LOST = "delivered-but-ignored"


def of_a_device(weights: dict[str, float | None]) -> Ranking:
    return replace(ranking(weights), episode=some_episode())


def test_no_cause_of_the_network_is_the_reason_of_a_stop() -> None:
    found = explained(of_a_device({READ: 5.0, LOST: 9.0}))
    assert [row.cause.slug for row in found.told] == [READ]
    assert [row.cause.slug for row in found.beside] == [LOST]


def test_what_is_left_adds_up_to_one() -> None:
    found = explained(of_a_device({READ: 5.0, TARGET: 4.0, LOST: 9.0}))
    assert sum(found.ranking.posterior.values()) == pytest.approx(1.0)


def test_a_tie_with_a_cause_of_the_network_is_none() -> None:
    tied = of_a_device({"nack-trap": 5.0, LOST: 5.0})
    assert tied.tie is not None
    assert explained(tied).ranking.tie is None


def test_of_a_whole_run_the_network_may_be_the_cause() -> None:
    found = explained(ranking({LOST: 9.0}))
    assert [row.cause.slug for row in found.told] == [LOST]


def test_an_unlikely_cause_is_not_told_beside_a_likely_one() -> None:
    found = explained(of_a_device({READ: 9.0, "nack-trap": 4.0}))
    assert len(found.ranking.claimed) == 2
    assert [row.cause.slug for row in found.told] == [READ]


def test_causes_that_are_not_told_apart_are_all_told() -> None:
    found = explained(of_a_device({TARGET: 5.0, CONTROLLER: 5.0}))
    assert {row.cause.slug for row in found.told} == {TARGET, CONTROLLER}


def test_what_is_told_as_the_cause_is_not_told_beside_it() -> None:
    found = explained(ranking({LOST: 9.0, "half-open": 5.0}))
    assert [row.cause.slug for row in found.told] == [LOST]
    assert [row.cause.slug for row in found.beside] == ["half-open"]
